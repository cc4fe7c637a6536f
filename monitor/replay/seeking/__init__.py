"""The pass over a record from which a replay knows its places, and the session at any of them."""
