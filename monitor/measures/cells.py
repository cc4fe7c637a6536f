"""Which segments of a polyline can be nearest to a point, without asking all of them.

The plane about the line is cut into square cells, each with the list of all segments that may be nearest to a point of
it: with c the cell's centre and r half its diagonal, those whose distance from c is at most the least distance from c
plus 2r (triangle inequality). Crowded cells are split, and the lists of the parts are drawn from the list of the whole.
So the nearest segment of a list is the nearest of all, and the work for a point does not grow with the road.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.measures.columns import FloatArray, IntArray

ROOT_M = 64.0
"""Side of the largest cells; wider only on roads beyond `MAX_PIECES` · 64 m."""
SPLIT = 4
"""A cell is split into SPLIT × SPLIT parts, …"""
SMALLEST_M = 4.0
"""… down to this side, …"""
FEW = 4
"""… unless no more segments than this are in its list, …"""
NEAR_M = 16.0
"""… and only where it is this near to the line, which is where vehicles are."""
MAX_PIECES = 50_000
PAIRS_AT_ONCE = 200_000
"""Cells × segments worked on together while building: bounds the working memory to some 20 MB."""
ROUNDING_M = 1e-6
"""Widens the rule above, so that rounding never drops a segment from a list."""


@dataclass(frozen=True, slots=True)
class Segments:
    """Straight segments, shapes (k,): where each starts, its unit direction, and the range of distances along it.

    The range is 0 … length, but for an open road's first and last segment, which reach beyond its ends.
    """

    x: FloatArray
    y: FloatArray
    ux: FloatArray
    uy: FloatArray
    least: FloatArray
    most: FloatArray

    def squared_distance(self, which: IntArray, x: FloatArray, y: FloatArray) -> FloatArray:
        """Squared distance in m² of points from one segment each, all shapes (p,)."""
        vx, vy = x - self.x[which], y - self.y[which]
        ux, uy = self.ux[which], self.uy[which]
        along = np.minimum(np.maximum(vx * ux + vy * uy, self.least[which]), self.most[which])
        ex, ey = vx - along * ux, vy - along * uy
        return ex * ex + ey * ey


@dataclass(frozen=True, slots=True)
class _Level:
    """Cells of one size: lower left corners, lists of segments end to end, lengths of the lists, least distances."""

    left: FloatArray
    low: FloatArray
    lists: IntArray
    count: IntArray
    distance: FloatArray


class Cells:
    """The cells about a line's segments, for points at most `reach_m` from it."""

    def __init__(self, segments: Segments, reach_m: float) -> None:
        pieces = float((segments.most - segments.least).sum()) / ROOT_M
        self._side = ROOT_M * max(1.0, pieces / MAX_PIECES)
        roots, level = self._root_level(segments, reach_m)
        self._roots = roots
        levels, children = [level], []
        side, first = self._side, 0
        while True:
            level = levels[-1]
            first += len(level.left)
            crowded = (level.count > FEW) & (level.distance <= NEAR_M + 0.75 * side) & (side > SMALLEST_M)
            child = np.full(len(level.left), -1, dtype=np.int64)
            child[crowded] = first + np.arange(int(crowded.sum())) * SPLIT**2
            children.append(child)
            if not crowded.any():
                break
            levels.append(_joined(_split(segments, level, np.flatnonzero(crowded), side)))
            side /= SPLIT
        self._children = np.concatenate(children)
        whole = _joined(levels)
        self._left, self._low = whole.left, whole.low
        self.lists, self.count = whole.lists, whole.count
        self.begin: IntArray = np.cumsum(self.count) - self.count

    def of(self, x: FloatArray, y: FloatArray) -> IntArray:
        """The smallest cell about each point, shape (m,); −1 far from the line, and for points that are not finite.

        Its list is `lists[begin[cell] : begin[cell] + count[cell]]`, in rising order.
        """
        cell = np.full(len(x), -1, dtype=np.int64)
        rows = (np.abs(x) + np.abs(y) < 1e9).nonzero()[0]
        key = self._key(x, y) if len(rows) == len(x) else self._key(x[rows], y[rows])
        place = np.minimum(self._roots.searchsorted(key), len(self._roots) - 1)
        known = self._roots[place] == key
        open_rows, side = rows[known], self._side
        cell[open_rows] = place[known]
        while True:
            child = self._children[cell[open_rows]]
            is_split = child >= 0
            if not is_split.any():
                return cell
            open_rows, child = open_rows[is_split], child[is_split]
            parent, side = cell[open_rows], side / SPLIT
            i = np.minimum(np.maximum(np.floor((x[open_rows] - self._left[parent]) / side), 0), SPLIT - 1)
            j = np.minimum(np.maximum(np.floor((y[open_rows] - self._low[parent]) / side), 0), SPLIT - 1)
            cell[open_rows] = child + (j * SPLIT + i).astype(np.int64)

    def _key(self, x: FloatArray, y: FloatArray) -> IntArray:
        """One number for the root cell about a point: column and row in 32 bits each."""
        return _root_key(np.floor(x / self._side), np.floor(y / self._side))

    def _root_level(self, segments: Segments, reach_m: float) -> tuple[IntArray, _Level]:
        """Root cells within reach: sorted keys, and the cells with their lists.

        A segment is rasterised in pieces no longer than a cell: into the cells that a piece's box, widened by the
        reach, meets. Those are all cells that hold a point to which it may be nearest within reach.
        """
        span = segments.most - segments.least
        number = np.ceil(span / self._side).astype(np.int64)
        which = np.repeat(np.arange(len(span)), number)
        part = np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number)
        a = segments.least[which] + part * (span[which] / number[which])
        b = segments.least[which] + (part + 1) * (span[which] / number[which])
        corners = [
            (np.floor((function(p + a * u, p + b * u) + sign * reach_m) / self._side))
            for p, u in ((segments.x[which], segments.ux[which]), (segments.y[which], segments.uy[which]))
            for function, sign in ((np.minimum, -1), (np.maximum, 1))
        ]
        wide, high = corners[1] - corners[0] + 1, corners[3] - corners[2] + 1
        cells = (wide * high).astype(np.int64)
        index = np.arange(int(cells.sum())) - np.repeat(np.cumsum(cells) - cells, cells)
        column = np.repeat(corners[0], cells) + index % np.repeat(wide, cells)
        row = np.repeat(corners[2], cells) + index // np.repeat(wide, cells)
        key, segment = _root_key(column, row), np.repeat(which, cells)
        order = np.lexsort((segment, key))  # `np.unique` by pairs would load a tenth of a second of libraries
        key, segment = key[order], segment[order]
        new = np.ones(len(key), np.bool_)
        new[1:] = (np.diff(key) != 0) | (np.diff(segment) != 0)
        keys, count = np.unique(key[new], return_counts=True)
        left, low = (keys >> 32).astype(np.float64) * self._side, _low_half(keys) * self._side
        level = _joined(_nearest_only(segments, _Squares(left, low, self._side), segment[new], count))
        within = level.distance <= reach_m + self._side
        return keys[within], _selected(level, within)


