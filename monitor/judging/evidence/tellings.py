"""What an input of a measure was by another telling, and from what error on this feed would have shown one.

Two forms only. A channel that is integrated (a speed) is told by the slope of what should be its integral; one that is
an integral (a place, a station) by where the other telling would have taken it from the begin of a window on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.judging.evidence.bodies import BREAK_S, Body, cumulated
from monitor.judging.evidence.closure import BETWEEN, Closure, Windows, close
from monitor.judging.evidence.direct import Means, heading_differences, offset_difference, offset_differences, worst_of
from monitor.judging.evidence.pairs import (
    HEADING_YAW_RATE,
    OFFSET_LINE,
    PLACE_SPEED,
    SPEED_ACCEL,
    STATION_LINE,
    STATION_PLACE,
    STATION_SPEED,
    Pair,
    signed_speed,
)
from monitor.measures.columns import FloatArray

SLOPE_S = {"speed": 2.0, "accel": 0.5, "yaw_rate": 0.5}
"""Longest window of a slope: a braking comes within half a second, a speed is told the better the longer."""
NEAR_HALF = 0.3
"""A lane offset is held against the nearest lane's centre; from this share of a lane's width on it may be either's."""
LIKELY_SIGMAS = 1.645
"""An error of the limit plus this many standard errors is found in 95 of 100 drives."""


@dataclass(frozen=True, slots=True)
class Telling:
    """Another account of one channel of a body, over the body's frames, shapes (n,).

    `by`: what it was told by; `off`: how far it may be off. `change` and `limit` are those of the test that was nearest
    to its limit, or beyond it, in the time asked about, from `from_t` to `to_t`.
    """

    channel: str
    by: str
    pair: str
    unit: str
    value: FloatArray
    off: FloatArray
    change: float
    limit: float
    from_t: float
    to_t: float
    seconds: float
    notices: float
    """The least error of the channel that would have been found."""
    by_slope: bool = False
    """Whether it is told by the slope of another channel."""
    direct: bool = False
    """Whether it is told in each frame anew."""

    @property
    def tells_lasting(self) -> bool:
        """Whether a difference shows that was there all along: to what is counted on, it is the begin."""
        return self.by_slope or self.direct

    @property
    def disagrees(self) -> bool:
        """Whether the two tellings differ by more than noise and allowances."""
        return abs(self.change) > self.limit


RATES: dict[str, tuple[tuple[Pair, str], ...]] = {
    "speed": ((PLACE_SPEED, "x, y"), (STATION_SPEED, "station")),
    "accel": ((SPEED_ACCEL, "speed"),),
    "yaw_rate": ((HEADING_YAW_RATE, "heading"),),
}
"""Channels told by the slope of another one."""

INTEGRALS: dict[str, tuple[tuple[Pair, str], ...]] = {
    "speed": ((SPEED_ACCEL, "accel"),),
    "place": ((PLACE_SPEED, "speed"), (STATION_PLACE, "station")),
    "station": ((STATION_SPEED, "speed"), (STATION_PLACE, "x, y"), (STATION_LINE, "road line")),
    "heading": ((HEADING_YAW_RATE, "yaw_rate"),),
    "lane_offset": ((OFFSET_LINE, "road line"),),
}
"""Channels told by where the other telling would have taken them."""


class Asked(NamedTuple):
    """The time that is asked about in s, from and to; and up to when frames may tell of it."""

    from_t: float
    to_t: float
    limit_t: float


def tellings_of(body: Body, channel: str, asked: Asked, *, that_disagree: bool = False) -> list[Telling]:
    """All other accounts of a channel about the time that is asked about; or those that disagree with what is
    published.

    `channel`: one of `RATES`, `INTEGRALS`, or "place", whose values are metres further along the way than published.
    """
    found = []
    for pair, by, as_rate in _pairs_of(channel):
        closed = close(body, pair)
        if closed is None or (that_disagree and closed.fits):
            continue
        worst = closed.worst(asked.from_t, asked.to_t)
        if worst is None or (that_disagree and not worst[0].disagrees(worst[1])):
            continue
        account = _Account(channel, by, closed, *worst)
        found.append(_slope(body, account, asked.limit_t) if as_rate else _integral(body, account))
    if channel == "lane_offset":
        means = offset_differences(body)
        found += _directly(body, channel, "road line", means, worst_of(means, body.t, asked.from_t, asked.to_t))
    if channel == "heading":
        means = heading_differences(body)
        found += _directly(body, channel, "x, y", means, worst_of(means, body.t, asked.from_t, asked.to_t))
    return [one for one in found if one.disagrees] if that_disagree else found


def _pairs_of(channel: str) -> list[tuple[Pair, str, bool]]:
    """The pairs that a channel is told by, by what, and whether by its slope."""
    rates = [(pair, by, True) for pair, by in RATES.get(channel, ())]
    return [*rates, *((pair, by, False) for pair, by in INTEGRALS.get(channel, ()))]


class _Account(NamedTuple):
    """A channel, what it is told by, their closure, and the window of it that is nearest to its limit."""

    channel: str
    by: str
    closed: Closure
    windows: Windows
    at: int


