"""The condition time line of a trigger over a whole drive, kept as spells: times in which no row changes its answer.

A drive of an hour has some hundred spells where it has 216,000 frames; the line knows every change to the frame.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from monitor.judging.case.drive import DriveLog
from monitor.judging.case.stretch import TENTH, cut_stretch
from monitor.judging.case.values import IN, MISSING, OUT
from monitor.judging.session import DriveTrials, Session
from monitor.measures.columns import FloatArray
from monitor.replay.lines.rows import Answers, FrameValues, Row, States, answer_rows, look_back_s, rows_of_trigger
from monitor.study.model import Study, Trigger

MIXED, NOTHING = 2, -2
"""In a column of a drawn line: met for a part of it; no frame at all."""

MOST_SPELLS = 10_000
"""Beyond this, spells of a trigger that are shorter than `JOINED_S` are joined with the one before: bounded memory."""
JOINED_S = 1.0

LATE_S = 1.0
"""Samples of a further source are waited for so long before a frame's rows are written down."""


@dataclass(slots=True)
class Spell:
    """From the frame at `start_t` to the one at `end_t` every row's state is the same: 1 met, 0 not met, −1 no data.

    `margin` is the row's greatest margin in it (nearest to the band, or furthest inside), `value` the value there,
    `margin_t` when; NaN where the row has no number.
    """

    start_t: float
    end_t: float
    state: tuple[int, ...]
    margin: list[float]
    value: list[float]
    margin_t: list[float]


@dataclass(slots=True)
class ConditionLine:
    """A trigger's rows over one drive. Times in seconds of the drive."""

    drive: int
    trigger: str
    rows: tuple[Row, ...]
    period_s: float
    spells: list[Spell] = field(default_factory=list)
    coarse: bool = False
    """True where spells were joined because there were too many: then it is exact to `JOINED_S` only."""

    @property
    def together(self) -> tuple[int, ...]:
        """Places of the rows that must all be met at the fire: required conditions that look at it or before it."""
        return tuple(
            place for place, row in enumerate(self.rows) if row.part == "condition" and row.required and row.before_fire
        )

    def state_together(self, spell: Spell) -> int:
        """1 where all of `together` are met, 0 where one is not, else −1."""
        states = {spell.state[place] for place in self.together}
        return OUT if OUT in states else MISSING if MISSING in states or not states else IN

    def spells_between(self, start_t: float, end_t: float) -> Iterator[Spell]:
        """The spells that meet a time."""
        for spell in self.spells:
            if spell.end_t + self.period_s > start_t and spell.start_t < end_t:
                yield spell

    def columns(self, start_t: float, end_t: float, width: int) -> States:
        """The rows and, last, all together, in `width` equal columns of time; shape (rows + 1, width).

        1 met, 0 not met, −1 no data, 2 met for a part of the column, −2 no frame in it.
        """
        grid = np.full((len(self.rows) + 1, max(width, 0)), NOTHING, np.int8)
        if width <= 0 or not end_t > start_t:
            return grid
        scale = width / (end_t - start_t)
        for spell in self.spells_between(start_t, end_t):
            first = max(math.floor((spell.start_t - start_t) * scale + 1e-9), 0)
            last = math.ceil((spell.end_t + self.period_s - start_t) * scale - 1e-9) - 1
            last = min(max(last, first), width - 1)
            if first >= width:
                continue
            state = np.array([*spell.state, self.state_together(spell)], np.int8)[:, None]
            known = grid[:, first : last + 1]
            same = (known == state) | (known == NOTHING)
            part = ((known == IN) | (state == IN) | (known == MIXED)) & ~same
            worse = np.where((known == OUT) | (state == OUT), OUT, MISSING)
            grid[:, first : last + 1] = np.where(same, state, np.where(part, MIXED, worse))
        return grid


