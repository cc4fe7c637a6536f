"""The values of a study's measure on the frames of a stretch, and how they stand in a band."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from monitor.judging.case.stretch import Stretch
from monitor.measures.columns import FloatArray, FrameBlock, IntArray
from monitor.measures.gap import pair_measures
from monitor.measures.lead import rows_named, rows_of
from monitor.measures.measured import Measured, State
from monitor.measures.names import MEASURES
from monitor.measures.rolling import ROLLING
from monitor.study.model import Band, Measure, MissingMeans, Role

IN, OUT, MISSING = 1, 0, -1

# plain numbers: looking a member up costs as much as comparing a hundred frames
_MEASURED, _NOT_MEASURED, _NO_LEAD = int(State.MEASURED), int(State.NOT_MEASURED), int(State.NO_LEAD)
_CONTACT = int(State.CONTACT)
_UNBOUNDED = (int(State.NOT_CLOSING), int(State.STANDING), int(State.NOT_DEPARTING))


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

    def state_text(self, index: int) -> str | None:
        """Why frame `index` has no value; None where it has one."""
        return state_text(Measured(self.value, self.state), index)


def state_text(measured: Measured, index: int) -> str | None:
    """The words for why there is no value at `index`; None where there is one (a gap in contact is 0)."""
    if np.isfinite(measured.value[index]):
        return None
    return State(int(measured.state[index])).text


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


def pair_values(stretch: Stretch, rows: IntArray) -> dict[str, Measured]:
    """The pair measures of a stretch's frames with the vehicles in `rows`; computed once for the same rows."""
    known: tuple[IntArray, dict[str, Measured]] | None = stretch.memo.get(("pair", id(rows)))
    if known is None or known[0] is not rows:
        ids = stretch.frames.others.id
        # the held vehicle is nearly always the nearest one in every frame, and then all is there already
        is_lead = bool((rows >= 0).all()) and bool((ids[rows] == stretch.lead_id).all())
        known = (rows, stretch.lead_measures() if is_lead else pair_measures(stretch.frames, stretch.road, rows))
        stretch.memo["pair", id(rows)] = known
    return known[1]


def values_on(stretch: Stretch, measure: Measure, rows: IntArray, span: slice | None = None) -> Measured:
    """The values of a measure on all frames of a stretch; `rows` are those of its role (unused by own measures).

    A rolling measure is costly: with `span` it is taken on those frames alone, and "not measured" on the others.
    """
    frames = stretch.frames
    if measure.kind == "pair":
        return pair_values(stretch, rows)[measure.name]
    if measure.kind == "lateral":
        return stretch.lateral[measure.name]
    if measure.kind == "rolling":
        return rolling_values(stretch, measure, span)
    return channel_values(frames, measure, rows)


def channel_values(frames: FrameBlock, measure: Measure, rows: IntArray) -> Measured:
    """An own channel, a role's channel, or a signal, as measured values."""
    if measure.kind == "role":
        return role_channel(frames, measure.name, rows)
    columns = frames.own if measure.kind == "own" else frames.signals
    column = columns.get(measure.name)
    if column is None:
        column = np.full(len(frames), np.nan)
    return Measured(column, np.where(np.isnan(column), _NOT_MEASURED, _MEASURED).astype(np.uint8))


def role_channel(frames: FrameBlock, name: str, rows: IntArray) -> Measured:
    """A channel of the vehicle in each frame's row; NO_LEAD where there is none."""
    column = np.full(len(frames), np.nan)
    there = rows >= 0
    channel = frames.others.channels.get(name)
    if channel is not None:
        column[there] = channel[rows[there]]
    state = np.where(np.isnan(column), _NOT_MEASURED, _MEASURED)
    return Measured(column, np.where(there, state, _NO_LEAD).astype(np.uint8))


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
    return Measured(value, np.where(np.isnan(value), _NOT_MEASURED, _MEASURED).astype(np.uint8))


def on_both_sides(standing: Standing, stretch: Stretch, measure: Measure, band: Band) -> Standing:
    """A signal of a further source stands in or out of a band only where all that is possible there does.

    Its clock is known to within some milliseconds, and what it says at an instant so is one of several values.
    """
    column = stretch.aligned.get(measure.name) if measure.kind == "signal" else None
    if column is None or stretch.frames.signals.get(measure.name) is not column.value:
        return standing
    low, high = band.low, band.high
    surely_in = (column.low >= low) & (column.high <= high)
    surely_out = (column.high < low) | (column.low > high)
    told = np.isfinite(column.low)
    inside = np.where(told & ~surely_in & ~surely_out, MISSING, standing.inside).astype(np.int8)
    return replace(standing, inside=inside)


def stand_in_band(
    t: FloatArray, measured: Measured, band: Band, measure: Measure, if_missing: MissingMeans = "undecided"
) -> Standing:
    """How each value stands in a band.

    "Not closing", "standing still" and "not departing" are infinitely large times: they pass `at_least` and fail
    `at_most`. "No lead" and "not measured" are missing unless the condition says what they count as.
    """
    value, state = measured.value, measured.state
    low = -np.inf if band.at_least is None else band.at_least
    high = np.inf if band.at_most is None else band.at_most
    margin = np.minimum(value - low, high - value)
    inside = np.where((value >= band.low) & (value <= band.high), IN, OUT).astype(np.int8)
    missing = (state == _NO_LEAD) | (state == _NOT_MEASURED)
    unbounded = (state == _UNBOUNDED[0]) | (state == _UNBOUNDED[1]) | (state == _UNBOUNDED[2])
    inside[unbounded] = OUT if band.at_most is not None else IN
    known = MEASURES.get(measure.name)
    if known is not None and not known.unbounded_is_large:
        inside[unbounded] = MISSING
    inside[(state == _CONTACT) & np.isnan(value)] = OUT if band.at_most is not None else IN
    inside[missing] = {"undecided": MISSING, "met": IN, "not met": OUT}[if_missing]
    return Standing(t, value, state, inside, np.where(np.isfinite(margin), margin, np.nan))
