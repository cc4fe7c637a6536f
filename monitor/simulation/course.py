"""The road of the demo drive: straight, a gentle bend to the left, straight.

The reference line is the middle of the road (two lanes, one each way, right-hand traffic); offsets from it are
left-positive. Curvature rises and falls linearly with station (a transition curve), so that nobody has to jerk the
wheel where the bend begins. Stations are metres along the reference line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

LANE_WIDTH_M = 3.5
LANES = 2
OWN_LANE = 0
"""Lanes are counted from the right, as the road line of the feed has it."""
OWN_LANE_CENTRE_M = -LANE_WIDTH_M / 2
ONCOMING_CENTRE_M = LANE_WIDTH_M / 2

RADIUS_M = 400.0
TRANSITION_M = 50.0
BEND_M = 240.0
"""Length of the bend with both transitions."""
BEND_VERTICES_M = 4.0
"""Spacing of the road line's vertices in the bend: the arc stands off the chord by 4² / (8 · 400) = 5 mm at most."""
STRAIGHT_VERTICES_M = 10.0
LONG_STRAIGHT_VERTICES_M = 400.0
"""Beyond `CLOSE_M`, where only long drives get to: a straight needs no more, and the hello stays small."""
CLOSE_M = 3000.0

_GRID_M = 1.0
_SUBSTEPS = 8


@dataclass(slots=True)
class Course:
    """A road `length_m` long whose bend begins at station `bend_at_m`."""

    length_m: float
    bend_at_m: float
    _x: list[float] = field(init=False)
    _y: list[float] = field(init=False)
    _heading: list[float] = field(init=False)

    def __post_init__(self) -> None:
        # the grid ends behind the bend; from there the road is straight and has a closed form
        last = math.ceil(self.bend_at_m + BEND_M) + 1
        self._x, self._y, self._heading = [0.0], [0.0], [0.0]
        x = y = heading = 0.0
        step = _GRID_M / _SUBSTEPS
        for index in range(last):
            for substep in range(_SUBSTEPS):
                curvature = self.curvature(index * _GRID_M + (substep + 0.5) * step)
                middle = heading + curvature * step / 2
                x += step * math.cos(middle)
                y += step * math.sin(middle)
                heading += curvature * step
            self._x.append(x)
            self._y.append(y)
            self._heading.append(heading)

    def curvature(self, station_m: float) -> float:
        """Curvature of the reference line in 1/m, left-positive."""
        into = station_m - self.bend_at_m
        if into <= 0.0 or into >= BEND_M:
            return 0.0
        return min(1.0, into / TRANSITION_M, (BEND_M - into) / TRANSITION_M) / RADIUS_M

    def place(self, station_m: float, offset_m: float) -> tuple[float, float, float]:
        """x, y (m) of a point `offset_m` to the left of the line at a station, and the line's heading (rad) there."""
        index = min(max(int(station_m), 0), len(self._x) - 1)
        ahead = station_m - index
        curvature = self.curvature(index + ahead / 2)
        heading = self._heading[index] + curvature * ahead
        middle = self._heading[index] + curvature * ahead / 2
        x = self._x[index] + ahead * math.cos(middle)
        y = self._y[index] + ahead * math.sin(middle)
        return x - offset_m * math.sin(heading), y + offset_m * math.cos(heading), heading

    def vertices(self) -> list[tuple[float, float]]:
        """The points of the reference line that a hello tells, x and y in m."""
        stations, station = [], 0.0
        bend_end = self.bend_at_m + BEND_M
        while station < self.length_m:
            stations.append(station)
            if self.bend_at_m - STRAIGHT_VERTICES_M < station < bend_end:
                station += BEND_VERTICES_M
            else:
                station += STRAIGHT_VERTICES_M if station < CLOSE_M else LONG_STRAIGHT_VERTICES_M
        stations.append(self.length_m)
        return [self.place(station, 0.0)[:2] for station in stations]

    def road_line(self) -> dict[str, object]:
        """The `road` of a hello."""
        xs, ys = zip(*self.vertices(), strict=True)
        return {"x": list(xs), "y": list(ys), "lane_width": LANE_WIDTH_M, "lanes": LANES}


def lane_at(offset_m: float) -> int:
    """The lane that an offset from the reference line lies in; −1 right of the road, `LANES` left of it."""
    return math.floor(offset_m / LANE_WIDTH_M) + LANES // 2
