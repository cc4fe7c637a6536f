"""The pairs of channels that tell the same thing, each with what real feeds are off by without being at fault.

One table. In each pair the first channel should change by the integral of the second (or of nothing). Allowances: a
share of the way, a constant rate, a delay between the two, a step, and what the geometry of road and lanes may add.
Where the figures come from: 0.3 m is a seam between two edges of a traffic simulator (measured: 0.35 m); 6 m is the
assumed greatest distance from a reference line, along which parallel curves differ in length by turn times distance
(derived); the others are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from monitor.judging.evidence.bodies import MAD, Body, cumulated, middle, turn_of
from monitor.measures.columns import BoolArray, FloatArray

LINE_DISTANCE_M = 6.0
"""Greatest distance of a lane from the road's reference line."""

ALONG, ELSEWHERE_M = 0.9, 5.0
"""A body that heads more than 26° off the line, or whose nearest place jumps by this, is held against no line."""

REVERSING_S = 0.5
"""Backwards is told over so long: in one frame, noise moves a standing body either way."""


@dataclass(frozen=True, slots=True)
class Allowance:
    """What a pair may differ by. Units: those of the first channel, per second where they are rates."""

    share: float = 0.0
    """Of the integral of the second channel's size."""
    rate: float = 0.0
    delay_s: float = 0.0
    step: float = 0.0
    share_of_way: float = 0.0
    """Of the way that the body moved, in m."""
    by_turn: float = 0.0
    """Times the turn of the body's heading in rad."""


@dataclass(frozen=True, slots=True)
class Series:
    """A pair's two columns: the steps of the first (n − 1,), the second (n,), and where a step may be used."""

    step: FloatArray
    rate: FloatArray
    usable: BoolArray


@dataclass(frozen=True, slots=True)
class Pair:
    """Two tellings of one thing. `first` and `second` name the channels that a person would look at."""

    name: str
    first: str
    second: str
    unit: str
    allowance: Allowance
    series: Callable[[Body], Series | None]
    rate_channel: str | None = None
    """The channel whose noise is that of the integrated column; None where nothing is integrated."""
    step_channels: tuple[str, ...] = ()


def headed_steps(body: Body) -> FloatArray:
    """The way from frame to frame along the body's own heading, in m: noise aside does not add to it."""
    known: FloatArray | None = body.memo.get("steps")
    if known is None:
        heading = body.channel("heading")
        halfway = heading[:-1] + 0.5 * turn_of(np.diff(heading))
        known = np.diff(body.channel("x")) * np.cos(halfway) + np.diff(body.channel("y")) * np.sin(halfway)
        body.memo["steps"] = known
    return known


def signed_speed(body: Body) -> FloatArray:
    """Speed along the body's heading: some feeds give its size, so that a car that backs up has a positive one."""
    known: FloatArray | None = body.memo.get("speed")
    if known is not None:
        return known
    speed = body.channel("speed")
    steps = headed_steps(body)
    steps = np.where(np.isfinite(steps), steps, 0.0)
    way, t = cumulated(steps), body.t
    noise = 1.0 if len(t) < 8 else MAD * middle(np.abs(np.diff(way, 3))) / 20.0**0.5
    begin = t.searchsorted(t - 0.5 * REVERSING_S, side="left")
    end = np.minimum(t.searchsorted(t + 0.5 * REVERSING_S, side="right") - 1, len(t) - 1)
    moved = way[end] - way[begin]
    backwards = (moved < -max(6.0 * noise, 0.02)) & (np.median(speed[np.isfinite(speed)]) >= -0.1 if len(t) else False)
    known = body.memo["speed"] = np.where(backwards, -np.abs(speed), speed)
    return known


def _finite(*columns: FloatArray) -> BoolArray:
    """Steps whose both ends are measured in all columns."""
    known = np.ones(len(columns[0]), dtype=np.bool_)
    for column in columns:
        known &= np.isfinite(column)
    both: BoolArray = known[1:] & known[:-1]
    return both


def _place_speed(body: Body) -> Series | None:
    if not body.has("x", "y", "heading", "speed"):
        return None
    steps, speed = headed_steps(body), signed_speed(body)
    return Series(steps, speed, np.isfinite(steps) & _finite(speed))


def _speed_accel(body: Body) -> Series | None:
    if not body.has("speed", "accel"):
        return None
    # the sign of both turns where a feed gives the size of a backward speed
    speed, accel = body.channel("speed"), body.channel("accel")
    return Series(np.diff(speed), accel, _finite(speed, accel))


def _heading_yaw_rate(body: Body) -> Series | None:
    if not body.has("heading", "yaw_rate"):
        return None
    heading, rate = body.channel("heading"), body.channel("yaw_rate")
    return Series(turn_of(np.diff(heading)), rate, _finite(heading, rate))


def _with_line(body: Body, stations: FloatArray, steps: FloatArray) -> float:
    """1.0 where stations rise as the body moves, −1.0 where they fall, as those of oncoming traffic do."""
    use = np.isfinite(stations) & np.isfinite(steps)
    return -1.0 if float(np.sum(stations[use] * steps[use])) < 0.0 and not body.who == "own car" else 1.0


def _station_steps(body: Body) -> FloatArray:
    """Steps of the station; a circuit's start line is no jump."""
    steps = np.diff(body.channel("station"))
    if body.way is not None and np.isfinite(body.way.length_m):
        length = body.way.length_m
        steps = np.remainder(steps + 0.5 * length, length) - 0.5 * length
    return steps


