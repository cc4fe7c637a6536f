"""A first channel map, guessed from what a source sends."""
