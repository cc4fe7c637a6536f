"""Reports: the tally of a study, its groups compared, tables for the analyst, the close-out of one run."""
