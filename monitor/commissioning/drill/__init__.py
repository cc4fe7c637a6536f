"""The operator's exercise: short synthetic drives, some of them lost, on the true watch screen; and the score."""
