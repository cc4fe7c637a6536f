"""A feed held against its study and against itself."""
