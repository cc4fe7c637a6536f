"""Measures between own car and one other vehicle: gap, headway, closing speed, time to contact, decelerations.

Gaps are bumper to bumper, headways front to front (SAE J2944), along the way (see `placement`). Speeds and
accelerations are along each vehicle's own direction, with the other sign for an oncoming vehicle.
"""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import BoolArray, FloatArray, FrameBlock, IntArray, Road
from monitor.measures.contact import (
    CLOSING_FLOOR_MPS,
    deceleration_rate_to_avoid_crash,
    required_deceleration,
    time_to_contact,
    time_to_contact_accelerated,
)
from monitor.measures.measured import Measured, State, measured
from monitor.measures.placement import half_extent, in_own_frame, own_way

STANDING_BELOW_MPS = 0.1
"""Own speed below which a time gap or headway is "standing still" (common practice)."""


def pair_measures(block: FrameBlock, road: Road | None, rows: IntArray) -> dict[str, Measured]:
    """The measures of own car and the vehicle in each frame's row (−1: none), each of shape (n,).

    `distance_gap`, `time_gap`, `distance_headway`, `time_headway`, `closing_speed`, `ttc`, `ttc_accel`, `drac`,
    `required_decel`. States, the first that holds: NO_LEAD without a row, or where the vehicle is behind or beside own
    car; CONTACT where the bodies overlap; NOT_MEASURED; STANDING for gap and headway in time, NOT_CLOSING for times to
    contact.
    """
    own, others = block.own, block.others.channels
    there = rows >= 0
    frame, row = np.flatnonzero(there), rows[there]
    placed = own_way(block, road).place(frame, row)
    sign = np.where(placed.oncoming, -1.0, 1.0)
    ahead = _spread(there, placed.ahead)
    length = _spread(there, others["length"][row])
    speed, accel = _spread(there, sign * others["speed"][row]), _spread(there, sign * others["accel"][row])
    own_speed, own_accel = own["speed"], own["accel"]

    gap = ahead - 0.5 * (own["length"] + length)
    headway = ahead + 0.5 * (length - own["length"])
    closing_speed = own_speed - speed
    touching = (gap <= 0.0) & (ahead > 0.0)
    contact = _bodies_overlap(block, touching, rows)
    absent = (~there & ~_unplaced(block)) | (ahead <= 0.0) | (touching & ~contact)
    no_lead, in_contact = (absent, State.NO_LEAD), (contact, State.CONTACT)

    apart = np.where(gap > 0.0, gap, np.nan)
    zero_in_contact = np.where(contact, 0.0, apart)
    standing = own_speed < STANDING_BELOW_MPS
    rolling_speed = np.where(standing, np.nan, own_speed)
    contact_time = time_to_contact_accelerated(apart, own_speed, speed, own_accel, accel)
    escapes = np.isnan(contact_time) & ~np.isnan(apart + closing_speed + own_accel + accel)
    return {
        "distance_gap": measured(zero_in_contact, no_lead, in_contact),
        "time_gap": measured(
            np.where(contact, 0.0, apart / rolling_speed),
            no_lead,
            in_contact,
            (standing & ~np.isnan(apart), State.STANDING),
        ),
        "distance_headway": measured(headway, no_lead),
        "time_headway": measured(headway / rolling_speed, no_lead, (standing & ~np.isnan(headway), State.STANDING)),
        "closing_speed": measured(closing_speed, no_lead),
        "ttc": measured(
            np.where(contact, 0.0, time_to_contact(apart, closing_speed)),
            no_lead,
            in_contact,
            ((closing_speed < CLOSING_FLOOR_MPS) & ~np.isnan(apart), State.NOT_CLOSING),
        ),
        "ttc_accel": measured(np.where(contact, 0.0, contact_time), no_lead, in_contact, (escapes, State.NOT_CLOSING)),
        "drac": measured(deceleration_rate_to_avoid_crash(apart, closing_speed), no_lead, in_contact),
        "required_decel": measured(required_deceleration(apart, own_speed, speed, accel), no_lead, in_contact),
    }


def _unplaced(block: FrameBlock) -> BoolArray:
    """Where own car's own place is not measured, so that nothing can be said of a lead."""
    own = block.own
    return np.isnan(own["station"] + own["lane"]) & np.isnan(own["x"] + own["y"] + own["heading"])


def _bodies_overlap(block: FrameBlock, asked: BoolArray, rows: IntArray) -> BoolArray:
    """Of the frames asked for, those where the vehicle is not beside own car. Unknown widths count as overlapping."""
    overlap = asked.copy()
    frame = np.flatnonzero(asked)
    if len(frame):
        own, others, row = block.own, block.others.channels, rows[frame]
        _, left = in_own_frame(block, frame, row)
        turn = others["heading"][row] - own["heading"][frame]
        reach = 0.5 * own["width"][frame] + half_extent(others["length"][row], others["width"][row], turn)
        overlap[frame] = ~(np.abs(left) >= reach)
    return overlap


def _spread(there: BoolArray, values: FloatArray) -> FloatArray:
    """Values of the frames that have a row, as one of each frame; NaN elsewhere."""
    spread = np.full(len(there), np.nan)
    spread[there] = values
    return spread
