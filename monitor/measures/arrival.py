"""Measures between a vehicle and a fixed point of the road: how far along the way, and how long at the speed now.

The distance is from the vehicle's front end to the near edge of the point's conflict area, as a gap is from bumper to
bumper; a point without extent is its own edge (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray, FrameBlock, IntArray, Road
from monitor.measures.gap import STANDING_BELOW_MPS
from monitor.measures.measured import Measured, State, measured
from monitor.measures.placement import own_way


@dataclass(frozen=True, slots=True)
class Point:
    """A point of the road: by its `station_m`, by `x_m` and `y_m`, or by all three.

    `along_m` and `across_m` are the extents of the conflict area about it, along the own car's way and across it.
    """

    name: str
    station_m: float | None = None
    x_m: float | None = None
    y_m: float | None = None
    along_m: float = 0.0
    across_m: float = 0.0


def point_measures(block: FrameBlock, road: Road | None, point: Point, rows: IntArray | None) -> dict[str, Measured]:
    """`distance_to_point` in m and `time_to_arrival` in s, each of shape (n,): of own car, or of the vehicle in `rows`.

    Behind the point the distance is negative and the time is PASSED; slower than 0.1 m/s it is STANDING, unless it
    passed. Without a row: NO_LEAD. A length or a place that is not measured gives no distance.
    """
    if rows is None:
        ahead, length, speed = _own_ahead(block, road, point), block.own["length"], block.own["speed"]
        extent = np.full(len(block), point.along_m)
        absent = np.zeros(len(block), dtype=bool)
    else:
        absent = rows < 0
        ahead, length, speed, extent = _role_ahead(block, road, point, rows)
    distance = ahead - 0.5 * length - 0.5 * extent
    passed, standing = distance < 0.0, speed < STANDING_BELOW_MPS
    time = distance / np.where(standing, np.nan, speed)
    none = (absent, State.NO_LEAD)
    return {
        "distance_to_point": measured(distance, none),
        "time_to_arrival": measured(
            time, none, (passed, State.PASSED), (standing & ~np.isnan(distance), State.STANDING)
        ),
    }


def _own_ahead(block: FrameBlock, road: Road | None, point: Point) -> FloatArray:
    """From own centre to the point along the way: by stations, else by the road's line, else along own heading."""
    own = block.own
    way = own_way(block, road)
    ahead = np.full(len(block), np.nan)
    if point.station_m is not None:
        ahead = (point.station_m - own["station"]) * way.along
    if point.x_m is None or point.y_m is None:
        return ahead
    if way.path is not None:
        there = way.path.project(np.array([point.x_m]), np.array([point.y_m]))
        by_line = way.path.ahead(way.here.s, np.full(len(block), there.s[0])) * way.along
        ahead = np.where(np.isnan(ahead), by_line, ahead)
    straight = _along_heading(point.x_m - own["x"], point.y_m - own["y"], own["heading"])
    return np.where(np.isnan(ahead), straight, ahead) if way.path is None else ahead


def _role_ahead(
    block: FrameBlock, road: Road | None, point: Point, rows: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The same for another road user, with its length and speed, and the extent of the area along its own way.

    By its own heading where the point has x and y, for it may cross the road; else by stations, as own car sees them.
    """
    others = block.others.channels
    there = rows >= 0

    def column(name: str) -> FloatArray:
        values = np.full(len(block), np.nan)
        values[there] = others[name][rows[there]]
        return values

    heading, length, speed = column("heading"), column("length"), column("speed")
    turned = np.cos(heading - block.own["heading"])
    if point.x_m is not None and point.y_m is not None:
        ahead = _along_heading(point.x_m - column("x"), point.y_m - column("y"), heading)
        crosses = np.abs(turned) < np.sqrt(0.5)  # more across own car's direction than along it
        return ahead, length, speed, np.where(crosses, point.across_m, point.along_m)
    extent = np.full(len(block), point.along_m)
    if point.station_m is None:
        return np.full(len(block), np.nan), length, speed, extent
    sign = np.where(turned < 0.0, -1.0, 1.0) * own_way(block, road).along
    return (point.station_m - column("station")) * sign, length, speed, extent


def _along_heading(dx: FloatArray, dy: FloatArray, heading: FloatArray) -> FloatArray:
    along: FloatArray = dx * np.cos(heading) + dy * np.sin(heading)
    return along
