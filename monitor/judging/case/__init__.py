"""What a trial is judged from: the drive as columns, windows, values in their bands, conditions."""