def _station_speed(body: Body) -> Series | None:
    if not body.has("station", "speed"):
        return None
    steps, speed = _station_steps(body), signed_speed(body)
    sign = _along(body, steps)
    return Series(sign * steps, speed, np.isfinite(steps) & _finite(speed))


def _station_place(body: Body) -> Series | None:
    if not body.has("station", "x", "y", "heading"):
        return None
    steps, moved = _station_steps(body), headed_steps(body)
    return Series(_along(body, steps) * steps - moved, np.zeros(len(body)), np.isfinite(steps) & np.isfinite(moved))


def _along(body: Body, steps: FloatArray) -> float:
    if body.way is not None and body.has("heading"):
        return direction_of(body)
    return _with_line(body, steps, headed_steps(body)) if body.has("x", "y", "heading") else 1.0


def direction_of(body: Body) -> float:
    """−1.0 where the body drives against the road's line, as it is drawn; 1.0 where nothing tells."""
    known: float | None = body.memo.get("direction")
    if known is None:
        known = 1.0
        if body.way is not None and body.has("heading"):
            with_it = np.cos(body.channel("heading") - body.way.heading)
            with_it = with_it[np.isfinite(with_it)]
            known = -1.0 if len(with_it) and middle(with_it) < 0.0 else 1.0
        body.memo["direction"] = known
    return known


def _station_line(body: Body) -> Series | None:
    if body.way is None or not body.has("station", "x", "y"):
        return None
    steps, line = _station_steps(body), np.diff(body.way.s)
    if np.isfinite(body.way.length_m):
        line = np.remainder(line + 0.5 * body.way.length_m, body.way.length_m) - 0.5 * body.way.length_m
    # lines may be counted from either end
    sign = -1.0 if float(np.nansum(steps * line)) < 0.0 else 1.0
    return Series(sign * steps - line, np.zeros(len(body)), np.isfinite(steps) & np.isfinite(line) & _on_line(body))


def _on_line(body: Body) -> BoolArray:
    """Steps on one part of the line, and along it: where a road crosses itself, the nearest place jumps to the part
    that it crosses."""
    assert body.way is not None
    line, moved = np.diff(body.way.s), headed_steps(body)
    if np.isfinite(body.way.length_m):
        line = np.remainder(line + 0.5 * body.way.length_m, body.way.length_m) - 0.5 * body.way.length_m
    along = np.abs(np.cos(body.channel("heading") - body.way.heading)) > ALONG
    near: BoolArray = (np.abs(line) < 2.0 * np.abs(moved) + ELSEWHERE_M) & along[1:] & along[:-1]
    return near


def _offset_line(body: Body) -> Series | None:
    if body.way is None or not body.has("lane_offset", "x", "y", "heading"):
        return None
    offset, lane = body.channel("lane_offset"), body.channel("lane")
    along = np.where(np.cos(body.channel("heading") - body.way.heading) < 0.0, -1.0, 1.0)
    by_line = along * body.way.d
    same_lane = (np.diff(lane) == 0.0) | np.isnan(np.diff(lane))
    # a lane change that only the offset tells of
    stays = np.abs(np.diff(offset)) < 0.5 * body.way.lane_width
    usable = _finite(offset, by_line) & same_lane & stays & (along[1:] == along[:-1]) & _on_line(body)
    return Series(np.diff(offset) - np.diff(by_line), np.zeros(len(body)), usable)


PLACE_SPEED = Pair(
    "place ~ speed", "place", "speed", "m",
    Allowance(share=0.01, rate=0.02, delay_s=0.02, step=0.3, share_of_way=0.003),
    _place_speed, "speed", ("x", "y"),
)  # fmt: skip
SPEED_ACCEL = Pair(
    "speed ~ accel", "speed", "accel", "m/s",
    Allowance(share=0.03, rate=0.05, delay_s=0.03),
    _speed_accel, "accel", ("speed",),
)  # fmt: skip
HEADING_YAW_RATE = Pair(
    "heading ~ yaw rate", "heading", "yaw_rate", "rad",
    Allowance(share=0.02, rate=0.002, delay_s=0.03, step=0.005),
    _heading_yaw_rate, "yaw_rate", ("heading",),
)  # fmt: skip
STATION_SPEED = Pair(
    "station ~ speed", "station", "speed", "m",
    Allowance(share=0.01, rate=0.02, delay_s=0.02, step=0.3, share_of_way=0.006, by_turn=LINE_DISTANCE_M),
    _station_speed, "speed", ("station",),
)  # fmt: skip
STATION_PLACE = Pair(
    "station ~ place", "station", "place", "m",
    Allowance(rate=0.02, step=0.3, share_of_way=0.011, by_turn=LINE_DISTANCE_M),
    _station_place, None, ("station", "x"),
)  # fmt: skip
STATION_LINE = Pair(
    "station ~ road line", "station", "place", "m",
    Allowance(rate=0.02, share_of_way=0.004),
    _station_line, None, ("station", "x"),
)  # fmt: skip
OFFSET_LINE = Pair(
    "lane offset ~ road line", "lane_offset", "place", "m",
    Allowance(rate=0.02, step=0.05, share_of_way=0.003),
    _offset_line, None, ("lane_offset", "x"),
)  # fmt: skip

PAIRS = (PLACE_SPEED, SPEED_ACCEL, HEADING_YAW_RATE, STATION_SPEED, STATION_PLACE, STATION_LINE, OFFSET_LINE)
"""Every pair, the plainest first."""

OF_OTHERS = (PLACE_SPEED, SPEED_ACCEL, STATION_SPEED, STATION_PLACE, STATION_LINE)
"""Those that another vehicle has the channels for."""
