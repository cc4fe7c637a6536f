"""One file for each kind of foreign source."""
