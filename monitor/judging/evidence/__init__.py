"""What else a feed says of a value that decides: closure, direct, standing, continuity and on-off tests over arrays."""
