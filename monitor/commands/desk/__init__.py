"""Commands of the desk: a run as it is driven, and as it was."""
