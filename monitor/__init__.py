"""An independent second witness for driving-simulator trials."""

__version__ = "0.1.0"
