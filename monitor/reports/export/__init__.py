"""Tables of a study, and the dictionary that explains their columns."""
