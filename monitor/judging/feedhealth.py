"""Whether the feed can be believed about a trial: losses on our side, a simulator that overran or froze, channels that
do not fit together. Each finding names the likely cause."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.judging.case import Case
from monitor.judging.trial import ConditionResult, Finding
from monitor.measures.columns import BoolArray, FloatArray

STUTTER_PERIODS = 1.5
"""A step of simulation time above this many periods, with no sequence number missing, is an overrun (common practice,
no source)."""

WALL_STUTTER_S = 0.1
"""The simulator's wall clock may run this much ahead of its own time in one frame before it counts as a freeze: below
about three frames of 30 Hz a freeze is not seen by a driver (common practice, no source)."""

REPEATED_FRAMES = 3
"""Frames in which nothing moves although the own speed is above walking pace."""

FROZEN_S = 1.0
"""A speed that keeps its last digit for this long while the car's moved distance per second changes."""

UNIT_FACTORS = ((3.6, "km/h"), (2.2369362920544, "mph"), (3.280839895013123, "ft/s"))
"""m/s in other units: 3.6 km/h; 1/0.44704 mph and 1/0.3048 ft/s (international foot and mile, NIST SP 811)."""


SPEED_DOUBTED = ("unit-implausible", "channel-frozen")
"""With one of these findings the own speed is not believed, and nothing that is computed from it decides."""

FROM_OWN_SPEED = frozenset(
    ("speed", "time_gap", "time_headway", "closing_speed", "ttc", "ttc_accel", "drac", "required_decel", "time_to_line")
)


def leave_open(conditions: tuple[ConditionResult, ...], findings: list[Finding]) -> tuple[ConditionResult, ...]:
    """The conditions, those undecided that look at a channel which a finding says cannot be believed."""
    if not any(finding.code in SPEED_DOUBTED for finding in findings):
        return conditions
    return tuple(
        replace(one, result="undecided", at_edge=False) if one.measure in FROM_OWN_SPEED else one for one in conditions
    )


def judge_feed(case: Case) -> list[Finding]:
    """All findings about the feed inside the trial's window."""
    return [*_gaps(case), *_markers(case), *_pauses(case), *_stutter(case), *_channels(case)]


def _gaps(case: Case) -> list[Finding]:
    stretch = case.stretch
    if stretch is None:
        return [case.finding("witness-gap", "No frame was received about the trigger.", case.fired_at)]
    losses = [loss for loss in stretch.losses if loss.touches(case.start_t, case.end_t)]
    findings = []
    if losses:
        count = sum(loss.count for loss in losses)
        sentence = (
            f"{count} {'frame' if count == 1 else 'frames'} did not reach the recorder between {losses[0].after_t:.2f} "
            f"and {losses[-1].before_t:.2f} s, inside the trial's window."
        )
        findings.append(case.finding("witness-gap", sentence, losses[0].after_t))
    elif stretch.covered_from > case.start_t + stretch.period_s:
        sentence = (
            f"The trial's window begins at {case.start_t:.2f} s, but frames to judge begin at "
            f"{stretch.covered_from:.2f} s."
        )
        findings.append(case.finding("witness-gap", sentence, case.start_t))
    if case.over and stretch.covered_to < case.end_t - 1.5 * stretch.period_s:
        sentence = f"The drive ended at {stretch.covered_to:.2f} s, inside the trial's window ({case.end_t:.2f} s)."
        findings.append(case.finding("window-cut", sentence, stretch.covered_to))
    return findings


def _markers(case: Case) -> list[Finding]:
    findings = []
    lost = [step for step in case.lost if not (step.before_t < case.start_t or step.after_t > case.end_t)]
    if lost and case.passed(0.0, 2.0):
        count = len(lost)
        sentence = (
            f"{count} {'marker' if count == 1 else 'markers'} sent until {lost[-1].before_t:.2f} s did not arrive; "
            "what they said is not known."
        )
        findings.append(case.finding("marker-lost", sentence, lost[0].before_t))
    late = [marker for marker in case.markers if marker.late and case.start_t <= marker.t <= case.end_t]
    if late:
        sentence = (
            f"The marker {late[0].kind} {late[0].name} of {late[0].t:.2f} s came {late[0].newest_t - late[0].t:.1f} s "
            "late, more than the 2 s that the feed promises."
        )
        findings.append(case.finding("marker-late", sentence, late[0].t))
    return findings


def _pauses(case: Case) -> list[Finding]:
    for marker in case.of_kind("pause"):
        if case.start_t < marker.t < case.end_t:
            sentence = f"The simulation was paused at {marker.t:.2f} s, inside the trial's window."
            return [case.finding("paused-in-window", sentence, marker.t)]
    return []


