"""The operator's entries of a record: notes, marks, rulings, reveals, calls, comfort ratings, answers; and what was
taken back of them. Nothing is ever deleted: what is retracted stays, with who took it back, when and why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field, fields, replace
from typing import Any, get_args

from monitor.feed.limits import is_date
from monitor.judging.case.trial import Note, Retraction, Ruling, Verdict, seen_from_map
from monitor.judging.day.log import DayLog
from monitor.judging.rules.stopped import COMFORT, STOP_MARKS, Instant, Stop

VERDICTS: tuple[Verdict, ...] = get_args(Verdict)

ANSWERS = {"simulator": "the simulator's is right", "ours": "ours is right", "unknown": "nobody knows"}
"""What may be said of a code in which simulator and plan differ."""

LIFTED = "lifted"


BY_ITSELF = ("shown", "reminded", "rehearsed", "carried", "end")
"""Types that a program enters in somebody's name: nobody has taken the operator's place by them."""


@dataclass(frozen=True, slots=True)
class ComfortRating:
    """A spoken rating from 0 (fine) to 20, with when it was given."""

    rating: float
    drive: int | None
    at: float | None
    wall: float
    key: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the operator said of a difference between simulator and plan. `said` is a key of `ANSWERS`."""

    about: str
    said: str
    entered: Instant

    @property
    def words(self) -> str:
        """In words, with who said it."""
        return f"{ANSWERS[self.said]}, says {self.entered.by}" if self.entered.by else ANSWERS[self.said]


@dataclass(frozen=True, slots=True)
class Handover:
    """Somebody else took over the operator's place."""

    to: str
    entered: Instant
    notes: tuple[str, ...] = ()
    """The notes of the last ten minutes, as they were handed over: what was taken back since stands in them as it was
    (`following/handed_over.py` says so)."""


