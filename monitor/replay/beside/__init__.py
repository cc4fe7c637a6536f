"""Two runs laid over each other: what differs first, and by how much."""
