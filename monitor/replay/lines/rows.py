"""How each condition and each term of a trigger's rule stood in every frame of a drive: "had it fired here".

A condition that is asked at the fire, or over a time before it, is answered for every frame as if the trigger had fired
there, by the rules of judging. One that looks at what comes after the fire is shown as its band stands in the frame.
The lead is the vehicle that was nearest ahead in that frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from monitor.judging.case.conditions import window_of
from monitor.judging.case.stretch import TENTH, Stretch
from monitor.judging.case.values import IN, MISSING, OUT, Standing, held_rows, stand_in_either, values_on
from monitor.measures.change import rate_of_change
from monitor.measures.columns import FloatArray, IntArray
from monitor.measures.measured import Measured, measured
from monitor.measures.rolling import ROLLING
from monitor.study.band import Band
from monitor.study.model import Study, Trigger
from monitor.study.terms import Condition, During, FireTerm, Looked, Measure, Within

States = npt.NDArray[np.int8]
Part = Literal["condition", "armed", "fires"]

ROLLING_EVERY_S = 1.0
"""A measure over a minute costs as much in each frame as all others together; once a second it is worked out anew."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the time line: a condition, or a term of `armed_when` or `fires_when`."""

    name: str
    part: Part
    measure: Measure
    band: Band
    required: bool
    asked: str
    """When it is asked, in words: "at the fire", "from −3 to 0 s of the fire", "rising" …"""
    before_fire: bool
    """Whether it can be answered at the fire; the others look at what comes after it."""


def rows_of_trigger(trigger: Trigger) -> tuple[Row, ...]:
    """The terms of the rule first, then the conditions, as in the study file."""
    rows = [_term_row(term, "armed") for term in trigger.armed_when]
    rows += [_term_row(term, "fires") for term in trigger.fires_when]
    rows += [
        Row(
            condition.name,
            "condition",
            condition.measure,
            condition.band,
            condition.required,
            asked_text(condition),
            window_of(condition)[1] <= 0.0,
        )
        for condition in trigger.conditions
    ]
    return tuple(rows)


def _term_row(term: FireTerm, part: Part) -> Row:
    edge = "" if term.edge == "none" else term.edge
    delay = f"delayed by {term.delay_s:g} s" if term.delay_s else ""
    asked = ", ".join(text for text in (edge, delay) if text) or "holds"
    return Row(
        f"{'arms' if part == 'armed' else 'fires'}: {' or '.join(one.measure.text for one in term.alternatives)}",
        part,
        term.measure,
        term.band,
        True,
        asked,
        True,
    )


def asked_text(condition: Condition) -> str:
    """When a condition is asked, in words."""
    match condition.when:
        case During(start_s, end_s, share):
            part = "" if share >= 1.0 else f", {100 * share:g} % of it"
            return f"{start_s:g} to {end_s:g} s from the fire{part}"
        case Within(limit_s, held_s):
            return f"within {limit_s:g} s after the fire, held {held_s:g} s"
        case _:
            return "at the fire"


def look_back_s(trigger: Trigger) -> float:
    """Seconds before a frame that its rows look at."""
    spans = [condition.looks_back_s - min(window_of(condition)[0], 0.0) for condition in trigger.conditions]
    terms = (*trigger.armed_when, *trigger.fires_when)
    spans += [one.measure.looks_back_s for term in terms for one in term.alternatives]
    return max(spans, default=0.0)


@dataclass(frozen=True, slots=True)
class Answers:
    """For n frames and r rows: 1 met, 0 not met, −1 no data; values and margins in the frame itself. Shapes (n, r)."""

    t: FloatArray
    state: States
    value: FloatArray
    margin: FloatArray

    def until(self, stop: int) -> Answers:
        """The first frames of these."""
        return Answers(self.t[:stop], self.state[:stop], self.value[:stop], self.margin[:stop])


@dataclass(slots=True)
class FrameValues:
    """The values of measures on the frames of a stretch from index `first` on; what several rows need is worked out
    once. The stretch reaches `look_back_s` further back."""

    study: Study
    stretch: Stretch
    first: int
    _lead: IntArray | None = None

    def of(self, measure: Measure, role_name: str) -> Measured:
        """A measure's values on all frames; `role_name` is the role of a measure that names none."""
        if measure.kind == "rolling":
            return _rolling(self.stretch, measure, self.first)
        found = self._of_lead(measure, measure.role or role_name)
        return values_on(self.stretch, measure, lambda name: self._rows(name or role_name)) if found is None else found

    def _of_lead(self, measure: Measure, name: str) -> Measured | None:
        """What was measured of each frame's own lead when the frame came in; None where it is asked of another one."""
        if measure.kind not in ("pair", "role") or measure.from_role is not None or not self._is_lead(name):
            return None
        stretch = self.stretch
        if measure.kind == "role":
            found = stretch.lead_channel(measure.name)
        else:
            found = stretch.lead_measures()[measure.name]
        if measure.rate_over_s is None:
            return found
        return rate_of_change(stretch.t, found, measure.rate_over_s, stretch.period_s)

    def _is_lead(self, name: str) -> bool:
        role = self.study.roles.get(name)
        return role is None or (role.vehicle is None and role.id is None)

    def _rows(self, name: str) -> IntArray:
        if not self._is_lead(name):
            return held_rows(self.stretch, self.study.roles[name], None)
        if self._lead is None:
            self._lead = lead_rows_of(self.stretch)
        return self._lead


