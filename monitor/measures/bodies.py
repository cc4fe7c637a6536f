"""How long until two bodies touch, if each goes on with its velocity and heading: in two dimensions, at any angle."""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import FloatArray, FrameBlock, IntArray
from monitor.measures.placement import BROADEST_M, LONGEST_M, in_own_frame, sized


def time_to_touch(block: FrameBlock, rows: IntArray) -> FloatArray:
    """Seconds until own car's box and that of the vehicle in each frame's row (−1: none) first overlap; shape (n,).

    Both keep speed and heading, a vehicle moves the way it points (Hayward's time to collision in two dimensions, from
    memory). 0 where they overlap; NaN where they never do, or a place, speed, heading or size is not known. In one line
    it is gap over closing speed.

    Two boxes that do not turn overlap while their shadows overlap on the axes of both (separating axes).
    """
    found = np.full(len(rows), np.nan)
    frame = np.flatnonzero(rows >= 0)
    if len(frame) == 0:
        return found
    row, own, others = rows[frame], block.own, block.others.channels
    forward, left = in_own_frame(block, frame, row)
    turn = others["heading"][row] - own["heading"][frame]
    cos, sin = np.cos(turn), np.sin(turn)
    speed = others["speed"][row]
    moves = speed * cos - own["speed"][frame], speed * sin
    half_own = 0.5 * sized(own["length"], LONGEST_M)[frame], 0.5 * sized(own["width"], BROADEST_M)[frame]
    half_other = 0.5 * sized(others["length"][row], LONGEST_M), 0.5 * sized(others["width"][row], BROADEST_M)
    begins, ends = np.zeros(len(frame)), np.full(len(frame), np.inf)
    one, none = np.ones(len(frame)), np.zeros(len(frame))
    for axis_x, axis_y in ((one, none), (none, one), (cos, sin), (-sin, cos)):
        reach = half_own[0] * np.abs(axis_x) + half_own[1] * np.abs(axis_y)
        reach += half_other[0] * np.abs(cos * axis_x + sin * axis_y)
        reach += half_other[1] * np.abs(cos * axis_y - sin * axis_x)
        away = forward * axis_x + left * axis_y
        rate = moves[0] * axis_x + moves[1] * axis_y
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            first, last = (-reach - away) / rate, (reach - away) / rate
        stands, inside = rate == 0.0, np.abs(away) <= reach
        # where nothing moves along the axis, the shadows overlap always or never
        enters = np.where(stands, np.where(inside, -np.inf, np.inf), np.minimum(first, last))
        leaves = np.where(stands, np.where(inside, np.inf, -np.inf), np.maximum(first, last))
        begins, ends = np.maximum(begins, enters), np.minimum(ends, leaves)
    known = np.isfinite(forward + left + turn + speed + own["speed"][frame] + sum(half_own) + sum(half_other))
    found[frame] = np.where(known & (begins <= ends), begins, np.nan)
    return found
