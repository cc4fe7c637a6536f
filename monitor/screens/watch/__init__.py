"""The watch screen, its keys and the app about it."""
