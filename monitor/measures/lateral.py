"""Where own car is in its lane, and when its body reaches the line that it moves towards.

Left is positive, as own car sees it (ISO 8855). Distances to a line are those of the body's edge of a car that stands
along the lane: half the lane width, less half the car's width, less or plus the offset.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.measures.columns import FloatArray, FrameBlock, Road
from monitor.measures.measured import Measured, State, measured
from monitor.measures.placement import OwnWay, nearest_lane_centre, own_way

DEPARTING_FLOOR_MPS = 0.01
"""Moving sideways more slowly than this is "not departing": it would make a huge and flickering number."""
LONGEST_STEP_S = 0.25
"""Two frames further apart than this say nothing about the speed between them."""


@dataclass(frozen=True, slots=True)
class LateralMemory:
    """What the next block needs to know of the last frame."""

    seq: int
    t: float
    lane: float
    offset: float


def lateral_measures(
    before: LateralMemory | None, block: FrameBlock, road: Road | None
) -> tuple[LateralMemory | None, dict[str, Measured]]:
    """`lane_offset`, `lane_width`, `distance_to_line` in m and `time_to_line` in s, each of shape (n,).

    `lane_offset` is the simulator's where it gives one, else the distance from the centre of the nearest lane of the
    road. `distance_to_line` is to the nearer line, negative beyond it. `time_to_line` is the distance to the line that
    the car moves towards over the speed towards it (Godthelp, Milgram & Blaauw 1984): 0.0 where that line is reached,
    NOT_DEPARTING below 0.01 m/s. The speed comes from own speed and the angle to the road's line, where both are known,
    else from the last two offsets: not measured in a drive's first frame, after a lost frame, after a step of more than
    0.25 s, and where the lane changes.

    `before` is the memory that the block before gave (None at a drive's start); the new memory is for the next block.
    """
    way = own_way(block, road)
    offset, lane = _offset_and_lane(block, road, way)
    sideways = _sideways_speed(before, block, way, offset, lane)
    half_room = 0.5 * (way.lane_width - block.own["width"])
    to_line = np.maximum(half_room - np.sign(sideways) * offset, 0.0)
    departing = np.abs(sideways) >= DEPARTING_FLOOR_MPS
    time = to_line / np.where(departing, np.abs(sideways), np.nan)
    staying = ~departing & ~np.isnan(to_line + sideways)
    memory = before
    if len(block):
        memory = LateralMemory(int(block.seq[-1]), float(block.t[-1]), float(lane[-1]), float(offset[-1]))
    return memory, {
        "lane_offset": measured(offset),
        "lane_width": measured(way.lane_width),
        "distance_to_line": measured(half_room - np.abs(offset)),
        "time_to_line": measured(time, (staying, State.NOT_DEPARTING)),
    }


def _offset_and_lane(block: FrameBlock, road: Road | None, way: OwnWay) -> tuple[FloatArray, FloatArray]:
    """Offset from the lane's centre in m, and a number that changes when the lane does (NaN where not known)."""
    own = block.own
    if road is None:
        return own["lane_offset"], own["lane"]
    centre = nearest_lane_centre(road, way.here.d)
    offset = np.where(np.isnan(own["lane_offset"]), way.along * (way.here.d - centre), own["lane_offset"])
    return offset, np.where(np.isnan(own["lane"]), centre, own["lane"])


def _sideways_speed(
    before: LateralMemory | None, block: FrameBlock, way: OwnWay, offset: FloatArray, lane: FloatArray
) -> FloatArray:
    """Speed across the lane in m/s, left positive."""
    own = block.own
    by_heading = own["speed"] * way.along * np.sin(own["heading"] - way.here.heading)
    if not np.isnan(by_heading).any():
        return by_heading
    known = before or LateralMemory(-1, math.nan, math.nan, math.nan)
    seq = np.concatenate([[known.seq], block.seq])
    t = np.concatenate([[known.t], block.t])
    lanes = np.concatenate([[known.lane], lane])
    offsets = np.concatenate([[known.offset], offset])
    step = np.diff(t)
    follows = (np.diff(seq) == 1) & (step > 0.0) & (step <= LONGEST_STEP_S)
    same_lane = (np.diff(lanes) == 0.0) | (np.isnan(lanes[1:]) & np.isnan(lanes[:-1]))
    jump = np.abs(np.diff(offsets)) > 0.5 * way.lane_width  # a lane change that only the offset tells of
    usable = follows & same_lane & ~jump
    by_offset = np.where(usable, np.diff(offsets) / np.where(usable, step, 1.0), np.nan)
    return np.where(np.isnan(by_heading), by_offset, by_heading)
