"""The values of a study's measure on the frames of a stretch, and how they stand in a band."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.judging.case.since import time_since
from monitor.judging.case.stretch import Stretch
from monitor.measures.arrival import point_measures
from monitor.measures.change import rate_of_change
from monitor.measures.columns import FloatArray, FrameBlock, IntArray
from monitor.measures.gap import PairMeasures, pair_measures
from monitor.measures.lead import rows_named, rows_of, seen_from
from monitor.measures.measured import Measured, State, measured
from monitor.measures.names import MEASURES
from monitor.measures.rolling import ROLLING
from monitor.study.band import Band
from monitor.study.model import MissingMeans, Role
from monitor.study.terms import Looked, Measure

IN, OUT, MISSING = 1, 0, -1
MOST_UNSEEN_S = 0.1
"""So long a sign of a response, or a hazard, may not have been measured before it is there: else its onset is not known
to a tenth of a second, as a response time is wanted (common practice, no source)."""

# plain numbers: looking a member up costs as much as comparing a hundred frames; measured is 0
_NOT_MEASURED, _NO_LEAD = int(State.NOT_MEASURED), int(State.NO_LEAD)
_CONTACT = int(State.CONTACT)
_PASSED = int(State.PASSED)
_IS_UNBOUNDED = np.isin(
    np.arange(256), (int(State.NOT_CLOSING), int(State.STANDING), int(State.NOT_DEPARTING), int(State.NOT_YET))
)


class Reading(NamedTuple):
    """The value of a measure at one frame with its margin, or the words for why there is none."""

    value: float | None = None
    state: str | None = None
    margin: float | None = None


NOT_MEASURED = Reading(state="not measured")


@dataclass(frozen=True, slots=True)
class Standing:
    """Values of one measure on n frames and how each stands in a band.

    `inside`: 1 in the band (its tolerance included), 0 outside, −1 missing. `margin`: distance to the nearer edge of
    the band proper, negative outside, NaN where there is no value. Shapes (n,).
    """

    t: FloatArray
    value: FloatArray
    state: npt.NDArray[np.uint8]
    inside: npt.NDArray[np.int8]
    margin: FloatArray
    which: IntArray | None = None
    """Which of several alternatives each frame's value is of; None where there is one only."""

    def state_text(self, index: int) -> str | None:
        """Why frame `index` has no value; None where it has one."""
        return state_text(Measured(self.value, self.state), index)

    def reading(self, index: int) -> Reading:
        """What is read at frame `index`."""
        state = self.state_text(index)
        if state:
            return Reading(state=state)
        margin = self.margin[index]
        return Reading(float(self.value[index]), None, None if np.isnan(margin) else float(margin))


def state_text(measured: Measured, index: int) -> str | None:
    """The words for why there is no value at `index`; None where there is one (a gap in contact is 0)."""
    if np.isfinite(measured.value[index]):
        return None
    return State(int(measured.state[index])).text


RowsOf = Callable[[str | None], IntArray]
"""The row of a role's vehicle in each frame of a stretch; None asks for the role that the trigger is about."""


@dataclass(frozen=True, slots=True)
class Cast:
    """Who plays which part in a trial."""

    roles: Mapping[str, Role]
    role: str
    """The role that the trigger is about."""
    held_id: int | None
    """The vehicle that was the lead at the fire."""

    def rows_in(self, stretch: Stretch) -> RowsOf:
        """The rows of the roles in a stretch's frames."""
        return lambda name: held_rows(stretch, self.roles.get(name or self.role), self.held_id)


