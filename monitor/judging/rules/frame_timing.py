"""How the simulator's time went on about a trial: overruns, freezes, slow motion, jitter, another rate than it says.

What the participant saw is meant here, so these findings cover the whole window of the trial; a loss on the monitor's
side is told apart by the sequence numbers.
"""

from __future__ import annotations

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.pacing import is_off_pace
from monitor.judging.case.stretch import Stretch, cut_signals
from monitor.judging.case.trial import Finding
from monitor.judging.evidence.bodies import middle, sampling_of
from monitor.measures.columns import BoolArray, FloatArray
from monitor.measures.runs import longest_run

LATE_PERIODS, LATE_CLOCKS = 0.5, 2.0
"""A frame is late if its time is off its number by more than half a period and twice what the clock is usually off …"""
LASTING_FRAMES, LASTING_SHARE = 8, 0.6
"""… and this share of it stays over so many frames: a clock that ticks or jitters comes back (common practice, no
source)."""

SHOWN_LATE_S = 0.1
"""Motion shown late by so much may have been seen by the participant; below about three frames of 30 Hz a freeze is not
(common practice, no source). Less is a note."""
SEEN_FROM_S = 1.0
"""It counts from this long before the fire on."""

REPEATED_FRAMES = 3
"""Frames in which nothing moves although the own speed is above walking pace."""

CLOCK_JUMP_S = 0.5
MILLISECONDS = (500.0, 5000.0)
"""Frames so many periods apart: times in milliseconds, by a clock that ticks in steps of up to 16 ms at 240 Hz."""
FEWEST = 8
"""With fewer frames in the trial's stretch those before it are looked at, too."""

SLOW_MOTION, SLOW_MOTION_OVER_S = 0.03, 2.0
"""Simulated time may run this share faster or slower than the wall clock, seen over at least so long (common practice,
no source; clocks that are steered to a time server are off by 0.0005 at most)."""

RECEIVED_FROM_S = 12.0
"""By the recorder's clock, simulated time is looked at from this long before the fire on."""

TICKS_S = 0.02
"""Steps that are off by less may come of a clock that ticks: 15.6 ms is the coarsest in common use."""
JITTER_PERIODS, JITTER_SHARE = 0.2, 0.05
WALL_JITTER_PERIODS, WALL_JITTER_SHARE = 0.5, 0.10
"""More frames than the share being off their step by more than that part of a period: of simulated time, and on the
wall clock, which ticks coarsely on some systems (common practice, no source)."""

RATE_BAND = (0.8, 1.25)
"""The usual step over the period that the hello states."""


def judge_stepping(case: Case) -> list[Finding]:
    """Findings about the steps from frame to frame inside the trial's window, and about how fast time went on."""
    found = _stepping(case)
    late = {"slow-motion", "display-stutter", "frame-late", "clock-jumped"} & {one.code for one in found}
    return found if late else [*found, *_slow_by_receipt(case)]


def _stepping(case: Case) -> list[Finding]:
    stretch = case.stretch
    if stretch is None:
        return []
    span = stretch.window(case.start_t, case.end_t)
    t, wall = stretch.t[span], stretch.frames.wall[span]
    if len(t) < 2:
        return []
    seq = stretch.frames.seq[span]
    follows = (seq[1:] - seq[:-1] == 1) & ~_paused(case, t)
    step, wall_step = t[1:] - t[:-1], wall[1:] - wall[:-1]
    if not follows.any():
        return []
    followed = step[follows]
    usual = middle(followed)
    mismatch = not RATE_BAND[0] < usual / stretch.period_s < RATE_BAND[1]
    ticks = float(followed.mean()) / stretch.period_s
    period = usual if mismatch and not RATE_BAND[0] < ticks < RATE_BAND[1] else stretch.period_s
    findings = [_rate_mismatch(case, usual)] if period == usual and mismatch else []
    late = _overrun(case, span, follows, period) or _freeze(case, t, wall_step - step, follows)
    late = late or _still_picture(case, span)
    if late is not None:
        return [*findings, late]
    return [
        *findings,
        *_slow_motion(case, t, wall),
        *_jitter(case, float(t[0]), followed, wall_step[follows], period),
    ]


def _paused(case: Case, t: FloatArray) -> BoolArray:
    """The steps in which the simulation was paused: there the wall clock runs on, and nobody calls it a freeze."""
    inside = np.zeros(len(t) - 1, dtype=np.bool_)
    slack = 1e-6
    for marker in case.of_kind("pause", "resume"):
        inside |= (t[:-1] <= marker.t + slack) & (t[1:] >= marker.t - slack)
    return inside


