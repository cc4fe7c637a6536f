"""What a view shows of longer ago than judging keeps frames."""
