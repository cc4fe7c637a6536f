"""Foreign simulators and instruments: what they send, and how it becomes the feed."""
