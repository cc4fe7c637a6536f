"""How the simulator's time went on about a trial: overruns, freezes, slow motion, jitter, another rate than it says.

What the participant saw is meant here, so these findings cover the whole window of the trial; a loss on the monitor's
side is told apart by the sequence numbers.
"""

from __future__ import annotations

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.trial import Finding
from monitor.measures.columns import BoolArray, FloatArray

STUTTER_PERIODS = 1.5
"""A step of simulation time above this many periods, with no sequence number missing, is an overrun (common practice,
no source)."""

WALL_STUTTER_S = 0.1
"""The simulator's wall clock may run this much ahead of its own time in one frame before it counts as a freeze: below
about three frames of 30 Hz a freeze is not seen by a driver (common practice, no source)."""

REPEATED_FRAMES = 3
"""Frames in which nothing moves although the own speed is above walking pace."""

SLOW_MOTION, SLOW_MOTION_OVER_S = 0.03, 2.0
"""Simulated time may run this share faster or slower than the wall clock, seen over at least so long (common practice,
no source; clocks that are steered to a time server are off by 0.0005 at most)."""

JITTER_PERIODS, JITTER_SHARE = 0.2, 0.05
WALL_JITTER_PERIODS, WALL_JITTER_SHARE = 0.5, 0.10
"""More frames than the share being off their step by more than that part of a period: of simulated time, and on the
wall clock, which ticks coarsely on some systems (common practice, no source)."""

RATE_BAND = (0.8, 1.25)
"""The usual step over the period that the hello states."""


def judge_stepping(case: Case) -> list[Finding]:
    """Findings about the steps from frame to frame inside the trial's window."""
    stretch = case.stretch
    if stretch is None:
        return []
    span = stretch.window(case.start_t, case.end_t)
    t, wall = stretch.t[span], stretch.frames.wall[span]
    if len(t) < 2:
        return []
    follows = (np.diff(stretch.frames.seq[span]) == 1) & ~_paused(case, t)
    step, wall_step = np.diff(t), np.diff(wall)
    if not follows.any():
        return []
    usual = float(np.median(step[follows]))
    mismatch = not RATE_BAND[0] < usual / stretch.period_s < RATE_BAND[1]
    period = usual if mismatch else stretch.period_s
    findings = [_rate_mismatch(case, usual)] if mismatch else []
    stutter = (
        _overrun(case, t, step, follows, period)
        or _freeze(case, t, wall_step - step, follows)
        or _still_picture(case, span)
    )
    if stutter is not None:
        return [*findings, stutter]
    return [*findings, *_slow_motion(case, t, wall), *_jitter(case, t, step, wall_step, follows, period)]


def longest_run(flags: BoolArray) -> tuple[int, int] | None:
    """First index and length of the longest run of True; None where there is none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if len(edges) == 0:
        return None
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    best = int(np.argmax(lengths))
    return int(starts[best]), int(lengths[best])


def _paused(case: Case, t: FloatArray) -> BoolArray:
    """The steps in which the simulation was paused: there the wall clock runs on, and nobody calls it a freeze."""
    inside = np.zeros(len(t) - 1, dtype=np.bool_)
    slack = 1e-6
    for marker in case.of_kind("pause", "resume"):
        inside |= (t[:-1] <= marker.t + slack) & (t[1:] >= marker.t - slack)
    return inside


def _rate_mismatch(case: Case, usual: float) -> Finding:
    assert case.stretch is not None
    sentence = (
        f"Frames are {usual * 1000.0:.1f} ms of simulated time apart; the simulator says "
        f"{1.0 / case.stretch.period_s:.0f} Hz, which is {case.stretch.period_s * 1000.0:.1f} ms."
    )
    return case.finding("rate-mismatch", sentence, case.fired_at)


def _overrun(case: Case, t: FloatArray, step: FloatArray, follows: BoolArray, period: float) -> Finding | None:
    overran = follows & (step > STUTTER_PERIODS * period + 1e-9)
    if not overran.any():
        return None
    at = int(np.flatnonzero(overran)[0])
    sentence = (
        f"The simulator overran: simulation time stepped by {step[at]:.3f} s at {t[at]:.2f} s, a frame is "
        f"{period:.3f} s."
    )
    return case.finding("display-stutter", sentence, float(t[at]))


def _freeze(case: Case, t: FloatArray, ahead: FloatArray, follows: BoolArray) -> Finding | None:
    froze = follows & (ahead > WALL_STUTTER_S)
    if not froze.any():
        return None
    at = int(np.flatnonzero(froze)[0])
    sentence = (
        f"The simulator stood still for {ahead[at]:.2f} s at {t[at]:.2f} s: its wall clock ran on and its own "
        "time did not."
    )
    return case.finding("display-stutter", sentence, float(t[at]))


def _still_picture(case: Case, span: slice) -> Finding | None:
    assert case.stretch is not None
    t, own = case.stretch.t[span], case.stretch.frames.own
    still = own["speed"][span][1:] > 1.0
    for name in ("x", "y", "speed"):
        still = still & (np.diff(own[name][span]) == 0.0)
    run = longest_run(still)
    if run is None or run[1] < REPEATED_FRAMES:
        return None
    sentence = (
        f"The simulator repeated the same picture for {run[1]} frames from {t[run[0]]:.2f} s: nothing moved "
        "while its time "
        "went on."
    )
    return case.finding("display-stutter", sentence, float(t[run[0]]))


def _slow_motion(case: Case, t: FloatArray, wall: FloatArray) -> list[Finding]:
    if any(t[0] <= marker.t <= t[-1] for marker in case.of_kind("pause", "resume")):
        return []
    took_s, went_s = float(wall[-1] - wall[0]), float(t[-1] - t[0])
    if not (took_s > 0.0 and went_s >= SLOW_MOTION_OVER_S) or abs(went_s / took_s - 1.0) <= SLOW_MOTION:
        return []
    way = "slower" if went_s < took_s else "faster"
    sentence = (
        f"Simulated time ran {way} than the simulator's wall clock: {went_s:.2f} s from {t[0]:.2f} s took "
        f"{took_s:.2f} s "
        f"({went_s / took_s:.2f} times real time)."
    )
    return [case.finding("slow-motion", sentence, float(t[0]))]


def _jitter(
    case: Case, t: FloatArray, step: FloatArray, wall_step: FloatArray, follows: BoolArray, period: float
) -> list[Finding]:
    off = np.abs(step - period)[follows]
    wall_off = np.abs(wall_step - step)[follows]
    wall_off = wall_off[np.isfinite(wall_off)]
    share = float(np.mean(off > JITTER_PERIODS * period))
    wall_share = float(np.mean(wall_off > WALL_JITTER_PERIODS * period)) if len(wall_off) else 0.0
    if share > JITTER_SHARE:
        sentence = (
            f"{share:.0%} of the frames stepped by other than {period * 1000.0:.1f} ms of simulated time, by up to "
            f"{float(off.max()) * 1000.0:.1f} ms."
        )
    elif wall_share > WALL_JITTER_SHARE:
        sentence = (
            f"{wall_share:.0%} of the frames were drawn more than half a period off their time by the "
            "simulator's clock, "
            f"by up to {float(wall_off.max()) * 1000.0:.1f} ms."
        )
    else:
        return []
    return [case.finding("frame-jitter", sentence, float(t[0]))]
