"""The command line, one file a command, in folders by who uses it. Each has `add_to` (its arguments) and `run`
(imports what it needs itself)."""
