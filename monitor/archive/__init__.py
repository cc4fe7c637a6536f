"""Records read through and judged once: the pass, what is kept beside them, and many records at a time."""
