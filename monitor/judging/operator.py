"""The operator's entries of a record: notes, marks, rulings, reveals, calls, comfort ratings."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, get_args

from monitor.feed.limits import is_date
from monitor.judging.case.trial import Note, Ruling, Seen, Verdict

VERDICTS: tuple[Verdict, ...] = get_args(Verdict)


@dataclass(frozen=True, slots=True)
class ComfortRating:
    """A spoken rating from 0 (fine) to 20, with when it was given."""

    rating: float
    drive: int | None
    at: float | None
    wall: float


@dataclass(slots=True)
class OperatorLog:
    """What the operator entered, in order. Every ruling is kept; a later call takes the place of an earlier one."""

    comfort_stop_at: float | None = None
    """The facility's stop rule; it only reminds."""
    notes: list[Note] = field(default_factory=list)
    rulings: dict[str, tuple[Ruling, ...]] = field(default_factory=dict)
    """Trial → its rulings in order."""
    revealed: set[str] = field(default_factory=set)
    eyes: dict[str, bool] = field(default_factory=dict)
    """Trial → whether the participant was seen to look at the road: the call where there is no gaze signal."""
    comfort: list[ComfortRating] = field(default_factory=list)
    steps_done: dict[str, float] = field(default_factory=dict)
    keys: set[str] = field(default_factory=set)

    @property
    def reminder(self) -> str:
        """What the facility's stop rule says to the last comfort rating; empty where it says nothing."""
        last = self.comfort[-1] if self.comfort else None
        if last is None or self.comfort_stop_at is None or last.rating < self.comfort_stop_at:
            return ""
        return f"Comfort rating {last.rating:g}: the facility's stop rule is {self.comfort_stop_at:g} or more."

    def fork(self) -> OperatorLog:
        """What was entered so far, to go on from alone."""
        return replace(
            self,
            notes=[*self.notes],
            rulings=dict(self.rulings),
            revealed=set(self.revealed),
            eyes=dict(self.eyes),
            comfort=[*self.comfort],
            steps_done=dict(self.steps_done),
            keys=set(self.keys),
        )

    def take(self, fields: dict[str, Any]) -> None:
        """One entry; a repeated key is passed over, and so is what cannot be read as its type."""
        key = fields.get("key")
        if isinstance(key, str):
            if key in self.keys:
                return
            self.keys.add(key)
        by, wall = str(fields.get("by", "")), _number(fields.get("wall")) or 0.0
        wall = wall if is_date(wall) else 0.0
        at, drive = _number(fields.get("at")), _whole(fields.get("drive"))
        match fields.get("type"):
            case "note" | "mark":
                text = str(fields.get("text") or fields.get("code") or "")
                self.notes.append(Note(at, drive, wall, by, text))
            case "comfort":
                self._take_comfort(fields.get("rating"), at, drive, wall, by)
            case "eyes" if isinstance(fields.get("value"), bool):
                self.eyes[str(fields.get("trial"))] = fields["value"]
            case "ruling" if fields.get("verdict") in VERDICTS:
                reason, words = str(fields.get("reason", "")), str(fields.get("words", ""))
                ruling = Ruling(fields["verdict"], reason, words, by, at, wall, _seen(fields.get("seen")))
                trial = str(fields.get("trial"))
                self.rulings[trial] = (*self.rulings.get(trial, ()), ruling)
            case "reveal":
                self.revealed.add(str(fields.get("trial")))
            case "step":
                if fields.get("done", True):
                    self.steps_done[str(fields.get("step"))] = wall
                else:
                    self.steps_done.pop(str(fields.get("step")), None)

    def _take_comfort(self, rating: Any, at: float | None, drive: int | None, wall: float, by: str) -> None:
        text = f"comfort rating {rating}"
        value = _number(rating)
        if value is not None:
            self.comfort.append(ComfortRating(value, drive, at, wall))
            if self.reminder:
                text += f" (the facility's stop rule: {self.comfort_stop_at:g} or more)"
        self.notes.append(Note(at, drive, wall, by, text))


def _seen(fields: Any) -> Seen | None:
    """What a ruling's author knew; None where it is not there, or of another shape: then nothing is claimed."""
    if not isinstance(fields, dict):
        return None
    verdict, response, looks = (fields.get(name) for name in Seen.__slots__)
    if not isinstance(verdict, bool) or not isinstance(response, bool):
        return None
    return Seen(verdict, response, _whole(looks))


def _number(value: Any) -> float | None:
    usable = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if usable else None


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None
