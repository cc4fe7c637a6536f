"""Where other vehicles are in terms of own car's way: how far ahead along it, and whether they are in its lane.

Each pair of own car and a vehicle is placed by the first of these for which the feed has what it takes:

1. `station` and `lane` of both: the difference of the stations; in the own lane if the lanes are the same.
2. The road's reference line: the difference of the distances along it; in the own lane if the body overlaps its band.
3. The arc that own yaw rate and speed make (straight on below 1 m/s): the distance along it; in the own lane if the
   body overlaps a band about it, as wide as the lane, or as own car where no lane is known. Where own yaw rate is not
   measured there is no arc, and a vehicle cannot be placed: no straight way is taken for granted.

Own car may drive against the reference line; "ahead" is always as own car sees it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray, FrameBlock, IntArray, Road
from monitor.measures.path import Path, Projection, path_of

LONGEST_M, BROADEST_M = 60.0, 5.0
"""A body that is said to be larger has another unit, and no size (common practice, no source: road trains reach 53 m,
wide loads 4.5 m)."""

SLOWEST_ARC_MPS = 1.0
"""Below this speed, yaw rate over speed says nothing about the way ahead."""
STRAIGHT_PER_M = 1e-9
"""An arc flatter than this is a straight line; a kilometre ahead they differ by less than a millimetre."""


IN_LINE_COS = 0.99875
"""Cosine of 0.05 rad. A vehicle that follows its lane heads off the line's direction by half the angle of a vertex and
by its own slip; up to this it is taken to go along the way, so that neither shows in its speed."""


def along_way(turn: FloatArray) -> FloatArray:
    """Cosine of a vehicle's angle to a way; ±1.0 for one that goes along it."""
    cos = np.cos(turn)
    return np.where(np.abs(cos) > IN_LINE_COS, np.sign(cos), cos)


@dataclass(frozen=True, slots=True)
class Placement:
    """Pairs of own car and a vehicle, shapes (k,)."""

    ahead: FloatArray
    """From own centre to the vehicle's, along the way, in m; negative behind, NaN where it cannot be placed."""
    in_lane: BoolArray
    """Whether the vehicle's body overlaps the own lane."""
    along: FloatArray
    """Cosine of the angle between its heading and own car's way there: what of its speed counts along that way. 1.0
    where nothing tells the way there from a bend; NaN where its heading is not measured."""


@dataclass(frozen=True, slots=True)
class _OnArc:
    """Vehicles by own car's arc, shapes (k,): ahead along it and aside of the own lane's centre in m, and what they are
    turned by against it there, in rad."""

    ahead: FloatArray
    aside: FloatArray
    turn: FloatArray


def sized(column: FloatArray, most_m: float) -> FloatArray:
    """Lengths or widths, NaN where a body has none: 0, less, or more than any has."""
    return np.where((column > 0.0) & (column <= most_m), column, np.nan)


_EVERY = b"every row"
"""Where an own way keeps the places of all vehicles."""
FEW_POINTS = 256
"""Of so few points, own car's and the others', the nearest places are looked for at once: what they cost then are the
calls."""