def _slope(body: Body, account: _Account, limit_t: float) -> Telling:
    """The channel by the slope of what should be its integral.

    The window lies about each frame as far as `limit_t` lets it. Where it lags behind, what the slope changed by over
    as much of the time before is how far it may be off.
    """
    channel, by, closed, windows, at = account
    published = signed_speed(body) if channel == "speed" else body.channel(channel)
    usable = [one for one in closed.windows if one.seconds <= SLOPE_S[channel]]
    chosen = usable[-1] if usable else closed.windows[0]
    seconds = chosen.seconds
    t, residue = body.t, closed.residue
    end_t = np.minimum(t + 0.5 * seconds, min(limit_t, t[-1]))
    end_t = np.maximum(end_t, t[0] + seconds)
    # the integral of what is published and the residue are together the other channel
    dt = np.diff(t)
    rate = np.where(np.isfinite(published), published, 0.0)
    course = residue + cumulated(np.where(dt <= BREAK_S, 0.5 * (rate[1:] + rate[:-1]) * dt, 0.0))
    slope = (np.interp(end_t, t, course) - np.interp(end_t - seconds, t, course)) / seconds
    gained = (np.interp(end_t, t, residue) - np.interp(end_t - seconds, t, residue)) / seconds
    earlier = (np.interp(end_t - 0.5 * seconds, t, course) - np.interp(end_t - 1.5 * seconds, t, course)) / seconds
    limit = np.interp(t, t[chosen.end], chosen.limit) / (BETWEEN * seconds)
    lags = np.clip((t + 0.5 * seconds - end_t) / (0.5 * seconds), 0.0, 1.0)
    return Telling(
        channel=channel,
        by=by,
        pair=closed.pair.name,
        unit=f"{closed.pair.unit}/s",
        # where the two agree, what is published tells how it goes on to the last frame
        value=slope if abs(windows.change[at]) > windows.limit[at] else published + gained,
        off=limit + lags * np.abs(slope - earlier),
        change=float(windows.change[at]) / windows.between_s,
        limit=float(windows.limit[at]) / windows.between_s,
        from_t=float(t[windows.begin[at]]),
        to_t=float(t[windows.end[at]]),
        seconds=windows.seconds,
        notices=_notices(closed, as_rate=True),
        by_slope=True,
    )


def _integral(body: Body, account: _Account) -> Telling:
    """The channel where the integral of the other one would have taken it from the begin of the window on."""
    channel, by, closed, windows, at = account
    begin, limit = int(windows.begin[at]), float(windows.limit[at])
    after = np.arange(len(body)) >= begin
    early = float(windows.early[at])
    shift = np.where(after, -(closed.residue - early), 0.0)
    # what begins with the window has moved the mean of its first quarter already
    begun = abs(early - float(closed.residue[begin]))
    published = 0.0 if channel == "place" else body.channel(channel)
    return Telling(
        channel=channel,
        by=by,
        pair=closed.pair.name,
        unit=closed.pair.unit,
        value=published + shift,
        off=np.where(after, limit + begun, 0.0),
        change=float(windows.change[at]),
        limit=limit,
        from_t=float(body.t[begin]),
        to_t=float(body.t[windows.end[at]]),
        seconds=windows.seconds,
        notices=_notices(closed, as_rate=False),
    )


def _notices(closed: Closure, *, as_rate: bool) -> float:
    """The least error that the pair would have shown at its newest windows."""
    least = []
    for windows in closed.windows:
        error = float(windows.limit[-1] + LIKELY_SIGMAS * windows.noise[-1])
        least.append(error / windows.between_s if as_rate else error)
    return min(least, default=float("inf"))


def _directly(
    body: Body, channel: str, by: str, differences: list[Means], worst: tuple[Means, int] | None
) -> list[Telling]:
    if worst is None:
        return []
    means, at = worst
    off = np.full(len(body), float(differences[0].limit[-1]))
    if channel == "lane_offset":
        difference = offset_difference(body)
        shift = -np.where(np.isfinite(difference), difference, 0.0)
        assert body.way is not None
        # near half a lane it is off by so much to the left, or to the right
        share = np.abs(shift) / body.way.lane_width
        either = (share > NEAR_HALF) & (share <= 0.5)
        shift = np.where(either, shift + 0.5 * np.sign(-shift) * body.way.lane_width, shift)
        off = np.where(either, off + 0.5 * body.way.lane_width, off)
    else:
        shift = np.interp(body.t, body.t[differences[-1].end], differences[-1].difference)
    return [
        Telling(
            channel=channel,
            by=by,
            pair=f"{channel} ~ {by}",
            unit="m" if channel == "lane_offset" else "rad",
            value=body.channel(channel) + shift,
            off=off,
            change=float(means.difference[at]),
            limit=float(means.limit[at]),
            from_t=float(body.t[means.begin[at]]),
            to_t=float(body.t[means.end[at]]),
            seconds=means.seconds,
            notices=min(float(one.limit[-1] + LIKELY_SIGMAS * one.noise[-1]) for one in differences),
            direct=True,
        )
    ]
