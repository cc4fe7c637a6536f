"""Groups compared by response times, for the analyst."""
