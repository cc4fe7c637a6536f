"""A player for scripts and tests: does what the screen says, a set time after it says so, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.commissioning.drill.attempt import HELD_BACK, TOO_LATE, Attempt


@dataclass(slots=True)
class Player:
    """Holds back what is told to be lost, notes why, and confirms what was judged, `reacts_after_s` later each."""

    attempt: Attempt
    reacts_after_s: float

    def due(self, now_s: float) -> list[dict[str, Any]]:
        """What it enters at this moment."""
        attempt, before = self.attempt, now_s - self.reacts_after_s + 1e-9
        if attempt.held_at is None:
            told = attempt.told_at is not None and attempt.told_at <= before
            if told and not attempt.has_fired and attempt.heads != TOO_LATE:
                return [{"type": "mark", "code": HELD_BACK, "text": f"{attempt.trigger} held back"}]
        elif attempt.held_at <= before and not attempt.noted:
            return [{"type": "note", "text": f"held back: {attempt.told}"}]
        return [
            {"type": "ruling", "trial": one.id, "verdict": one.verdict, "reason": "confirmed", "words": ""}
            for one in attempt.unruled
            if attempt.shown_at[one.id] <= before
        ]

    @property
    def is_done(self) -> bool:
        """Whether nothing is left to do in a drive that is over."""
        return not self.attempt.unruled and (self.attempt.held_at is None or self.attempt.noted)