def _root_key(column: FloatArray, row: FloatArray) -> IntArray:
    return (column.astype(np.int64) << 32) + (row.astype(np.int64) + 2**31)


def _low_half(keys: IntArray) -> FloatArray:
    return ((keys & (2**32 - 1)) - 2**31).astype(np.float64)


def _split(segments: Segments, level: _Level, cells: IntArray, side: float) -> Iterator[_Level]:
    """The SPLIT² parts of each of the cells, row by row from the lower left."""
    begin = np.cumsum(level.count) - level.count
    part = side / SPLIT
    for some in _runs(level.count[cells] * SPLIT**2):
        chosen = cells[some]
        parents = np.repeat(chosen, SPLIT**2)
        number = np.tile(np.arange(SPLIT**2), len(chosen))
        left, low = level.left[parents] + number % SPLIT * part, level.low[parents] + number // SPLIT * part
        count = level.count[parents]
        pick = np.arange(int(count.sum())) + np.repeat(begin[parents] - (np.cumsum(count) - count), count)
        yield from _nearest_only(segments, _Squares(left, low, part), level.lists[pick], count)


class _Squares(NamedTuple):
    """Lower left corners of cells, shape (n,), and the side that all of them have, in m."""

    left: FloatArray
    low: FloatArray
    side: float


def _nearest_only(segments: Segments, squares: _Squares, lists: IntArray, count: IntArray) -> Iterator[_Level]:
    """The cells with only those segments in their lists that can be nearest to a point in them."""
    left, low, side = squares
    begin = np.cumsum(count) - count
    for some in _runs(count):
        number = count[some]
        start = np.cumsum(number) - number
        which = lists[begin[some][0] : begin[some][-1] + number[-1]]
        x, y = left[some] + 0.5 * side, low[some] + 0.5 * side
        distance = np.sqrt(segments.squared_distance(which, np.repeat(x, number), np.repeat(y, number)))
        least = np.minimum.reduceat(distance, start)
        kept = distance <= np.repeat(least + side * np.sqrt(2.0) + ROUNDING_M, number)
        yield _Level(left[some], low[some], which[kept], np.add.reduceat(kept.astype(np.int64), start), least)


def _runs(sizes: IntArray) -> Iterator[slice]:
    """Consecutive items whose sizes sum to at most `PAIRS_AT_ONCE`, or one item that is larger by itself."""
    sums = np.cumsum(sizes)
    first = 0
    while first < len(sizes):
        done = sums[first - 1] if first else 0
        stop = max(first + 1, int(sums.searchsorted(done + PAIRS_AT_ONCE, side="right")))
        yield slice(first, stop)
        first = stop


def _selected(level: _Level, cells: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> _Level:
    lists = level.lists[np.repeat(cells, level.count)]
    return _Level(level.left[cells], level.low[cells], lists, level.count[cells], level.distance[cells])


def _joined(levels: Iterator[_Level] | list[_Level]) -> _Level:
    parts = list(levels)
    return _Level(*(np.concatenate([getattr(one, name) for one in parts]) for name in _Level.__slots__))
