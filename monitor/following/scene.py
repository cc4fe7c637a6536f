"""The plan view's contents: the newest frame's vehicles about own car, along and across the road."""

from __future__ import annotations

import numpy as np

from monitor.following.view import SceneView, VehicleView
from monitor.judging.case.drive import DriveLog
from monitor.measures.columns import FloatArray, FrameBlock, IntArray, Road
from monitor.measures.path import Projection, path_of

REACH_M = 150.0
"""Vehicles further ahead or behind are not drawn."""

MOST_VEHICLES = 24
LANE_WIDTH_M = 3.5
"""Drawn where the feed does not give one (common practice, no source)."""


def build_scene(log: DriveLog) -> SceneView:
    """The scene of the newest judged frame."""
    block = log.blocks[-1]
    frames = block.frames
    last = len(frames) - 1
    own = {name: float(column[last]) for name, column in frames.own.items()}
    rows = np.arange(int(frames.others.start[last]), int(frames.others.start[last + 1]))
    projected = _projected(frames, rows, log.road, last)
    ahead, left = _about_own(frames, rows, log.road, projected, last)
    others = frames.others.channels
    lead_row = int(block.lead_row[last])
    near = [index for index in np.argsort(np.abs(ahead)) if np.isfinite(ahead[index]) and abs(ahead[index]) <= REACH_M]
    vehicles = tuple(
        VehicleView(
            id=int(frames.others.id[rows[index]]),
            name=frames.others.names.get(int(frames.others.id[rows[index]]), ""),
            ahead_m=float(ahead[index]),
            left_m=float(left[index]),
            length_m=_known(others["length"][rows[index]], 4.5),
            width_m=_known(others["width"][rows[index]], 1.8),
            is_lead=int(rows[index]) == lead_row,
        )
        for index in near[:MOST_VEHICLES]
    )
    gap = block.lead["distance_gap"].value[last]
    offset = block.lateral["lane_offset"].value[last]
    width = block.lateral["lane_width"].value[last]
    lanes = log.road.lanes if log.road is not None else 2
    lane_width = _known(width, LANE_WIDTH_M)
    return SceneView(
        lane_width_m=lane_width,
        lanes=lanes,
        own_lane=_own_lane(frames, projected, last, lanes, lane_width),
        lane_offset_m=float(offset) if np.isfinite(offset) else None,
        own_length_m=_known(own["length"], 4.5),
        own_width_m=_known(own["width"], 1.8),
        vehicles=vehicles,
        gap_m=float(gap) if np.isfinite(gap) else None,
    )


def _known(value: float, otherwise: float) -> float:
    return float(value) if np.isfinite(value) else otherwise


def _projected(frames: FrameBlock, rows: IntArray, road: Road | None, last: int) -> Projection | None:
    """Own car, then the vehicles, on the road's line; None without one, or where own car is off it."""
    if road is None:
        return None
    others, own = frames.others.channels, frames.own
    x, y = (np.concatenate([own[name][last : last + 1], others[name][rows]]) for name in ("x", "y"))
    projected = path_of(road).project(x, y)
    return projected if np.isfinite(projected.s[0]) else None


def _along(frames: FrameBlock, projected: Projection, last: int) -> float:
    """−1.0 where own car drives against the road's line, else 1.0."""
    return 1.0 if np.cos(frames.own["heading"][last] - projected.heading[0]) >= 0 else -1.0


def _about_own(
    frames: FrameBlock, rows: IntArray, road: Road | None, projected: Projection | None, last: int
) -> tuple[FloatArray, FloatArray]:
    """How far ahead and left of own car's centre each vehicle is: along the road where there is one, else straight."""
    if road is not None and projected is not None:
        along = _along(frames, projected, last)
        ahead = path_of(road).ahead(np.repeat(projected.s[:1], len(rows)), projected.s[1:])
        return ahead * along, (projected.d[1:] - projected.d[0]) * along
    x, y = frames.others.channels["x"][rows], frames.others.channels["y"][rows]
    own_x, own_y, heading = (frames.own[name][last] for name in ("x", "y", "heading"))
    cos, sin = np.cos(heading), np.sin(heading)
    dx, dy = x - own_x, y - own_y
    return dx * cos + dy * sin, dy * cos - dx * sin


def _own_lane(frames: FrameBlock, projected: Projection | None, last: int, lanes: int, lane_width: float) -> int:
    """Own lane counted from the right, 0 first; by the reference line, about which lanes lie centred."""
    if projected is None:
        return 0
    place = projected.d[0] * _along(frames, projected, last) / lane_width + (lanes - 1) / 2.0
    return int(min(max(round(place), 0), lanes - 1))
