"""What was lost in which week, and how the equipment did from run to run: a drift is seen before it costs trials.

The limits of a run chart are those of rehearsals (`commissioning/rehearsal/run_chart.py`): by medians, so that one bad
run neither moves nor widens them. Eight points in a row on one side of the centre are a shift (NIST/SEMATECH e-Handbook
of Statistical Methods, section 6.3.2); points on it are passed over, as is usual in run charts (Perla, Provost & Murray
2011, from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from monitor.commissioning.rehearsal.run_chart import RunChart
from monitor.reports.page.svg import WIDTH, Picture, Scale, around

LEFT, RIGHT = 220.0, 24.0
ROW = 26.0
IN_A_ROW = 8


@dataclass(frozen=True, slots=True)
class Series:
    """One number of each run, in order of time."""

    name: str
    unit: str
    days: tuple[date, ...]
    values: tuple[float, ...]
    resolution: float

    @property
    def limits(self) -> tuple[float, float] | None:
        """Between these the values usually lie; None with too few of them. No delay and no share is below 0."""
        found = RunChart(self.name, self.unit, self.values, self.values[-1], self.resolution).limits
        return None if found is None else (max(found[0], 0.0), found[1])

    @property
    def centre(self) -> float:
        """Their median."""
        return median(self.values)

    def off(self) -> list[int]:
        """Places of the values beyond the limits."""
        limits = self.limits
        if limits is None:
            return []
        return [place for place, value in enumerate(self.values) if not limits[0] <= value <= limits[1]]

    def shifts(self) -> list[tuple[int, int]]:
        """First and last place of each stretch of at least `IN_A_ROW` values on one side of the centre."""
        sides = [(place, self._side(value)) for place, value in enumerate(self.values) if self._side(value)]
        found, first = [], 0
        for place in range(1, len(sides) + 1):
            if place == len(sides) or sides[place][1] != sides[first][1]:
                if place - first >= IN_A_ROW:
                    found.append((sides[first][0], sides[place - 1][0]))
                first = place
        return found

    def _side(self, value: float) -> int:
        apart = value - self.centre
        return 0 if abs(apart) <= self.resolution / 2.0 else 1 if apart > 0.0 else -1

    def words(self) -> str:
        """What the chart says, in a sentence."""
        limits = self.limits
        if limits is None:
            return f"{self.name}: {len(self.values)} runs are too few to say what is usual."
        low = f"{limits[0]:.3g} to" if limits[0] > 0.0 else "up to"
        usual = f"{self.name}: usually {low} {limits[1]:.3g} {self.unit}".rstrip()
        off = [f"{self.days[place]:%d %b}" for place in self.off()]
        said = [f"beyond it on {', '.join(off[:6])}{' and on other days' if len(off) > 6 else ''}"] if off else []
        for first, last in self.shifts():
            side = "above" if self.values[first] > self.centre else "below"
            days = f"{self.days[first]:%d %b} to {self.days[last]:%d %b}"
            said.append(f"{last - first + 1} runs in a row {side} the median from {days}")
        return f"{usual}; {'; '.join(said)}." if said else f"{usual}; none beyond it, and no shift."


def losses_by_week(losses: Sequence[tuple[date, str]]) -> str:
    """Reasons against weeks, a disc for each pair, its area and its number the trials; empty for none."""
    if not losses:
        return ""
    weeks = _weeks([day for day, _ in losses])
    reasons = [reason for reason, _ in Counter(reason for _, reason in losses).most_common()]
    number = Counter((_monday(day), reason) for day, reason in losses)
    picture = Picture(30.0 + ROW * len(reasons) + 26.0)
    wide = (WIDTH - LEFT - RIGHT) / len(weeks)
    most = max(number.values())
    every = -(-len(weeks) // 12)
    for index, week in enumerate(weeks):
        x = LEFT + (index + 0.5) * wide
        picture.line(x, 8.0, x, 8.0 + ROW * len(reasons), "grid")
        if index % every == 0:
            picture.text(x, 26.0 + ROW * len(reasons), f"{week:%d %b}", "small", "middle")
    for row, reason in enumerate(reasons):
        y = 8.0 + ROW * (row + 0.5)
        total = sum(count for (_, one), count in number.items() if one == reason)
        picture.text(LEFT - 14.0, y + 4.0, f"{_short(reason)} {total}", "label", "end")
        for index, week in enumerate(weeks):
            count = number[week, reason]
            if count:
                x = LEFT + (index + 0.5) * wide
                picture.dot(x, y, min(4.0 + 7.0 * (count / most) ** 0.5, ROW / 2.0 - 1.0), "raised")
                picture.text(x, y + 4.0, str(count), "small", "middle")
    picture.text(LEFT - 14.0, 26.0 + ROW * len(reasons), "week from", "small", "end")
    return picture.done("Lost trials by reason and week", f"{len(losses)} losses over {len(weeks)} weeks.")


def run_chart(one: Series) -> str:
    """The values by run in order of time, with centre, limits and the points beyond them."""
    picture = Picture(150.0)
    count = len(one.values)
    across = Scale(0.0, max(count - 1, 1), 96.0 + 10.0, WIDTH - RIGHT - 10.0)
    limits = one.limits
    low, high = around(one.values, include=limits or (), least_span=4.0 * one.resolution)
    up = Scale(low, high, 118.0, 24.0)
    picture.text(96.0, 12.0, f"{one.name}" + (f" ({one.unit})" if one.unit else ""), "strong")
    picture.line(96.0, 118.0, WIDTH - RIGHT, 118.0, "axis")
    for tick in up.ticks(3):
        picture.text(88.0, up.at(tick) + 4.0, f"{tick:g}", "small", "end")
        picture.line(96.0, up.at(tick), WIDTH - RIGHT, up.at(tick), "grid")
    picture.line(96.0, up.at(one.centre), WIDTH - RIGHT, up.at(one.centre), "centre")
    for edge in limits or ():
        picture.line(96.0, up.at(edge), WIDTH - RIGHT, up.at(edge), "limit")
    places = [(across.at(place), up.at(value)) for place, value in enumerate(one.values)]
    picture.path(places, "grid-line")
    off = set(one.off())
    for place, (x, y) in enumerate(places):
        picture.dot(x, y, 2.6, "point")
        if place in off:
            picture.dot(x, y, 6.5, "ring")
    for first, last in one.shifts():
        picture.line(across.at(first), 122.0, across.at(last), 122.0, "shift")
    shown = range(0, count, max(1, -(-count // 8)))
    for place in shown:
        picture.text(across.at(place), 140.0, f"{one.days[place]:%d %b}", "small", "middle")
    return picture.done(one.name, one.words())


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _weeks(days: Sequence[date]) -> list[date]:
    first, last = _monday(min(days)), _monday(max(days))
    return [first + timedelta(weeks=index) for index in range((last - first).days // 7 + 1)]


def _short(reason: str) -> str:
    return reason if len(reason) <= 28 else reason[:27] + "…"