def held_rows(stretch: Stretch, role: Role | None, held_id: int | None) -> IntArray:
    """The row of a role's vehicle in each frame, −1 where absent. The lead is the vehicle that was held at fire."""
    frames = stretch.frames
    if role is not None and role.vehicle is not None:
        wanted: str | int = role.vehicle
    else:
        number = role.id if role is not None and role.id is not None else held_id
        wanted = -1 if number is None else number
    rows: IntArray | None = stretch.memo.get(("rows", wanted))
    if rows is None:
        if isinstance(wanted, str):
            rows = rows_named(frames, wanted)
        elif wanted < 0:
            rows = np.full(len(frames), -1, dtype=np.int64)
        else:
            rows = rows_of(frames, wanted)
        stretch.memo["rows", wanted] = rows
    return rows


def pair_values(stretch: Stretch, rows: IntArray, from_rows: IntArray | None = None) -> PairMeasures:
    """The pair measures of a stretch's frames with the vehicles in `rows`, of own car or of the vehicles in
    `from_rows`; computed once for the same rows."""
    key = ("pair", id(rows), id(from_rows))
    known: tuple[IntArray, IntArray | None, PairMeasures] | None = stretch.memo.get(key)
    if known is None or known[0] is not rows or known[1] is not from_rows:
        frames = stretch.frames
        ids = frames.others.id
        # the held vehicle is nearly always the nearest one in every frame, and then all is there already
        is_lead = from_rows is None and bool((rows >= 0).all()) and bool((ids[rows] == stretch.lead_id).all())
        if is_lead:
            found = stretch.lead_measures()
        else:
            seen = frames if from_rows is None else seen_from(frames, from_rows)
            found = pair_measures(seen, stretch.road, rows)
        known = (rows, from_rows, found)
        stretch.memo[key] = known
    return known[2]


def values_on(
    stretch: Stretch, measure: Measure, rows_of: RowsOf, span: slice | None = None, fired_at: float | None = None
) -> Measured:
    """The values of a measure on all frames of a stretch.

    A rolling measure is costly: with `span` it is taken on those frames alone, and "not measured" on the others.
    `fired_at`: the trial's own fire, from which no time is counted.
    """
    found = _values_now(stretch, measure, rows_of, span, fired_at)
    if measure.rate_over_s is None:
        return found
    return rate_of_change(stretch.t, found, measure.rate_over_s, stretch.period_s)


def _values_now(
    stretch: Stretch, measure: Measure, rows_of: RowsOf, span: slice | None, fired_at: float | None
) -> Measured:
    frames = stretch.frames
    match measure.kind:
        case "pair":
            from_rows = None if measure.from_role is None else rows_of(measure.from_role)
            return pair_values(stretch, rows_of(measure.role), from_rows)[measure.name]
        case "lateral":
            return stretch.lateral[measure.name]
        case "rolling":
            return rolling_values(stretch, measure, span)
        case "point":
            assert measure.point is not None
            rows = None if measure.role is None else rows_of(measure.role)
            return point_measures(frames, stretch.road, measure.point, rows)[measure.name]
        case "event":
            assert measure.event is not None
            return time_since(stretch.log, measure.event, stretch.t, stretch.number, not_at=fired_at)
    return channel_values(frames, measure, rows_of(measure.role) if measure.kind == "role" else _NO_ROWS)


_NO_ROWS: IntArray = np.empty(0, np.int64)


def stand_in_either(
    t: FloatArray,
    alternatives: Sequence[Looked],
    values: Callable[[Measure], Measured],
    if_missing: MissingMeans = "undecided",
) -> Standing:
    """How the frames stand where any one of several measures in its band is enough: in where one is in, out where all
    are out. Value, state and margin of a frame are those of the alternative that decides it."""
    found = [stand_in_band(t, values(one.measure), one.band, one.measure, if_missing) for one in alternatives]
    if len(found) == 1:
        return found[0]
    inside = np.stack([one.inside for one in found])
    # the first that is in; else the first that is not known, for it leaves the answer open; else the first of all
    which = np.argmax(np.where(inside == IN, 2, np.where(inside == MISSING, 1, 0)), axis=0)
    frame = np.arange(len(t))
    return Standing(
        t,
        np.stack([one.value for one in found])[which, frame],
        np.stack([one.state for one in found])[which, frame],
        inside[which, frame],
        np.stack([one.margin for one in found])[which, frame],
        which.astype(np.int64),
    )


