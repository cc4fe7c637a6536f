"""How evenly the frames of a drive came: by simulation time, by the simulator's clock, and by their arrival here."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from monitor.feed.schema import Frame
from monitor.judging.case.pacing import real_time_factor
from monitor.measures.columns import FloatArray

STUTTER_PERIODS = 1.5
"""A step of simulation time above this many periods, with no number missing, is an overrun (common practice, no
source)."""
RATE_OFF = 0.02
"""A rate further than this from the stated one is not the same rate."""


@dataclass(frozen=True, slots=True)
class Pacing:
    """Frame pacing of one or several drives; seconds. None: too few frames, or no such clock."""

    frames: int
    lost: int
    stated_hz: float | None
    rate_hz: float | None
    longest_step_s: float | None
    step_p99_s: float | None
    """99th percentile of how far a step of simulation time is from its median."""
    wall_p99_s: float | None
    """The same of steps of the simulator's own wall clock."""
    arrival_p99_s: float | None
    """The same of the times at which frames came in at the recorder."""
    overruns: int
    """Steps above 1.5 periods that no lost frame explains."""
    real_time: float | None = None
    """Simulated seconds a second of the recorder's clock, in the drive in which that was least."""

    def as_json(self) -> dict[str, Any]:
        """Field by field."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(slots=True)
class PacingLog:
    """The times of all frames of a rehearsal, 32 bytes each."""

    stated_hz: float | None = None
    _t: array[float] = field(default_factory=lambda: array("d"))
    _wall: array[float] = field(default_factory=lambda: array("d"))
    _arrival: array[float] = field(default_factory=lambda: array("d"))
    _seq: array[int] = field(default_factory=lambda: array("q"))
    _begins: list[int] = field(default_factory=list)
    _run: str | None = None

    def take(self, frame: Frame, monotonic_ns: int) -> None:
        """A frame as it came in."""
        if frame.run != self._run:
            self._run = frame.run
            self._begins.append(len(self._t))
        self._t.append(frame.t)
        self._wall.append(float("nan") if frame.wall is None else frame.wall)
        self._arrival.append(monotonic_ns / 1e9)
        self._seq.append(frame.seq)

    def pacing(self) -> Pacing:
        """What the frames say, over all drives together."""
        t, wall, arrival = (np.array(one, np.float64) for one in (self._t, self._wall, self._arrival))
        seq = np.array(self._seq, np.int64)
        follows = np.ones(max(len(t) - 1, 0), bool)
        follows[[begin - 1 for begin in self._begins if 0 < begin < len(t)]] = False
        gap = np.diff(seq)
        lost = int((gap - 1)[follows & (gap > 1)].sum())
        steps = np.diff(t)
        next_one = follows & (gap == 1) & (steps > 0)
        if next_one.sum() < 10:
            return Pacing(len(t), lost, self.stated_hz, None, None, None, None, None, 0)
        median = float(np.median(steps[next_one]))
        wall_steps = np.diff(wall)[next_one]
        return Pacing(
            frames=len(t),
            lost=lost,
            stated_hz=self.stated_hz,
            rate_hz=1.0 / float(steps[next_one].mean()),
            longest_step_s=float(steps[next_one].max()),
            step_p99_s=_spread(steps[next_one]),
            wall_p99_s=_spread(wall_steps) if np.isfinite(wall_steps).all() else None,
            arrival_p99_s=_spread(np.diff(arrival)[next_one]),
            real_time=min(self._paces(t, arrival), default=None),
            overruns=int((steps[next_one] > STUTTER_PERIODS * median).sum()),
        )

    def _paces(self, t: FloatArray, arrival: FloatArray) -> list[float]:
        pieces = zip(self._begins, [*self._begins[1:], len(t)], strict=True)
        found = [real_time_factor(t[first:stop], arrival[first:stop]) for first, stop in pieces]
        return [one for one in found if one is not None]


def _spread(steps: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    return float(np.percentile(np.abs(steps - np.median(steps)), 99))