@dataclass(frozen=True, slots=True)
class OwnWay:
    """Own car's way in each frame of a block; the arrays have shape (n,)."""

    block: FrameBlock
    path: Path | None
    here: Projection
    """On the reference line; NaN without one, or off the road."""
    along: FloatArray
    """−1.0 where own car drives against the reference line, else 1.0."""
    curvature: FloatArray
    """Of the arc that yaw rate and speed make, in 1/m, positive to the left."""
    lane_width: FloatArray
    """As the simulator gives it, else as the road does; NaN where neither does."""
    lane_centre: FloatArray
    """The own lane's centre off the reference line in m, left of it positive."""
    memo: dict[bytes, Projection] = field(default_factory=dict, compare=False, repr=False)

    def on_line(self, row: IntArray) -> Projection:
        """The vehicle in each `row` on the reference line. The same ones are asked for by each way to place them, and
        the nearest places of some hundred points cost a third of a millisecond: they are kept."""
        assert self.path is not None
        asked = row.tobytes()
        known = self.memo.get(asked)
        if known is None:
            channels, every = self.block.others.channels, self.memo.get(_EVERY)
            if every is not None:
                known = Projection(every.s[row], every.d[row], every.heading[row])
            else:
                known = self.path.project(channels["x"][row], channels["y"][row])
                if np.array_equal(row, np.arange(len(channels["x"]))):
                    self.memo[_EVERY] = known
            self.memo[asked] = known
        return known

    def place(self, frame: IntArray, row: IntArray, *, ways: bool = True) -> Placement:
        """Places the vehicle in each `row` of the block's others, against own car in the `frame` of the same index.

        Without `ways` all head along it: whoever does not ask for it saves most of the work of a busy road.
        """
        own, others = self.block.own, self.block.others.channels
        stationed = ~np.isnan((own["station"] + own["lane"])[frame] + others["station"][row] + others["lane"][row])
        if stationed.all():
            return self._by_station(frame, row, ways)
        on_road = ~stationed & ~np.isnan(self.here.s[frame])
        ahead = np.full(len(row), np.nan)
        in_lane, along = np.zeros(len(row), dtype=bool), np.ones(len(row))
        methods = ((stationed, self._by_station), (on_road, self._by_road), (~(stationed | on_road), self._by_arc))
        for mask, method in methods:
            picked = np.flatnonzero(mask)
            if len(picked):
                placed = method(frame[picked], row[picked], ways)
                ahead[picked], in_lane[picked], along[picked] = placed.ahead, placed.in_lane, placed.along
        return Placement(ahead, in_lane, along)

    def ahead_otherwise(self, frame: IntArray, row: IntArray) -> FloatArray:
        """The distance ahead by the other of two ways to place a pair: by the road or the arc where its stations and
        lanes place it, by the stations where the road or the arc does. NaN where the feed has only one of them."""
        own, others = self.block.own, self.block.others.channels
        stationed = ~np.isnan((own["station"] + own["lane"])[frame] + others["station"][row] + others["lane"][row])
        by_station = (others["station"][row] - own["station"][frame]) * self.along[frame]
        on_road = ~np.isnan(self.here.s[frame])
        if self.path is not None and on_road.any():
            by_boxes = np.where(on_road, self._by_road(frame, row, False).ahead, self._by_arc(frame, row, False).ahead)
        else:
            by_boxes = self._by_arc(frame, row, False).ahead
        return np.where(stationed, by_boxes, by_station)

    def aside_by_boxes(self, frame: IntArray, row: IntArray) -> tuple[FloatArray, FloatArray]:
        """How far each vehicle's centre is off the own lane's in m, by the road or the arc and not by lane numbers, and
        how far that may be off; NaN where neither tells it."""
        others = self.block.others.channels
        on_road = ~np.isnan(self.here.s[frame])
        if self.path is not None and on_road.all():
            there = self.on_line(row)
            return (there.d - self.lane_centre[frame]) * self.along[frame], np.zeros(len(row))
        forward, _ = in_own_frame(self.block, frame, row)
        between = others["heading"][row] - self.block.own["heading"][frame]
        bend = self.curvature[frame]
        # without a yaw rate the bend is that which turned the vehicle, and where it begins is not known
        told = ~np.isnan(bend)
        bend = np.where(told, bend, np.sin(between) / np.maximum(np.abs(forward), 1.0) * np.sign(forward))
        arc = self._on_arc(frame, row, bend)
        return arc.aside, 0.5 * np.abs(arc.ahead * np.sin(np.where(told, arc.turn, between)))

    def _by_station(self, frame: IntArray, row: IntArray, ways: bool) -> Placement:
        own, others = self.block.own, self.block.others.channels
        ahead = (others["station"][row] - own["station"][frame]) * self.along[frame]
        in_lane = others["lane"][row] == own["lane"][frame]
        if self.path is None or not ways:
            # without a line there is no telling a bend from a vehicle at an angle: same lane, same way
            return Placement(ahead, in_lane, np.ones(len(row)))
        there = self.on_line(row)
        along = along_way(others["heading"][row] - there.heading) * self.along[frame]
        return Placement(ahead, in_lane, np.where(np.isnan(there.heading), 1.0, along))

    def _by_road(self, frame: IntArray, row: IntArray, ways: bool) -> Placement:
        assert self.path is not None
        others = self.block.others.channels
        there = self.on_line(row)
        turn = others["heading"][row] - there.heading
        reach = 0.5 * self.lane_width[frame] + self._half_extent(row, turn)
        return Placement(
            self.path.ahead(self.here.s[frame], there.s) * self.along[frame],
            np.abs(there.d - self.lane_centre[frame]) < reach,
            along_way(turn) * self.along[frame],
        )

    def _by_arc(self, frame: IntArray, row: IntArray, ways: bool) -> Placement:
        arc = self._on_arc(frame, row, self.curvature[frame])
        width = self.lane_width[frame]
        reach = 0.5 * np.where(~np.isnan(width), width, sized(self.block.own["width"], BROADEST_M)[frame])
        return Placement(arc.ahead, np.abs(arc.aside) < reach + self._half_extent(row, arc.turn), along_way(arc.turn))

    def _on_arc(self, frame: IntArray, row: IntArray, bend: FloatArray) -> _OnArc:
        own, others = self.block.own, self.block.others.channels
        forward, left = in_own_frame(self.block, frame, row)
        from_centre_x, from_centre_y = bend * forward, 1.0 - bend * left
        # Left of the arc, in a form that does not lose its digits on a flat arc; it is `left` on a straight one.
        offset = (2.0 * left - bend * (forward * forward + left * left)) / (
            1.0 + np.sqrt(from_centre_x * from_centre_x + from_centre_y * from_centre_y)
        )
        flat = np.abs(bend) < STRAIGHT_PER_M
        ahead = np.where(flat, forward, np.arctan2(from_centre_x, from_centre_y) / np.where(flat, 1.0, bend))
        turn = others["heading"][row] - own["heading"][frame] - bend * ahead
        lane_offset = own["lane_offset"][frame]
        laned = ~np.isnan(self.lane_width[frame])
        return _OnArc(ahead, offset - np.where(laned & ~np.isnan(lane_offset), -lane_offset, 0.0), turn)

    def _half_extent(self, row: IntArray, turn: FloatArray) -> FloatArray:
        """How far a vehicle's box reaches to either side of its centre, across the way; 0 where it is not known."""
        others = self.block.others.channels
        return half_extent(others["length"][row], others["width"][row], turn)


