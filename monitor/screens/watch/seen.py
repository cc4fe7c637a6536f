"""Which verdicts a screen has shown already. What the operator acknowledged is in the record, and in the view."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.following.heading.trials import said_of, speaks
from monitor.judging.case.trial import Trial


class Shown:
    """Trials come in by `take`, which gives those that say something for the first time."""

    def __init__(self) -> None:
        self._shown: set[tuple[str, str]] = set()

    def take(self, trials: Iterable[Trial]) -> list[Trial]:
        """Trials that say something for the first time. A trial that is gone (a replay went back) is forgotten."""
        speaking = {said_of(trial): trial for trial in trials if speaks(trial)}
        here = {trial for trial, _ in speaking}
        self._shown = {one for one in self._shown if one[0] in here}
        fresh = [trial for said, trial in speaking.items() if said not in self._shown]
        self._shown.update(said_of(trial) for trial in fresh)
        return fresh
