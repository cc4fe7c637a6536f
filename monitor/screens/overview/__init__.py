"""All runs at a glance, on one screen."""
