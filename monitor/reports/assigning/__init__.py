"""Who is next and in which group: sealed lots, allocation lists, and the runs so far."""
