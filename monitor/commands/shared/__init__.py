"""What several commands share: what they print, how they end, a live run, many records."""