def in_milliseconds(case: Case) -> list[Finding]:
    """The finding that times are in milliseconds: then nothing about the trial lies where its windows look for it."""
    t = case.stretch.t if case.stretch is not None else np.empty(0)
    if len(t) < FEWEST:
        t, _ = cut_signals(case.drive, [], -np.inf, case.fired_at, case.number)
    steps = t[1:] - t[:-1]
    if len(steps) < FEWEST:
        # what is kept of a drive may hold one frame then: each of its steps is a jump of the clock
        jumps = [one for one in case.drive.set_backs if one.what == "clock" and one.number <= case.number]
        steps = np.array([one.to - one.before for one in jumps[-FEWEST:]] if len(jumps) >= FEWEST else steps)
    usual = middle(steps) if len(steps) else 0.0
    return [_rate_mismatch(case, usual)] if MILLISECONDS[0] < usual / case.drive.period_s < MILLISECONDS[1] else []


def _rate_mismatch(case: Case, usual: float) -> Finding:
    period = case.drive.period_s
    if MILLISECONDS[0] < usual / period < MILLISECONDS[1]:
        sentence = (
            f"Frames are {usual:.1f} s of simulated time apart and should be {period:.4f} s: times in milliseconds? "
            "Every window of this trial is then a thousand times too short."
        )
        return case.finding("unit-implausible", sentence, case.fired_at)
    sentence = (
        f"Frames are {usual * 1000.0:.1f} ms of simulated time apart; the simulator says {1.0 / period:.0f} Hz, which "
        f"is {period * 1000.0:.1f} ms."
    )
    return case.finding("rate-mismatch", sentence, case.fired_at)


def _overrun(case: Case, span: slice, follows: BoolArray, period: float) -> Finding | None:
    """A step of simulated time that stays: the picture came late and then jumped; or only the clock did."""
    stretch = case.stretch
    assert stretch is not None
    t, seq = stretch.t[span], stretch.frames.seq[span]
    sampling = sampling_of(t, seq)
    off = t - t[0] - sampling.number_s * (seq - seq[0])
    jump = off[1:] - off[:-1]
    large = follows & (jump > LATE_PERIODS * period + LATE_CLOCKS * sampling.clock_s)
    for at in large.nonzero()[0].tolist():
        before, after = off[max(at - LASTING_FRAMES + 1, 0) : at + 1], off[at + 1 : at + 1 + LASTING_FRAMES]
        if float(np.median(after)) - float(np.median(before)) < LASTING_SHARE * jump[at]:
            continue
        step = float(t[at + 1] - t[at])
        if step > CLOCK_JUMP_S and _stayed(stretch, span.start + at, step):
            sentence = (
                f"The simulation's time jumped by {step:.2f} s at {t[at]:.2f} s, and own car did not move so far: its "
                "clock jumped, and every window across it is wrong."
            )
            return case.finding("clock-jumped", sentence, float(t[at]))
        stepped = f"simulation time stepped by {step:.3f} s at {t[at]:.2f} s, a frame is {period:.3f} s."
        late = _late(case, f"The simulator overran: {stepped}", float(t[at]), step - period)
        if case.drive.hello is None or not case.drive.hello.unnumbered or late.severity != "void":
            return late
        sentence = (
            f"The simulator overran, or frames were lost on their way: {stepped} Which of the two cannot be told of a "
            "source that does not number its frames."
        )
        return case.finding("witness-gap", sentence, float(t[at]))
    return None


def _stayed(stretch: Stretch, at: int, step: float) -> bool:
    """Whether own car moved much less over a step of time than its speed says."""
    own = stretch.frames.own
    moved = float(np.hypot(own["x"][at + 1] - own["x"][at], own["y"][at + 1] - own["y"][at]))
    return moved < 0.5 * abs(float(own["speed"][at])) * step


def _late(case: Case, sentence: str, t: float, late_s: float) -> Finding:
    """Void where the participant was shown motion late about the event, a note else."""
    shown = late_s >= SHOWN_LATE_S and t >= case.fired_at - SEEN_FROM_S
    return case.finding("display-stutter" if shown else "frame-late", sentence, t)


def _freeze(case: Case, t: FloatArray, ahead: FloatArray, follows: BoolArray) -> Finding | None:
    froze = (follows & (ahead > SHOWN_LATE_S)).nonzero()[0]
    if not len(froze):
        return None
    about = froze[t[froze] >= case.fired_at - SEEN_FROM_S]
    at = int((about if len(about) else froze)[0])
    sentence = (
        f"The simulator stood still for {ahead[at]:.2f} s at {t[at]:.2f} s: its wall clock ran on and its own time "
        "did not."
    )
    return _late(case, sentence, float(t[at]), float(ahead[at]))


