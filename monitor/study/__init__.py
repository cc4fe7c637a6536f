"""The study file: what must hold, when, for whom; loaded with every fault named at once."""
