"""From entries, live or on disk, to a frozen view for screens."""
