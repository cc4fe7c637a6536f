"""A road's reference line as a path: the distance along it and the offset from it, for many points at once.

The nearest place is exact, and for a point the same whatever other points are asked with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from monitor.measures.cells import Cells, Segments
from monitor.measures.columns import FloatArray, Road

OFF_ROAD_M = 100.0
"""Further from the line than this is not on the road: no projection."""
EXTENSION_M = 200.0
"""An open road is taken to go on straight for so long at both ends, so that a lead beyond the last vertex is seen."""


@dataclass(frozen=True, slots=True)
class Projection:
    """Points on a path, shapes (m,): `s` along it in m, `d` from it in m (left positive), its `heading` there in rad.

    NaN where the point is off the road, or has no finite place. `s` is negative before an open road's first vertex.
    """

    s: FloatArray
    d: FloatArray
    heading: FloatArray

    def part(self, first: int, stop: int | None) -> Projection:
        """Points `first` … `stop` − 1, sharing the memory."""
        return Projection(self.s[first:stop], self.d[first:stop], self.heading[first:stop])


class Path:
    """A polyline, ready to project on. Made once a drive: 14 000 vertices take some tenths of a second."""

    def __init__(self, x: FloatArray, y: FloatArray) -> None:
        """Vertices in m, shapes (k,), at least two of them different; repeated ones are passed over."""
        moved = np.ones(len(x), dtype=bool)
        moved[1:] = (np.diff(x) != 0) | (np.diff(y) != 0)
        x, y = x[moved], y[moved]
        dx, dy = np.diff(x), np.diff(y)
        length = np.sqrt(dx * dx + dy * dy)
        self.closed = bool(len(length) > 2 and x[0] == x[-1] and y[0] == y[-1])
        """A circuit: the last vertex is the first one again."""
        self.length_m = float(length.sum())
        self._s = np.concatenate([np.zeros(1), np.cumsum(length)])
        self._heading = np.arctan2(dy, dx)
        least, most = np.zeros(len(length)), length.copy()
        if not self.closed:
            least[0] -= EXTENSION_M
            most[-1] += EXTENSION_M
        self._segments = Segments(x[:-1].copy(), y[:-1].copy(), dx / length, dy / length, least, most)
        self._cells = Cells(self._segments, OFF_ROAD_M)

    def project(self, x: FloatArray, y: FloatArray) -> Projection:
        """The nearest place on the path for each point, shapes (m,); the first one where two are equally near."""
        s, d, heading = np.full((3, len(x)), np.nan)
        # array methods, and no picking of all: a live frame has a point or two, and each call costs as much as they do
        cell = self._cells.of(x, y)
        rows = (cell >= 0).nonzero()[0]
        if not len(rows):
            return Projection(s, d, heading)
        lines = self._segments
        if len(rows) < len(x):
            cell, x, y = cell[rows], x[rows], y[rows]
        count = self._cells.count[cell]
        stop = count.cumsum()
        start = stop - count
        pick = np.arange(stop[-1]) + (self._cells.begin[cell] - start).repeat(count)
        which = self._cells.lists[pick]
        squared = lines.squared_distance(which, x.repeat(count), y.repeat(count))
        least = np.minimum.reduceat(squared, start)
        segment = np.minimum.reduceat(np.where(squared == least.repeat(count), which, len(lines.x)), start)
        near = least <= OFF_ROAD_M**2
        if not near.all():
            rows, segment, least, x, y = rows[near], segment[near], least[near], x[near], y[near]
        distance = np.sqrt(least)
        vx, vy = x - lines.x[segment], y - lines.y[segment]
        ux, uy = lines.ux[segment], lines.uy[segment]
        along = np.minimum(np.maximum(vx * ux + vy * uy, lines.least[segment]), lines.most[segment])
        s[rows] = self._s[segment] + along
        d[rows] = np.where(ux * vy - uy * vx < 0, -distance, distance)
        heading[rows] = self._heading[segment]
        return Projection(s, d, heading)

    def ahead(self, from_s: FloatArray, to_s: FloatArray) -> FloatArray:
        """Distance in m along the path from one place to another; on a circuit the shorter way round, with its sign."""
        distance: FloatArray = to_s - from_s
        if not self.closed:
            return distance
        half = 0.5 * self.length_m
        distance = np.where(distance > half, distance - self.length_m, distance)
        return np.where(distance < -half, distance + self.length_m, distance)


@lru_cache(maxsize=4)  # roads hash by identity; a drive has one, and every block of it asks
def path_of(road: Road) -> Path:
    """The road's reference line as a path."""
    return Path(road.x, road.y)