def add_answers(line: ConditionLine, answers: Answers, broken: list[float]) -> None:
    """Adds frames to a line; `broken` are times of frames before which some are missing."""
    t, state = answers.t, answers.state
    if not len(t):
        return
    changes = np.any(np.diff(state, axis=0) != 0, axis=1)
    starts = np.concatenate([[0], np.flatnonzero(changes | np.isin(t[1:], broken)) + 1])
    for start, stop in zip(starts, [*starts[1:], len(t)], strict=True):
        piece = _spell(answers, int(start), int(stop))
        last = line.spells[-1] if line.spells else None
        begins = float(t[start])
        if last is not None and last.state == piece.state and begins not in broken:
            _join(last, piece)
        elif last is not None and line.coarse and last.end_t - last.start_t < JOINED_S:
            last.state = tuple(_worse(one, other) for one, other in zip(last.state, piece.state, strict=True))
            _join(last, piece)
        else:
            line.spells.append(piece)
    line.coarse = line.coarse or len(line.spells) > MOST_SPELLS


def _worse(one: int, other: int) -> int:
    return OUT if OUT in (one, other) else MISSING if MISSING in (one, other) else IN


def _spell(answers: Answers, start: int, stop: int) -> Spell:
    margin, value, at_t = [], [], []
    for place in range(answers.state.shape[1]):
        margins = answers.margin[start:stop, place]
        if np.isnan(margins).all():
            margin.append(math.nan)
            value.append(math.nan)
            at_t.append(math.nan)
            continue
        best = int(np.nanargmax(margins)) + start
        margin.append(float(answers.margin[best, place]))
        value.append(float(answers.value[best, place]))
        at_t.append(float(answers.t[best]))
    states = tuple(int(one) for one in answers.state[start])
    return Spell(float(answers.t[start]), float(answers.t[stop - 1]), states, margin, value, at_t)


def _join(spell: Spell, more: Spell) -> None:
    spell.end_t = more.end_t
    for place, margin in enumerate(more.margin):
        if not math.isnan(margin) and not spell.margin[place] >= margin:
            spell.margin[place] = margin
            spell.value[place] = more.value[place]
            spell.margin_t[place] = more.margin_t[place]


class LineMaking:
    """Follows a session that reads a record and keeps the lines of all its drives and triggers."""

    def __init__(self, study: Study) -> None:
        self.study = study
        self.lines: dict[tuple[int, str], ConditionLine] = {}
        self._last_t: dict[int, float] = {}
        self._drives = 0
        self._look_back_s = max((look_back_s(trigger) for trigger in study.triggers), default=0.0)

    def take(self, session: Session) -> None:
        """Call after each `session.take` of not more than some seconds of entries."""
        for drive in session.drives[max(self._drives - 1, 0) :]:
            self._take(drive, session.last_number)
        self._drives = len(session.drives)

    def _take(self, drive: DriveTrials, number: int) -> None:
        log = drive.log
        last_t = self._last_t.get(log.index, -math.inf)
        # what a further source says of the newest frames is still under way
        until_t = log.newest_t if log.aligned is None or log.ended else log.newest_t - LATE_S
        if not log.blocks or not until_t > last_t:
            return
        first_t = max(last_t, log.first_t)
        lost = [loss.before_t for loss in log.losses if loss.before_t > last_t]
        stretch = cut_stretch(log, first_t - self._look_back_s, until_t, number)
        if stretch is None:
            return
        stop = int(np.searchsorted(stretch.t, until_t, side="right"))
        self._last_t[log.index] = until_t
        values = FrameValues(self.study, stretch, int(np.searchsorted(stretch.t, last_t, side="right")))
        for trigger in self.study.triggers:
            line = self._line(drive, trigger)
            answers = answer_rows(trigger, values).until(stop - values.first)
            add_answers(line, answers, [*lost, *_after_fires(log, trigger.name, answers.t, last_t)])

    def _line(self, drive: DriveTrials, trigger: Trigger) -> ConditionLine:
        key = (drive.log.index, trigger.name)
        if key not in self.lines:
            self.lines[key] = ConditionLine(*key, rows_of_trigger(trigger), drive.log.period_s)
        return self.lines[key]


def _after_fires(log: DriveLog, trigger: str, t: FloatArray, last_t: float) -> list[float]:
    """The first frames after the trigger's fires among new ones: a spell ends at a fire, because what follows it is of
    the hazard's making."""
    found = []
    for marker in log.markers.values():
        after = int(np.searchsorted(t, marker.t + TENTH * log.period_s, side="right"))
        if marker.kind == "trigger" and marker.name == trigger and after < len(t) and (after or last_t <= marker.t):
            found.append(float(t[after]))
    return found