def answer_rows(trigger: Trigger, values: FrameValues) -> Answers:
    """The rows of a trigger in the frames from index `values.first` on."""
    stretch, first = values.stretch, values.first
    terms: tuple[Condition | FireTerm, ...] = (*trigger.armed_when, *trigger.fires_when, *trigger.conditions)
    count = len(stretch.t) - first
    state = np.full((count, len(terms)), MISSING, np.int8)
    value = np.full((count, len(terms)), np.nan)
    margin = np.full((count, len(terms)), np.nan)
    for place, term in enumerate(terms):
        missing = term.if_missing if isinstance(term, Condition) else "undecided"
        looked = [Looked(one.measure, one.band) for one in term.alternatives]
        standing = stand_in_either(stretch.t, looked, lambda measure: values.of(measure, trigger.role), missing)
        answered = had_it_fired(term, standing, stretch) if isinstance(term, Condition) else standing.inside
        state[:, place] = answered[first:]
        value[:, place], margin[:, place] = standing.value[first:], standing.margin[first:]
    return Answers(stretch.t[first:], state, value, margin)


def lead_rows_of(stretch: Stretch) -> IntArray:
    """The row of each frame's own lead, −1 where there is none."""
    others = stretch.frames.others
    rows = np.full(len(stretch.frames), -1, np.int64)
    frame = others.frame_of_row()
    is_lead = np.flatnonzero((others.id == stretch.lead_id[frame]) & (stretch.lead_id[frame] >= 0))
    rows[frame[is_lead]] = is_lead
    return rows


def _rolling(stretch: Stretch, measure: Measure, first: int) -> Measured:
    """A statistic over the last seconds, once a second, and held in between."""
    statistic = ROLLING[measure.name]
    over_s = measure.over_s or 0.0
    lateral = stretch.lateral.get(statistic.source)
    source = lateral.value if lateral is not None else stretch.frames.own[statistic.source]
    value = np.full(len(stretch.t), np.nan)
    next_t, held = -np.inf, np.nan
    for index in range(first, len(stretch.t)):
        t = float(stretch.t[index])
        if t >= next_t:
            span = stretch.window(t - over_s, t)
            whole = not stretch.missing(t - over_s, t) and not np.isnan(source[span]).any()
            held = statistic.of(stretch.t[span], source[span]) if whole else np.nan
            next_t = t + ROLLING_EVERY_S
        value[index] = held
    return measured(value)


def had_it_fired(condition: Condition, standing: Standing, stretch: Stretch) -> States:
    """What judging would say of a condition had the trigger fired at each frame; the band now where it looks ahead."""
    when = condition.when
    if isinstance(when, During) and when.end_s <= 0.0:
        return _had_it_fired_during(standing, stretch, when.start_s, when.end_s, when.share)
    return standing.inside


def _had_it_fired_during(standing: Standing, stretch: Stretch, start_s: float, end_s: float, share: float) -> States:
    t = standing.t
    start_t, end_t = t + start_s, t + end_s
    slack = TENTH * stretch.period_s
    first = np.searchsorted(t, start_t - slack, side="left")
    stop = np.searchsorted(t, end_t + slack, side="right")
    if share < 1.0:
        return _share_of_time(standing, stretch, start_t, end_t, share)
    out, missing = _counted(standing.inside == OUT), _counted(standing.inside == MISSING)
    any_out = out[stop] > out[first]
    hole = (missing[stop] > missing[first]) | (stop == first) | _touched(stretch, start_t, end_t)
    return np.where(any_out, OUT, np.where(hole, MISSING, IN)).astype(np.int8)


def _counted(flags: npt.NDArray[np.bool_]) -> IntArray:
    """How many of the frames before each index have the flag, shape (n + 1,)."""
    return np.concatenate([[0], np.cumsum(flags)])


def _touched(stretch: Stretch, start_t: FloatArray, end_t: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether something is missing in each window, as `Stretch.missing` has it."""
    slack = TENTH * stretch.period_s
    touched = (stretch.covered_from > start_t + slack) | (stretch.covered_to < end_t - slack)
    for loss in stretch.losses:
        touched |= (loss.after_t < end_t) & (loss.before_t > start_t)
    return touched


def _share_of_time(
    standing: Standing, stretch: Stretch, start_t: FloatArray, end_t: FloatArray, share: float
) -> States:
    """A share of a window's time: each frame holds until the next, at most 1.5 periods."""
    t = standing.t
    until = np.minimum(np.append(t[1:], np.inf), t + 1.5 * stretch.period_s)
    total = end_t - start_t
    time_in = _held_between(t, until, standing.inside == IN, start_t, end_t)
    time_out = _held_between(t, until, standing.inside == OUT, start_t, end_t)
    met = time_in >= share * total - 1e-9
    never = total - time_out < share * total - 1e-9
    return np.where(met, IN, np.where(never, OUT, MISSING)).astype(np.int8)


def _held_between(
    t: FloatArray, until: FloatArray, flags: npt.NDArray[np.bool_], start_t: FloatArray, end_t: FloatArray
) -> FloatArray:
    """Seconds of each window held by frames with the flag."""
    edges = np.column_stack([t, until]).ravel()
    held = np.column_stack([np.zeros(len(t)), np.where(flags, until - t, 0.0)]).ravel()
    # a frame's end is the next one's begin where nothing is missing: the sum stands still between them
    sums = np.cumsum(held)
    held_s: FloatArray = np.interp(end_t, edges, sums) - np.interp(start_t, edges, sums)
    return held_s
