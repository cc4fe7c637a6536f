"""A record played again: the same view as live, at any place of it."""
