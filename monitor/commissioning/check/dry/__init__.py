"""A drive judged without a record: what each column held, what each marker rule saw, and the first verdicts."""
