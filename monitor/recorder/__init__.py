"""The process that must not die: feed and operator's entries → record → the same entries to whoever follows."""
