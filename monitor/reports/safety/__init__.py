"""How participants were, for who looks after them and for an ethics board: nothing of responses, verdicts or groups."""
