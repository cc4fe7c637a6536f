"""What was entered of the day around the drive: how the participant was, what deviated, the debrief, what was found
before the run. Nothing of it has a part in a verdict; "expected it" becomes a note beside the trial (`called.py`).

| entry type  | fields, beside those of every operator's entry                                                     |
| ----------- | -------------------------------------------------------------------------------------------------- |
| `adverse`   | `text`: an adverse event; numbered A1, A2 … in the order of entry                                    |
| `deviation` | `text`: a deviation from the protocol; D1, D2 …                                                      |
| `symptoms`  | `when` ("before", "after"), `answers`: sixteen of 0 to 3, in the order of `symptoms.ITEMS`           |
| `fit`       | `fit`, `words`: whether the participant is fit to leave, by whom it was said                          |
| `debrief`   | `item`, `answer`, `words`; `seen` as in a ruling: what had been shown when it was asked               |
| `reminded`  | `about` ("break", "total"), `level` ("near", "over"), `words`: a limit that was said on the state line |
| `perceived` | `name`, `answer` ("heard", "felt", "seen", "no"): in the seat, in a rehearsal's record                 |
| `rehearsed` | `rehearsal`: what the newest kept rehearsal said when the run began; `unreadable`: newer files, if any |
| `carried`   | `runs`: the participant's earlier runs, each with the fields of `EarlierRun`                         |

Who takes one back (`retract`) takes nothing out: it stays in every report, with why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from monitor.judging.case.trial import Retraction, Seen, seen_from_map
from monitor.judging.day.driving import Stretch, stretches_from
from monitor.judging.rules.stopped import Instant
from monitor.judging.symptoms import Symptoms, score_symptoms

EventKind = Literal["adverse", "deviation"]
LETTERS: dict[EventKind, str] = {"adverse": "A", "deviation": "D"}
EVENT_WORDS: dict[EventKind, str] = {"adverse": "adverse event", "deviation": "deviation"}
PERCEIVED = ("heard", "felt", "seen", "no")


@dataclass(frozen=True, slots=True)
class Event:
    """An adverse event or a deviation, with its number in the record."""

    kind: EventKind
    number: int
    text: str
    entered: Instant
    key: str
    retracted: Retraction | None = None

    @property
    def name(self) -> str:
        """ "A1", "D2"."""
        return f"{LETTERS[self.kind]}{self.number}"


@dataclass(frozen=True, slots=True)
class FilledIn:
    """One filled-in questionnaire."""

    when: str
    answers: tuple[int, ...]
    scores: Symptoms
    entered: Instant
    key: str
    retracted: Retraction | None = None


@dataclass(frozen=True, slots=True)
class Fitness:
    """Whether somebody said that the participant is fit to leave."""

    fit: bool
    words: str
    entered: Instant
    key: str
    retracted: Retraction | None = None

    @property
    def said(self) -> str:
        """In words."""
        about = f": {self.words}" if self.words else ""
        return f"{'fit' if self.fit else 'NOT fit'} to leave, says {self.entered.by or 'somebody'}{about}"


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer of the debrief. A later one to the same item takes its place; both are kept."""

    item: str
    answer: str
    words: str
    entered: Instant
    seen: Seen | None
    """None: it was not recorded what had been shown by then."""

    @property
    def said(self) -> str:
        """The answer and the words."""
        return ": ".join(one for one in (self.answer, self.words) if one)


@dataclass(frozen=True, slots=True)
class Reminder:
    """A limit of driving that was said. `since`: when what it counts began, seconds since 1970."""

    about: str
    level: str
    since: float
    words: str
    entered: Instant


