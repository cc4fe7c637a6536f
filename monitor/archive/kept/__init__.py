"""The columns of a record kept beside it: written, read, and the other vehicles on demand."""