def channel_values(frames: FrameBlock, measure: Measure, rows: IntArray) -> Measured:
    """An own channel, a role's channel, or a signal, as measured values."""
    if measure.kind == "role":
        return role_channel(frames, measure.name, rows)
    columns = frames.own if measure.kind == "own" else frames.signals
    column = columns.get(measure.name)
    if column is None:
        column = np.full(len(frames), np.nan)
    return measured(column)


def role_channel(frames: FrameBlock, name: str, rows: IntArray) -> Measured:
    """A channel of the vehicle in each frame's row; NO_LEAD where there is none."""
    channel = frames.others.channels.get(name)
    column = np.full(len(frames), np.nan) if channel is None or not len(channel) else channel[rows]
    return measured(column, (rows < 0, State.NO_LEAD))


def rolling_values(stretch: Stretch, measure: Measure, span: slice | None = None) -> Measured:
    """A statistic over the last `over_s` seconds before each frame; not measured where that window has a hole."""
    statistic = ROLLING[measure.name]
    over_s = measure.over_s or 0.0
    lateral = stretch.lateral.get(statistic.source)
    column = lateral.value if lateral is not None else stretch.frames.own.get(statistic.source)
    source = np.full(len(stretch.frames), np.nan) if column is None else column
    value = np.full(len(stretch.frames), np.nan)
    for index in range(len(value))[span or slice(None)]:
        t = float(stretch.t[index])
        if stretch.missing(t - over_s, t):
            continue
        window = stretch.window(t - over_s, t)
        if not np.isnan(source[window]).any():
            value[index] = statistic.of(stretch.t[window], source[window])
    return measured(value)


def on_both_sides(standing: Standing, stretch: Stretch, measure: Measure, band: Band) -> Standing:
    """A signal of a further source stands in or out of a band only where all that is possible there does.

    Its clock is known to within some milliseconds, and what it says at an instant so is one of several values.
    """
    column = stretch.aligned.get(measure.name) if measure.kind == "signal" else None
    if column is None or stretch.frames.signals.get(measure.name) is not column.value:
        return standing
    surely_in = band.contains_all(column.low, column.high)
    surely_out = band.contains_none(column.low, column.high)
    told = np.isfinite(column.low)
    inside = np.where(told & ~surely_in & ~surely_out, MISSING, standing.inside).astype(np.int8)
    return replace(standing, inside=inside)


def stand_in_band(
    t: FloatArray, measured: Measured, band: Band, measure: Measure, if_missing: MissingMeans = "undecided"
) -> Standing:
    """How each value stands in a band.

    "Not closing", "standing still", "not departing" and "not yet" are infinitely large times: they pass `at_least` and
    fail `at_most`. "Passed" is in no band. "No lead" and "not measured" are missing unless the condition says what they
    count as.
    """
    value, state = measured.value, measured.state
    margin = band.margin(value)
    inside = band.contains(value).astype(np.int8)  # IN is 1, OUT is 0
    if state.any():  # else all are measured
        missing = (state == _NO_LEAD) | (state == _NOT_MEASURED)
        unbounded = _IS_UNBOUNDED[state]
        inside[unbounded] = IN if band.takes_unbounded else OUT
        known = MEASURES.get(measure.name)
        if known is not None and not known.unbounded_is_large:
            inside[unbounded] = MISSING
        inside[(state == _CONTACT) & np.isnan(value)] = IN if band.takes_unbounded else OUT
        inside[state == _PASSED] = OUT
        inside[missing] = {"undecided": MISSING, "met": IN, "not met": OUT}[if_missing]
    return Standing(t, value, state, inside, np.where(np.isfinite(margin), margin, np.nan))
