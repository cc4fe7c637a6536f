"""What a study asks of the day around the drive; a study that has none of it asks for nothing."""
