"""A stretch of a drive: the frames that a window may look at as of one entry, and what is missing there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from monitor.judging.case.alignment import SignalColumn
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import Loss
from monitor.measures.columns import FloatArray, FrameBlock, IntArray, OnDemand, Road, join_pieces
from monitor.measures.gap import PairMeasures
from monitor.measures.measured import Measured, State, join_measured, measured

MARGIN_FRAMES = 3.0
"""Frames kept beyond each end of a stretch: "at fire" may look two periods to either side."""

TENTH = 0.1
"""A frame within a tenth of a period of an instant stands for it alone."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Judged frames with times in [first asked − one frame, last asked + one frame], and the losses among them.

    `covered_from` and `covered_to` are the times between which frames exist at all as of the asked entry; outside
    of them everything is missing.
    """

    frames: FrameBlock
    lead_id: IntArray
    lateral: Mapping[str, Measured]
    losses: tuple[Loss, ...]
    covered_from: float
    covered_to: float
    period_s: float
    road: Road | None
    parts: tuple[tuple[MeasuredBlock, int, int], ...] = ()
    """The blocks that the frames are from, with first and stop in each."""
    aligned: dict[str, SignalColumn] = field(default_factory=dict)
    """The signals of further sources, with what is possible there as far as their clocks are known; also in `frames`,
    unless the simulator gives a signal of that name itself."""
    log: DriveLog | None = None
    number: int = 0
    """The drive, and the entry as of which its markers are known."""
    memo: dict[object, Any] = field(default_factory=dict, compare=False, repr=False)
    """What was computed of these frames already and is asked for again, such as the measures to one vehicle."""

    @property
    def t(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Times of the frames in seconds, shape (n,)."""
        return self.frames.t

    @property
    def spacing_s(self) -> float:
        """How far frames lie apart: the period, or more where the simulator's clock ticks more slowly than it sends
        (frames with the time of the one before are not judged)."""
        known: float | None = self.memo.get("spacing_s")
        if known is None:
            t = self.frames.t
            known = max(self.period_s, float(np.median(np.diff(t)))) if len(t) > 1 else self.period_s
            self.memo["spacing_s"] = known
        return known

    def lead_measures(self) -> PairMeasures:
        """The measures to the nearest vehicle ahead of each frame, of what was seen when the frames came in."""
        return PairMeasures.joined([block.lead.part(first, stop) for block, first, stop in self.parts])

    def lead_channel(self, name: str) -> Measured:
        """A channel of the nearest vehicle ahead of each frame; "no lead" where there is none."""
        column = np.concatenate([block.lead_channel(name)[first:stop] for block, first, stop in self.parts])
        return measured(column, (self.lead_id < 0, State.NO_LEAD))

    def window(self, start_t: float, end_t: float) -> slice:
        """The frames with start_t ≤ t ≤ end_t, a tenth of a frame period wider so that rounding decides nothing."""
        slack = TENTH * self.period_s
        first = int(self.t.searchsorted(start_t - slack, side="left"))
        stop = int(self.t.searchsorted(end_t + slack, side="right"))
        return slice(first, stop)

    def last_at(self, t: float) -> int:
        """Index of the frame at or before `t` (a tenth of a period after counts as at); −1 if none."""
        return int(self.t.searchsorted(t + TENTH * self.period_s, side="right")) - 1

    def missing(self, start_t: float, end_t: float) -> list[tuple[float, float]]:
        """Intervals of a window in which frames are missing: losses and uncovered ends."""
        slack = TENTH * self.period_s
        found = []
        if self.covered_from > start_t + slack:
            found.append((start_t, min(self.covered_from, end_t)))
        found += [(loss.after_t, loss.before_t) for loss in self.losses if loss.touches(start_t, end_t)]
        if self.covered_to < end_t - slack:
            found.append((max(self.covered_to, start_t), end_t))
        return found


def cut_stretch(drive: DriveLog, start_t: float, end_t: float, number: int) -> Stretch | None:
    """The stretch of a drive from `start_t` to `end_t`, as of entry `number`; None if no frame is known by then.

    Frames further back than `drive.retain_s` from the newest one as of that entry are not used, whether or not they
    are still in memory: so what is in memory decides nothing.
    """
    known = [block for block in drive.blocks if block.frames.number[0] <= number]
    if not known:
        return None
    newest_t = drive.newest_at(number)
    horizon = max(newest_t - drive.retain_s, drive.first_t)
    margin = MARGIN_FRAMES * drive.period_s
    parts = []
    for block in known:
        t = block.frames.t
        first = int(t.searchsorted(max(start_t - margin, horizon), side="left"))
        stop = min(int(t.searchsorted(end_t + margin, side="right")), block.known_by(number))
        if first < stop:
            parts.append((block, first, stop))
    if not parts:
        last = known[-1].known_by(number)
        parts.append((known[-1], last - 1, last))
    frames = join_pieces([(block.frames, first, stop) for block, first, stop in parts])
    aligned: dict[str, SignalColumn] = {}
    if drive.aligned is not None:
        aligned = {
            name: one for name, one in drive.aligned.columns(frames.t, number).items() if name not in frames.signals
        }
        frames = replace(frames, signals={**frames.signals, **{name: one.value for name, one in aligned.items()}})
    return Stretch(
        frames=frames,
        lead_id=np.concatenate([block.lead_id[first:stop] for block, first, stop in parts]),
        lateral=OnDemand(
            parts[0][0].lateral,
            lambda name: join_measured([block.lateral[name].part(first, stop) for block, first, stop in parts]),
        ),
        losses=tuple(loss for loss in drive.losses if loss.number <= number and loss.touches(start_t, end_t)),
        covered_from=horizon,
        covered_to=newest_t,
        period_s=drive.period_s,
        road=drive.road,
        parts=tuple(parts),
        aligned=aligned,
        log=drive,
        number=number,
    )


def cut_signals(
    drive: DriveLog, names: list[str], start_t: float, end_t: float, number: int
) -> tuple[FloatArray, list[FloatArray]]:
    """Times and columns of some signals alone from `start_t` to `end_t`, as of entry `number`, by `cut_stretch`'s rule.

    A long stretch with all its vehicles costs milliseconds, a few columns of it a tenth of one.
    """
    known = [block for block in drive.blocks if block.frames.number[0] <= number]
    if not known:
        return np.empty(0), [np.empty(0) for _ in names]
    newest_t = drive.newest_at(number)
    first_t = max(start_t, newest_t - drive.retain_s, drive.first_t)
    times: list[FloatArray] = []
    columns: list[list[FloatArray]] = [[] for _ in names]
    for block in known:
        t = block.frames.t
        first = int(t.searchsorted(first_t, side="left"))
        stop = min(int(t.searchsorted(end_t, side="right")), block.known_by(number))
        if first >= stop:
            continue
        times.append(t[first:stop])
        absent = [name for name in names if name not in block.frames.signals]
        aligned = drive.aligned.columns(t[first:stop], number) if drive.aligned is not None and absent else {}
        for name, parts in zip(names, columns, strict=True):
            if name in block.frames.signals:
                parts.append(block.frames.signals[name][first:stop])
            else:
                parts.append(aligned[name].value if name in aligned else np.full(stop - first, np.nan))
    if not times:
        return np.empty(0), [np.empty(0) for _ in names]
    return np.concatenate(times), [np.concatenate(parts) for parts in columns]