@lru_cache(maxsize=4)  # lead, pair and lateral measures ask for the same block one after the other
def own_way(block: FrameBlock, road: Road | None) -> OwnWay:
    """Own car's way in each frame of a block."""
    own = block.own
    fast = np.abs(own["speed"]) >= SLOWEST_ARC_MPS
    curvature = np.where(fast | np.isnan(own["yaw_rate"]), own["yaw_rate"] / np.where(fast, own["speed"], 1.0), 0.0)
    if road is None:
        unknown = np.full(len(block), np.nan)
        one = np.ones(len(block))
        nowhere = Projection(unknown, unknown, unknown)
        return OwnWay(block, None, nowhere, one, curvature, own["lane_width"], unknown)
    path = path_of(road)
    x, y, others = own["x"], own["y"], block.others.channels
    memo = {}
    if 0 < len(others["x"]) <= FEW_POINTS:
        here = path.project(np.concatenate([x, others["x"]]), np.concatenate([y, others["y"]]))
        here, memo[_EVERY] = here.part(0, len(x)), here.part(len(x), None)
    else:
        here = path.project(x, y)
    along = np.where(np.cos(own["heading"] - here.heading) < 0.0, -1.0, 1.0)
    lane_width = np.where(np.isnan(own["lane_width"]), road.lane_width, own["lane_width"])
    given = here.d - along * own["lane_offset"]
    lane_centre = np.where(np.isnan(given), nearest_lane_centre(road, here.d), given)
    return OwnWay(block, path, here, along, curvature, lane_width, lane_centre, memo)


def nearest_lane_centre(road: Road, d: FloatArray) -> FloatArray:
    """Offset in m, left-positive, of the centre of the lane that `d` is in; beyond the outermost lane, of that one."""
    lane = np.minimum(np.maximum(np.floor(d / road.lane_width + 0.5 * road.lanes), 0.0), road.lanes - 1.0)
    return (lane - 0.5 * (road.lanes - 1)) * road.lane_width


def in_own_frame(block: FrameBlock, frame: IntArray, row: IntArray) -> tuple[FloatArray, FloatArray]:
    """Vehicles' centres forward and to the left of own car's centre in m, in the directions of own car's heading."""
    own, others = block.own, block.others.channels
    cos, sin = np.cos(own["heading"])[frame], np.sin(own["heading"])[frame]
    dx, dy = others["x"][row] - own["x"][frame], others["y"][row] - own["y"][frame]
    return dx * cos + dy * sin, dy * cos - dx * sin


def half_extent(length: FloatArray, width: FloatArray, turn: FloatArray) -> FloatArray:
    """Half of what a box of `length` × `width` takes up across a direction that it is turned from by `turn` (rad).

    An unknown turn counts as none; 0 where length or width is unknown or no size at all, so that then the centre alone
    decides.
    """
    length, width = sized(length, LONGEST_M), sized(width, BROADEST_M)
    turn = np.where(np.isnan(turn), 0.0, turn)
    extent = 0.5 * (width * np.abs(np.cos(turn)) + length * np.abs(np.sin(turn)))
    return np.where(np.isnan(extent), 0.0, extent)