@dataclass(slots=True)
class OperatorLog:
    """What the operator entered, in order. Every ruling is kept; a later call takes the place of an earlier one."""

    comfort_stop_at: float | None = None
    """The facility's stop rule."""
    notes: list[Note] = field(default_factory=list)
    rulings: dict[str, tuple[Ruling, ...]] = field(default_factory=dict)
    """Trial → its rulings in order."""
    revealed: set[str] = field(default_factory=set)
    eyes: dict[str, bool] = field(default_factory=dict)
    """Trial → whether the participant was seen to look at the road: the call where there is no gaze signal."""
    comfort: list[ComfortRating] = field(default_factory=list)
    steps_done: dict[str, float] = field(default_factory=dict)
    stops: list[Stop] = field(default_factory=list)
    """Why the participant was to drive no more, without those that were entered by mistake."""
    answers: dict[str, Answer] = field(default_factory=dict)
    """What differs between simulator and plan → the last answer."""
    seen: set[tuple[str, str]] = field(default_factory=set)
    """Trial and the word that was acknowledged: FIRED and then INVALID are two things to see."""
    handovers: list[Handover] = field(default_factory=list)
    day: DayLog = field(default_factory=DayLog)
    """What was entered of the day around the drive."""
    in_charge: str = ""
    """To whom it was handed over, or who entered something last."""
    keys: set[str] = field(default_factory=set)
    entered_in: dict[float, int] = field(default_factory=dict)
    """Clock that an entry of the record has → the entry's number, the last one where several have it. What was entered
    after the record's end stands in none."""

    @property
    def standing_stop(self) -> Stop | None:
        """The first stop that nobody has lifted."""
        return next((stop for stop in self.stops if stop.lifted is None), None)

    def marks_made(self, code: str) -> int:
        """How many marks of a code stand."""
        return sum(note.retracted is None and note.code == code for note in self.notes)

    def fork(self) -> OperatorLog:
        """What was entered so far, to go on from alone: no list, map or set is shared."""
        return replace(self, **{one.name: copy(getattr(self, one.name)) for one in fields(self)})

    @property
    def contested(self) -> dict[str, tuple[Ruling, Ruling]]:
        """Trials whose last two rulings are of two people and differ, with both in their order."""
        last = {trial: rulings[-2:] for trial, rulings in self.rulings.items() if len(rulings) > 1}
        return {
            trial: (before, now)
            for trial, (before, now) in last.items()
            if before.verdict != now.verdict and before.by != now.by
        }

    def take(self, fields: Mapping[str, Any], number: int | None = None) -> None:
        """One entry; a repeated key is passed over, and so is what cannot be read as its type. `number`: its own in
        the record; None for what was entered after the record's end."""
        key = fields.get("key")
        if isinstance(key, str):
            if key in self.keys:
                return
            self.keys.add(key)
        key = key if isinstance(key, str) else ""
        by, wall = str(fields.get("by", "")), _number(fields.get("wall")) or 0.0
        wall = wall if is_date(wall) else 0.0
        if number is not None:
            self.entered_in[wall] = number
        at, drive = _number(fields.get("at")), _whole(fields.get("drive"))
        entered = Instant(drive, at, wall, by)
        if fields.get("type") not in BY_ITSELF:
            self.in_charge = by or self.in_charge
        match fields.get("type"):
            case "note" | "mark":
                code = str(fields.get("code") or "")
                text = str(fields.get("text") or code)
                marks = code if fields.get("type") == "mark" else ""
                self.notes.append(Note(at, drive, wall, by, text, key, must_say_why=code in STOP_MARKS, code=marks))
                if marks in STOP_MARKS:
                    self.stops.append(Stop(key, STOP_MARKS[code], entered, text))
            case "comfort":
                self._take_comfort(fields.get("rating"), entered, key)
            case "eyes" if isinstance(fields.get("value"), bool):
                self.eyes[str(fields.get("trial"))] = fields["value"]
            case "ruling" if fields.get("verdict") in VERDICTS:
                reason, words = str(fields.get("reason", "")), str(fields.get("words", ""))
                ruling = Ruling(fields["verdict"], reason, words, by, at, wall, seen_from_map(fields.get("seen")))
                trial = str(fields.get("trial"))
                self.rulings[trial] = (*self.rulings.get(trial, ()), ruling)
            case "reveal":
                self.revealed.add(str(fields.get("trial")))
            case "step":
                if fields.get("done", True):
                    self.steps_done[str(fields.get("step"))] = wall
                else:
                    self.steps_done.pop(str(fields.get("step")), None)
            case "seen":
                self.seen.add((str(fields.get("trial")), str(fields.get("word"))))
            case "answer":
                self._take_answer(
                    str(fields.get("about")), fields.get("answer"), str(fields.get("words") or ""), entered
                )
            case "retract":
                self._retract(str(fields.get("what")), Retraction(by, wall, str(fields.get("words") or "")))
            case "handover" if fields.get("to"):
                self.in_charge = str(fields["to"])
                handed = fields.get("notes")
                lines = tuple(map(str, handed)) if isinstance(handed, list | tuple) else ()
                self.handovers.append(Handover(self.in_charge, entered, lines))
                self.notes.append(Note(at, drive, wall, by, f"handed over to {fields['to']}", key))
            case _:
                self.day, said = self.day.taken(fields, entered, key)
                if said:
                    self.notes.append(Note(at, drive, wall, by, said, key, must_say_why=True))

    def _take_comfort(self, rating: Any, entered: Instant, key: str) -> None:
        text = f"comfort rating {rating}"
        value = _number(rating)
        stops = value is not None and self.comfort_stop_at is not None and value >= self.comfort_stop_at
        if value is not None:
            self.comfort.append(ComfortRating(value, entered.drive, entered.at, entered.wall, key))
        if stops:
            rule = f"the facility's stop rule is {self.comfort_stop_at:g} or more"
            self.stops.append(Stop(key, COMFORT, entered, f"comfort rating {value:g}, {rule}"))
            text += f" ({rule})"
        note = Note(entered.at, entered.drive, entered.wall, entered.by, text, key, must_say_why=True)
        self.notes.append(note)

    def _take_answer(self, about: str, said: Any, words: str, entered: Instant) -> None:
        """About "stop": it is lifted, which wants words. About anything else: one of `ANSWERS`."""
        if about == "stop" and said == LIFTED and words:
            self.stops = [
                stop if stop.lifted is not None else replace(stop, lifted=entered, why_lifted=words)
                for stop in self.stops
            ]
            self.notes.append(Note(entered.at, entered.drive, entered.wall, entered.by, f"stop lifted: {words}"))
        elif said in ANSWERS:
            self.answers[about] = Answer(about, said, entered)

    def _retract(self, key: str, retraction: Retraction) -> None:
        """Takes back the note, mark or rating with this key. What stops a drive is taken back with words only, and
        stays among the notes in any case."""
        for place, note in enumerate(self.notes):
            if key and note.key == key and note.retracted is None and (retraction.words or not note.must_say_why):
                self.notes[place] = replace(note, retracted=retraction)
                self.stops = [stop for stop in self.stops if stop.key != key]
                self.comfort = [rating for rating in self.comfort if rating.key != key]
                self.day = self.day.taken_back(key, retraction)


def _number(value: Any) -> float | None:
    usable = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if usable else None


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None