def _stutter(case: Case) -> list[Finding]:
    stretch = case.stretch
    if stretch is None:
        return []
    span = stretch.window(case.start_t, case.end_t)
    frames, t = stretch.frames, stretch.t[span]
    if len(t) < 2:
        return []
    follows = np.diff(frames.seq[span]) == 1
    step = np.diff(t)
    overran = follows & (step > STUTTER_PERIODS * stretch.period_s + 1e-9)
    if overran.any():
        at = int(np.flatnonzero(overran)[0])
        sentence = (
            f"The simulator overran: simulation time stepped by {step[at]:.3f} s at {t[at]:.2f} s, "
            f"a frame is {stretch.period_s:.3f} s."
        )
        return [case.finding("display-stutter", sentence, float(t[at]))]
    ahead = np.diff(frames.wall[span]) - step
    froze = follows & (ahead > WALL_STUTTER_S)
    if froze.any():
        at = int(np.flatnonzero(froze)[0])
        sentence = (
            f"The simulator stood still for {ahead[at]:.2f} s at {t[at]:.2f} s: its wall clock ran on and its own "
            "time did not."
        )
        return [case.finding("display-stutter", sentence, float(t[at]))]
    run = _longest_run(_nothing_moved(case, span))
    if run is not None and run[1] >= REPEATED_FRAMES:
        sentence = (
            f"The simulator repeated the same picture for {run[1]} frames from {t[run[0]]:.2f} s: nothing moved while "
            "its time went on."
        )
        return [case.finding("display-stutter", sentence, float(t[run[0]]))]
    return []


def _nothing_moved(case: Case, span: slice) -> BoolArray:
    """Per step: own car reports speed, and its position and speed are the same to the last digit."""
    assert case.stretch is not None
    own = case.stretch.frames.own
    still = own["speed"][span][1:] > 1.0
    for name in ("x", "y", "speed"):
        still = still & (np.diff(own[name][span]) == 0.0)
    return still


def _longest_run(flags: BoolArray) -> tuple[int, int] | None:
    """First index and length of the longest run of True; None where there is none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if len(edges) == 0:
        return None
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    best = int(np.argmax(lengths))
    return int(starts[best]), int(lengths[best])


def _channels(case: Case) -> list[Finding]:
    """Own speed against the distance moved between frames: frozen, in another unit, or jumping."""
    stretch = case.stretch
    if stretch is None:
        return []
    span = stretch.window(case.start_t, case.end_t)
    t, own = stretch.t[span], stretch.frames.own
    if len(t) < 10:
        return []
    step = np.diff(t)
    moved = np.hypot(np.diff(own["x"][span]), np.diff(own["y"][span])) / step
    speed = own["speed"][span][1:]
    known = np.isfinite(moved) & np.isfinite(speed) & (np.diff(stretch.frames.seq[span]) == 1)
    if known.sum() < 10:
        return []
    moved, speed, at_t = moved[known], speed[known], t[1:][known]
    jump = moved > np.median(moved) + 30.0
    if jump.any():
        at = int(np.flatnonzero(jump)[0])
        sentence = f"The own car jumped at {at_t[at]:.2f} s: it moved at {moved[at]:.0f} m/s for one frame."
        return [case.finding("implausible-jump", sentence, float(at_t[at]))]
    ratio = float(np.median(speed) / np.median(moved)) if np.median(moved) > 1.0 else 1.0
    if not 0.8 < ratio < 1.25:
        cause = next((f": {unit}?" for factor, unit in UNIT_FACTORS if abs(ratio / factor - 1.0) < 0.05), "")
        sentence = f"The own speed is {ratio:.1f} times the moved distance per second{cause or '.'}"
        return [case.finding("unit-implausible", sentence, float(at_t[0]))]
    return _frozen(case, at_t, speed, moved)


def _frozen(case: Case, t: FloatArray, speed: FloatArray, moved: FloatArray) -> list[Finding]:
    assert case.stretch is not None
    run = _longest_run(np.diff(speed) == 0.0)
    if run is None or run[1] * case.stretch.period_s < FROZEN_S or speed[run[0]] <= 1.0:
        return []
    inside = moved[run[0] : run[0] + run[1] + 1]
    off = float(np.max(np.abs(inside - speed[run[0]])))
    if off <= max(0.3, 0.02 * float(speed[run[0]])):
        return []
    sentence = (
        f"The own speed kept exactly {speed[run[0]]:.2f} m/s for {run[1] * case.stretch.period_s:.1f} s from "
        f"{t[run[0]]:.2f} s while the car's moved distance per second changed by {off:.2f} m/s: a frozen channel?"
    )
    return [case.finding("channel-frozen", sentence, float(t[run[0]]))]
