"""What a rehearsal measured, against the last ones that were a go: which moved beyond its usual spread.

The limits are those of an individuals control chart (Shewhart; NIST/SEMATECH e-Handbook of Statistical Methods, section
6.3.2.2) in the form by medians: median ± 3.145 times the median moving range (3.145 = 3 / 0.954, which the test
computes from the normal distribution; the form as in Wheeler & Chambers, from memory). One bad day stands in two moving
ranges, and by their mean it hid what came after it: of steps of 5 standard deviations after ten goes, one of them off
by 10, the form by means told 3 %, this one tells 67 %. For that, 4 % of ten goes' next days are called moved where
nothing moved, instead of 2 %, and 1 % of thirty goes' (20,000 simulated draws of a normal distribution).

Where most days are alike to the digit, as delays of whole frames are, that range is nothing: then what came twice
before and went again is usual as well (common practice, no source), and whatever else differs from them has moved. Of a
frame more on each fifth day, 1 % of thirty goes' next days are called moved so, instead of 19 % (4,000 draws).
Equipment that drifts shows here before it costs a trial.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import median
from typing import Any

FEWEST = 5
"""Goes from which on a spread is called usual: of fewer, two that are alike by chance make limits of nothing."""
MOST = 30
"""So many of the last goes are looked at: older ones are of other equipment."""
RANGE_TO_LIMIT = 3.145
"""Three standard deviations over the median range of two draws from a normal distribution, 3 / (√2 Φ⁻¹(¾))."""
BARS = "▁▂▃▄▅▆▇█"


@dataclass(frozen=True, slots=True)
class RunChart:
    """One number over days: earlier goes, the oldest first, and today's."""

    name: str
    unit: str
    earlier: tuple[float, ...]
    today: float
    resolution: float
    """The least difference that means something: a spread of nothing would call a digit a change."""

    @property
    def limits(self) -> tuple[float, float] | None:
        """Between these the earlier goes usually lie; None with too few of them."""
        values = self.earlier
        if len(values) < FEWEST:
            return None
        moving, middle = median(abs(after - before) for before, after in pairwise(values)), median(values)
        half = max(RANGE_TO_LIMIT * moving, self.resolution)
        low, high = middle - half, middle + half
        if moving >= self.resolution:
            return low, high
        return -_came_twice([-one for one in values], -low), _came_twice(values, high)

    @property
    def moved(self) -> bool:
        """Whether today's lies outside its usual spread."""
        limits = self.limits
        return limits is not None and not limits[0] <= self.today <= limits[1]

    def as_json(self) -> dict[str, Any]:
        """For programs, and as it is kept in the page."""
        limits = self.limits
        return {
            "name": self.name,
            "unit": self.unit,
            "earlier": list(self.earlier),
            "today": self.today,
            "usual": None if limits is None else list(limits),
            "moved": self.moved,
        }

    def line(self, width: int = 120) -> str:
        """One line: whether it moved, name, today's number, what is usual, and bars of so many of the last days as the
        width has room for, today's the last one."""
        limits = self.limits
        if limits is None:
            usual = f"{len(self.earlier)} of {FEWEST} goes, too few to say what is usual"
        else:
            usual = f"usual {self._digits(limits[0])} to {self._digits(limits[1])} ({len(self.earlier)} goes)"
        said = f"{'MOVED' if self.moved else '':<6}{self.name:<26} {self._digits(self.today):>7} {self.unit:<2} {usual}"
        room = max(width - len(said) - 2, 1)
        return f"{said}  {_bars((*self.earlier, self.today)[-room:])}"

    def _digits(self, value: float) -> str:
        """With as many decimals as mean something: what moved by the least that does is seen to have."""
        decimals = max(1, math.ceil(-math.log10(self.resolution or 0.01)))
        return f"{value:.{decimals}f}".replace("-", "−")


def _came_twice(values: Sequence[float], limit: float) -> float:
    """The second greatest of what rose beyond the limit and came back; the limit where fewer than two did."""
    rises = [max(days) for is_beyond, days in groupby(values, key=lambda one: one > limit) if is_beyond]
    came_back = sorted(rises[:-1] if values[-1] > limit else rises)
    return came_back[-2] if len(came_back) > 1 else limit


def run_charts(earlier: Sequence[Mapping[str, Any]], today: Mapping[str, Any]) -> list[RunChart]:
    """Every number of today's page that earlier pages of a go have, too. `earlier`: kept pages, the oldest first."""
    goes = [_numbers(page) for page in earlier if page.get("go")][-MOST:]
    charts = []
    for (name, unit, resolution), value in _numbers(today).items():
        known = tuple(page[name, unit, resolution] for page in goes if (name, unit, resolution) in page)
        charts.append(RunChart(name, unit, known, value, resolution))
    return charts


Number = tuple[str, str, float]
"""Name, unit, resolution."""


def _numbers(page: Mapping[str, Any]) -> dict[Number, float]:
    """What a kept page has that can be followed over days; anything else in it is passed over."""
    return {key: value for key, value in _told(page) if isinstance(value, int | float) and math.isfinite(value)}


def _told(page: Mapping[str, Any]) -> Iterator[tuple[Number, Any]]:
    for one in _maps(page.get("output_delays")):
        yield (f"output delay of {one.get('modality')}", "ms", 1.0), _times(one.get("median_s"), 1000.0)
    seen: set[str] = set()
    for one in _maps(page.get("fired")):
        trigger = str(one.get("trigger"))
        if trigger not in seen:
            seen.add(trigger)
            yield (f"delay of {trigger}", "ms", 1.0), _times(one.get("delay_s"), 1000.0)
            yield (f"alert after {trigger}", "ms", 1.0), _times(one.get("alert_after_s"), 1000.0)
            yield (f"task items of {trigger}", "ms", 1.0), _times(one.get("task_item_s"), 1000.0)
    pacing = page.get("pacing")
    if isinstance(pacing, Mapping):
        yield ("steps uneven by", "ms", 0.1), _times(pacing.get("step_p99_s"), 1000.0)
        yield ("arrivals uneven by", "ms", 1.0), _times(pacing.get("arrival_p99_s"), 1000.0)
        yield ("rate", "Hz", 0.05), pacing.get("rate_hz")
        frames = pacing.get("frames")
        if isinstance(frames, int) and frames > 0:
            yield ("frames lost", "%", 0.01), _times(pacing.get("lost"), 100.0 / frames)
        yield ("real-time factor", "", 0.002), pacing.get("real_time_factor")


def _maps(value: Any) -> Iterator[Mapping[str, Any]]:
    yield from (one for one in (value if isinstance(value, Sequence) else ()) if isinstance(one, Mapping))


def _times(value: Any, factor: float) -> float | None:
    return value * factor if isinstance(value, int | float) else None


def _bars(values: Sequence[float]) -> str:
    """A bar for each value, the lowest bar the least of them."""
    low, high = min(values), max(values)
    if high <= low:
        return BARS[0] * len(values)
    return "".join(BARS[min(int((value - low) / (high - low) * len(BARS)), len(BARS) - 1)] for value in values)
