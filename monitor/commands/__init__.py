"""The command line, one file a command. Each has `add_to` (its arguments) and `run` (imports what it needs itself)."""
