"""Which vehicle is the lead, by lane and station, held against where the boxes are.

A lane number that is wrong makes a car in the next lane the lead, or hides one in the own lane; then every number about
the lead is right, and about another vehicle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.judging.case.stretch import Stretch
from monitor.measures.columns import slice_block
from monitor.measures.placement import own_way

OVER_S = 1.0
"""So much before the fire is looked at; half of its frames and the last one have to tell otherwise."""
BESIDE_M = 0.5
"""A centre this far outside the own lane's edge is beside it, this far inside is in it (common practice, no source)."""
LANE_WIDTH_M = 3.5
"""Where the feed does not give one."""


@dataclass(frozen=True, slots=True)
class OtherLead:
    """The lead by lane and station is none by its place. `beside_m`: how far its centre is off the own lane's; None
    where it is `nearer_id` that is in the own lane by its place, nearer, and not by its lane number."""

    at: float
    beside_m: float | None
    nearer_id: int | None


def lead_otherwise(stretch: Stretch, held_id: int, fired_at: float) -> OtherLead | None:
    """Whether boxes say that another vehicle is the lead; None where they don't, or nothing else told who it is."""
    span = stretch.window(fired_at - OVER_S, fired_at)
    frames = slice_block(stretch.frames, span.start, span.stop)
    others, own = frames.others, frames.own
    if not len(frames) or not len(others.id):
        return None
    frame, row = others.frame_of_row(), np.arange(len(others.id), dtype=np.int64)
    stationed = np.isfinite(
        (own["station"] + own["lane"])[frame] + others.channels["station"] + others.channels["lane"]
    )
    if not stationed.any():
        return None
    way = own_way(frames, stretch.road)
    aside, slack = way.aside_by_boxes(frame, row)
    ahead_m = (others.channels["station"] - own["station"][frame]) * way.along[frame]
    width = np.where(np.isnan(way.lane_width), LANE_WIDTH_M, way.lane_width)[frame]
    is_lead = stationed & (others.id == held_id)
    lead_m = np.full(len(frames), np.inf)
    lead_m[frame[is_lead]] = ahead_m[is_lead]
    beside = is_lead & (np.abs(aside) > 0.5 * width + BESIDE_M + slack)
    same_lane = others.channels["lane"] == own["lane"][frame]
    inside = np.abs(aside) < 0.5 * width - BESIDE_M - slack
    nearer = stationed & ~same_lane & inside & (ahead_m > 0.0) & (ahead_m < lead_m[frame])
    said = np.zeros(len(frames), np.bool_)
    said[frame[beside | nearer]] = True
    if not said[-1] or 2 * int(said.sum()) < len(frames):
        return None
    last = frame == len(frames) - 1
    at = float(frames.t[-1])
    if (beside & last).any():
        return OtherLead(at, float(aside[beside & last][0]), None)
    return OtherLead(at, None, int(others.id[nearer & last][0]))
