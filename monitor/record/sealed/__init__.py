"""A sealed record: all parts of a closed one in one file of compressed blocks with an index."""
