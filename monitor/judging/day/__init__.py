"""What is known of the day around the drive: what was entered of it, and how long the participant has driven."""
