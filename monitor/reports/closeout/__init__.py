"""The report of one run and what is left to do."""