def _still_picture(case: Case, span: slice) -> Finding | None:
    """Frames in which nothing at all moves, others included: own car's channels alone may only be sent so."""
    stretch = case.stretch
    assert stretch is not None
    t, own = stretch.t[span], stretch.frames.own
    still = own["speed"][span][1:] > 1.0
    for name in ("x", "y", "speed"):
        column = own[name][span]
        still &= column[1:] == column[:-1]
    run = longest_run(still)
    if run is None or run[1] < REPEATED_FRAMES or _others_move(stretch, span.start + run[0], run[1]):
        return None
    sentence = (
        f"The simulator repeated the same picture for {run[1]} frames from {t[run[0]]:.2f} s: nothing moved while its "
        "time went on."
    )
    return _late(case, sentence, float(t[run[0]]), float(t[run[0] + run[1]] - t[run[0]]))


def _others_move(stretch: Stretch, first: int, frames: int) -> bool:
    """Whether any other vehicle moves in the frames after `first`."""
    others = stretch.frames.others

    def places(frame: int) -> dict[int, tuple[float, float]]:
        rows = slice(int(others.start[frame]), int(others.start[frame + 1]))
        x, y = others.channels["x"][rows], others.channels["y"][rows]
        return dict(zip(others.id[rows].tolist(), zip(x.tolist(), y.tolist(), strict=True), strict=True))

    before, after = places(first), places(first + frames)
    return any(after.get(number, place) != place for number, place in before.items())


def _slow_motion(case: Case, t: FloatArray, wall: FloatArray) -> list[Finding]:
    if any(t[0] <= marker.t <= t[-1] for marker in case.of_kind("pause", "resume")):
        return []
    took_s, went_s = float(wall[-1] - wall[0]), float(t[-1] - t[0])
    if not (took_s > 0.0 and went_s >= SLOW_MOTION_OVER_S) or abs(went_s / took_s - 1.0) <= SLOW_MOTION:
        return []
    way = "slower" if went_s < took_s else "faster"
    sentence = (
        f"Simulated time ran {way} than the simulator's wall clock: {went_s:.2f} s from {t[0]:.2f} s took {took_s:.2f} "
        f"s ({went_s / took_s:.2f} times real time)."
    )
    return [case.finding("slow-motion", sentence, float(t[0]))]


def _slow_by_receipt(case: Case) -> list[Finding]:
    """Slow motion by the recorder's clock, where the run's opening says at which pace the feed is meant to come."""
    from_t = min(case.start_t, case.fired_at - RECEIVED_FROM_S)
    if any(from_t <= marker.t for marker in case.of_kind("pause", "resume")):
        return []
    went = case.drive.pacing.since(from_t, case.number)
    if went is None:
        return []
    factor = went.went_s / went.took_s
    if not is_off_pace(factor):
        return []
    sentence = (
        f"Simulated time ran {'slower' if factor < 1.0 else 'faster'} than the recorder's clock: {went.went_s:.2f} s "
        f"from {went.from_t:.2f} s were received in {went.took_s:.2f} s ({factor:.2f} times real time)."
    )
    return [case.finding("slow-motion", sentence, went.from_t)]


def _jitter(case: Case, from_t: float, step: FloatArray, wall_step: FloatArray, period: float) -> list[Finding]:
    """How unevenly frames that follow on each other came, by simulated time and by the simulator's clock."""
    off = np.abs(step - period)
    wall_off = np.abs(wall_step - step)
    wall_off = wall_off[np.isfinite(wall_off)]
    share = np.count_nonzero(off > max(JITTER_PERIODS * period, TICKS_S)) / max(len(off), 1)
    wall_share = np.count_nonzero(wall_off > WALL_JITTER_PERIODS * period) / max(len(wall_off), 1)
    if share > JITTER_SHARE:
        sentence = (
            f"{share:.0%} of the frames stepped by other than {period * 1000.0:.1f} ms of simulated time, by up to "
            f"{float(off.max()) * 1000.0:.1f} ms."
        )
    elif wall_share > WALL_JITTER_SHARE:
        sentence = (
            f"{wall_share:.0%} of the frames were drawn more than half a period off their time by the simulator's "
            f"clock, by up to {float(wall_off.max()) * 1000.0:.1f} ms."
        )
    else:
        return []
    return [case.finding("frame-jitter", sentence, from_t)]
