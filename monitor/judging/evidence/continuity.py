"""Continuity: a place that jumps, a body that changes, an id under which another vehicle goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import BREAK_S, Body, cumulated, grain_of, hold_of
from monitor.measures.columns import FloatArray, IntArray

JUMP_M = 1.0
JUMP_SIGMAS = 8.0
AROUND = 4
"""The velocity that a step is held against is the median of so many steps before and after it."""
FASTEST_CHANGE_MPS2 = 12.0
ROLLS_MPS = 1.0
SIZE_SHARE = 1e-6
"""A length or width that differs by more than this share of itself is another one: feeds send float32."""


@dataclass(frozen=True, slots=True)
class Break:
    """Something about a body does not go on at frame `at`: "place", "station", "lane offset", "length", "width" or
    "name"."""

    what: str
    at: int
    before: float
    after: float


def breaks(body: Body) -> list[Break]:
    """Every break of a body by frame; computed once."""
    known: list[Break] | None = body.memo.get("breaks")
    if known is None:
        found = [*_jumps(body, "place", ("x", "y")), *_jumps(body, "station", ("station",)), *_sizes(body)]
        # a lane change makes the offset jump, and changes the lane with it
        lane = body.channel("lane")
        found += [
            one
            for one in (_jumps(body, "lane offset", ("lane_offset",)) if body.has("lane") else ())
            if lane[one.at] == lane[one.at - 1]
        ]
        known = body.memo["breaks"] = sorted(found, key=lambda one: (one.at, one.what))
    return known


def is_displaced(body: Body, one: Break) -> bool:
    """Whether a break is a place that jumped while the body rolled: nobody puts a car onto its road at speed."""
    about = body.channel("speed")[max(one.at - 2, 0) : one.at + 2]
    return one.what == "place" and bool((np.abs(about[np.isfinite(about)]) > ROLLS_MPS).any())


def _jumps(body: Body, what: str, names: tuple[str, ...]) -> list[Break]:
    """Steps by which the body would have had to move otherwise than just before and just after.

    Frames in which nothing changed are passed over: traffic that is sent slowly stands in between.
    """
    if not body.has(*names):
        return []
    columns = [body.channel(name) for name in names]
    changed = np.zeros(len(body), dtype=np.bool_)
    for name in names:
        changed |= body.changed(name)
    kept = np.flatnonzero(changed & np.isfinite(sum(columns)))
    if hold_of(changed, body.sampling.period_s) > 1.0:
        kept = kept[1:]  # whether the first frame is a fresh one is not known
    if len(kept) < 2 * AROUND + 2:
        return []
    dt = np.diff(body.t[kept])
    off = np.zeros(len(dt))
    speed = np.zeros(len(dt))
    for column in columns:
        step = np.diff(column[kept])
        if what == "station" and body.way is not None and np.isfinite(body.way.length_m):
            step = np.remainder(step + 0.5 * body.way.length_m, body.way.length_m) - 0.5 * body.way.length_m
        usual = _median_about(step / dt)
        off += (step - usual * dt) ** 2
        speed += usual**2
    if not (off > JUMP_M**2).any():
        return []
    sigma = max(grain_of(body, name).sigma for name in names)
    lost = cumulated(np.maximum(np.diff(body.seq) - 1.0, 0.0))[kept]
    about = np.concatenate([lost[1:], lost[-1:]])[1:] - np.concatenate([lost[:1], lost[:-1]])[:-1]
    limit = (
        JUMP_M
        # where a frame is lost, what is sent slowly arrives a frame later than it was seen
        + body.sampling.period_s * np.sqrt(speed) * np.minimum(about, 4.0)
        + JUMP_SIGMAS * sigma
        + 4.0 * body.sampling.clock_s * np.sqrt(speed)
        + 0.5 * FASTEST_CHANGE_MPS2 * (AROUND + 1.0) * dt**2
    )
    jumped = np.flatnonzero((np.sqrt(off) > limit) & (dt <= BREAK_S))
    return [Break(what, int(kept[at + 1]), 0.0, float(np.sqrt(off[at]))) for at in jumped]


def _median_about(rate: FloatArray) -> FloatArray:
    """The median of each rate's neighbours, itself left out."""
    padded = np.pad(rate, AROUND, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1)
    others = np.concatenate([windows[:, :AROUND], windows[:, AROUND + 1 :]], axis=1)
    others.sort(axis=1)
    about: FloatArray = (others[:, AROUND - 1] + others[:, AROUND]) / 2.0
    return np.where(np.isnan(others[:, -1]), np.nan, about)


def _sizes(body: Body) -> list[Break]:
    found = []
    for name in ("length", "width", "label"):
        if name not in body.channels:
            continue
        column = body.channels[name]
        known = np.flatnonzero(np.isfinite(column))
        values = column[known]
        steps: IntArray = np.flatnonzero(np.abs(np.diff(values)) > SIZE_SHARE * np.maximum(np.abs(values[:-1]), 1.0))
        what = "name" if name == "label" else name
        found += [Break(what, int(known[at + 1]), float(values[at]), float(values[at + 1])) for at in steps]
    return found
