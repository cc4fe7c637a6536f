"""One file for each panel of the watch screen."""
