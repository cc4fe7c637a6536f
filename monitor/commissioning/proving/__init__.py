"""Detection limits of a study on a facility's own record: faults put into copies in memory, and what became of them."""
