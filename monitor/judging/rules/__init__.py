"""One file for each rule that gives findings."""
