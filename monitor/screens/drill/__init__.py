"""The watch screen of an exercise, and the page at its end."""
