"""Which verdicts the operator has acknowledged. A screen's own memory; what was shown is in the record."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.judging.case.trial import Trial
from monitor.screens.drawing.words import verdict_word


def said_of(trial: Trial) -> tuple[str, str]:
    """What is acknowledged: this trial with this word, so that FIRED and then INVALID are two things to see."""
    return trial.id, verdict_word(trial)


def speaks(trial: Trial) -> bool:
    """True for a trial that the heading shows: fired or final, and not ruled on yet."""
    return trial.stage in ("fired", "final") and trial.ruling is None


class Seen:
    """Trials come in by `take`; those that stay in `unseen` wait for the operator."""

    def __init__(self) -> None:
        self._shown: set[tuple[str, str]] = set()
        self._acknowledged: set[tuple[str, str]] = set()

    def open_with(self, trials: Iterable[Trial]) -> None:
        """What a screen finds when it opens: all but the newest trial was seen by an earlier screen."""
        speaking = [trial for trial in trials if speaks(trial)]
        for trial in speaking:
            self._shown.add(said_of(trial))
        for trial in speaking[:-1]:
            self._acknowledged.add(said_of(trial))

    def take(self, trials: Iterable[Trial]) -> list[Trial]:
        """Trials that say something for the first time. A trial that is gone (a replay went back) is forgotten."""
        speaking = {said_of(trial): trial for trial in trials if speaks(trial)}
        here = {trial for trial, _ in speaking}
        self._shown = {one for one in self._shown if one[0] in here}
        self._acknowledged = {one for one in self._acknowledged if one[0] in here}
        fresh = [trial for said, trial in speaking.items() if said not in self._shown]
        self._shown.update(said_of(trial) for trial in fresh)
        return fresh

    def unseen(self, trials: Iterable[Trial]) -> tuple[Trial, ...]:
        """Trials whose word waits to be acknowledged, in the order of the view."""
        return tuple(trial for trial in trials if speaks(trial) and said_of(trial) not in self._acknowledged)

    def acknowledge(self, trials: Iterable[Trial]) -> Trial | None:
        """Acknowledges the newest waiting trial and gives it."""
        waiting = self.unseen(trials)
        if not waiting:
            return None
        self._acknowledged.add(said_of(waiting[-1]))
        return waiting[-1]
