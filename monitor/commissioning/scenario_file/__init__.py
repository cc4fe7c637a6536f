"""A scenario file in the open standard, held against the study: what the simulator was told, as a second source."""
