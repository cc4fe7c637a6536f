"""A drive by staff in which everything must fire, and its one page."""