@dataclass(frozen=True, slots=True)
class InTheSeat:
    """How somebody in the seat perceived an alert at a volume."""

    name: str
    answer: str
    by: str
    wall: float


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What the newest kept rehearsal said when the run began."""

    name: str
    at: float
    go: bool
    by: str
    study_sha256: str
    perceived: tuple[InTheSeat, ...]

    def as_map(self) -> dict[str, Any]:
        """As `rehearsed_from_map` reads it: whatever a page has beside it, or in its place, is left out."""
        seats = [{"name": one.name, "answer": one.answer, "by": one.by, "at": one.wall} for one in self.perceived]
        return {
            **{name: getattr(self, name) for name in ("name", "at", "go", "by", "study_sha256")},
            "perceived": seats,
        }


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """A run of the same participant before this one."""

    record: str
    began: float
    group: str | None
    scenarios: tuple[str, ...]
    """Of its drives, in order; "" where the simulator named none."""
    stretches: tuple[Stretch, ...]
    stops: tuple[str, ...]
    filled: tuple[str, ...] = ()
    """When the questionnaire was asked in it: "before", "after"."""
    steps: tuple[str, ...] = ()
    """Steps of the run sheet that were ticked in it."""


@dataclass(frozen=True, slots=True)
class DayLog:
    """Everything entered of the day so far, in order."""

    events: tuple[Event, ...] = ()
    symptoms: tuple[FilledIn, ...] = ()
    fitness: tuple[Fitness, ...] = ()
    debrief: tuple[Answered, ...] = ()
    reminders: tuple[Reminder, ...] = ()
    in_the_seat: tuple[InTheSeat, ...] = ()
    rehearsed: Rehearsed | None = None
    unreadable: tuple[str, ...] = ()
    """Kept pages newer than that of `rehearsed`, by name, that could not be read when the run began."""
    earlier: tuple[EarlierRun, ...] | None = None
    """None: nobody looked, because the study does not ask."""

    @property
    def fit(self) -> Fitness | None:
        """What was said last of whether the participant is fit to leave."""
        return next((one for one in reversed(self.fitness) if one.retracted is None), None)

    @property
    def ticked_before(self) -> dict[str, str]:
        """Step that was ticked in an earlier run → that run's record."""
        return {step: run.record for run in self.earlier or () for step in run.steps}

    def answers_after(self, drive: int | None) -> dict[str, Answered]:
        """Item of the debrief → the last answer that was given after a drive."""
        return {one.item: one for one in self.debrief if one.entered.drive in (drive, None)}

    def filled_in(self, when: str) -> FilledIn | None:
        """The last questionnaire of before or after the drive."""
        return next((one for one in reversed(self.symptoms) if one.when == when and one.retracted is None), None)

    def taken(self, fields: Mapping[str, Any], entered: Instant, key: str) -> tuple[DayLog, str]:
        """The log with one entry more, and what it says as a note; the same log for an entry of another type, or one
        that cannot be read as its type."""
        words = str(fields.get("words") or "")
        match fields.get("type"):
            case "adverse" | "deviation" as kind if fields.get("text"):
                number = 1 + sum(one.kind == kind for one in self.events)
                event = Event(kind, number, str(fields["text"]), entered, key)
                return replace(self, events=(*self.events, event)), f"{EVENT_WORDS[kind]} {event.name}: {event.text}"
            case "symptoms":
                filled = _filled_in(fields, entered, key)
                if filled is not None:
                    said = f"symptoms {filled.when} the drive: {filled.scores.words()}"
                    return replace(self, symptoms=(*self.symptoms, filled)), said
            case "fit" if isinstance(fields.get("fit"), bool):
                fitness = Fitness(fields["fit"], words, entered, key)
                return replace(self, fitness=(*self.fitness, fitness)), fitness.said
            case "debrief" if fields.get("item"):
                answer, seen = str(fields.get("answer") or ""), seen_from_map(fields.get("seen"))
                answered = Answered(str(fields["item"]), answer, words, entered, seen)
                return replace(self, debrief=(*self.debrief, answered)), ""
            case "reminded":
                since = _seconds(fields.get("since"))
                one = Reminder(str(fields.get("about")), str(fields.get("level")), since, words, entered)
                return replace(self, reminders=(*self.reminders, one)), f"reminded: {words}"
            case "perceived" if fields.get("answer") in PERCEIVED:
                seat = InTheSeat(str(fields.get("name")), fields["answer"], entered.by, entered.wall)
                return replace(self, in_the_seat=(*self.in_the_seat, seat)), ""
            case "rehearsed":
                names = tuple(map(str, _list(fields.get("unreadable"))))
                return replace(self, rehearsed=rehearsed_from_map(fields.get("rehearsal")), unreadable=names), ""
            case "carried":
                return replace(self, earlier=_earlier(fields.get("runs"))), ""
        return self, ""

    def taken_back(self, key: str, retraction: Retraction) -> DayLog:
        """The log in which the entry with this key is marked as taken back."""

        def back(one: Any) -> Any:
            return replace(one, retracted=retraction) if key and one.key == key and one.retracted is None else one

        return replace(
            self,
            events=tuple(map(back, self.events)),
            symptoms=tuple(map(back, self.symptoms)),
            fitness=tuple(map(back, self.fitness)),
        )


def rehearsed_from_map(fields: Any) -> Rehearsed | None:
    """What a kept page of a rehearsal says; None for anything else."""
    if not isinstance(fields, Mapping) or not isinstance(fields.get("go"), bool):
        return None
    seats = [one for one in _list(fields.get("perceived")) if isinstance(one, Mapping)]
    perceived = tuple(
        InTheSeat(str(one.get("name")), str(one.get("answer")), str(one.get("by")), _seconds(one.get("at")))
        for one in seats
    )
    name, by, digest = (str(fields.get(key) or "") for key in ("name", "by", "study_sha256"))
    return Rehearsed(name, _seconds(fields.get("at")), fields["go"], by, digest, perceived)


def _earlier(runs: Any) -> tuple[EarlierRun, ...]:
    return tuple(
        EarlierRun(
            str(one.get("record")),
            _seconds(one.get("began")),
            one["group"] if isinstance(one.get("group"), str) else None,
            tuple(map(str, _list(one.get("scenarios")))),
            stretches_from(_list(one.get("stretches"))),
            tuple(map(str, _list(one.get("stops")))),
            tuple(map(str, _list(one.get("filled")))),
            tuple(map(str, _list(one.get("steps")))),
        )
        for one in _list(runs)
        if isinstance(one, Mapping)
    )


def _filled_in(fields: Mapping[str, Any], entered: Instant, key: str) -> FilledIn | None:
    answers = _list(fields.get("answers"))
    whole = all(isinstance(one, int) and not isinstance(one, bool) for one in answers)
    if fields.get("when") not in ("before", "after") or not whole:
        return None
    try:
        return FilledIn(fields["when"], tuple(answers), score_symptoms(answers), entered, key)
    except ValueError:
        return None


def _list(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list | tuple) else ()


def _seconds(value: Any) -> float:
    try:
        usable = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    except OverflowError:  # a whole number of a JSON file that no float can be
        return 0.0
    return float(value) if usable else 0.0
