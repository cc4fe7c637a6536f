"""Commands of whoever connects a simulator: what its feed is like, and whether it can be believed."""
