"""Channels held against each other in the run-up to a fire: units, signs, frozen values, jumps.

Each finding names the likely cause. A channel that is not believed decides nothing: conditions on it are undecided. A
feed that gives no evidence (a car that stands, or drives straight on at a constant speed) gives no finding.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import ConditionResult, Finding
from monitor.judging.case.values import held_rows, role_channel
from monitor.judging.rules.frame_timing import longest_run
from monitor.judging.rules.signs import judge_signs
from monitor.measures.columns import BoolArray, FloatArray

FROZEN_S, FROZEN_MPS = 3.0, 0.15
"""A speed that keeps its last digit for so long while the vehicle's moved distance per second, its median over
half seconds, changes by more than that (common practice, no source)."""

UNIT_BAND = (0.8, 1.25)
"""Speed over moved distance per second; further off is another unit."""

UNIT_FACTORS = ((3.6, "km/h"), (2.2369362920544, "mph"), (3.280839895013123, "ft/s"))
"""m/s in other units: 3.6 km/h; 1/0.44704 mph and 1/0.3048 ft/s (international foot and mile, NIST SP 811)."""

JUMP_MPS = 30.0
"""Moving this much faster in one frame than before is no driving."""

LEAST_FRAMES = 10

DEPENDS_ON: dict[str, frozenset[str]] = {
    "own.speed": frozenset(
        (
            *("speed", "time_gap", "time_headway", "closing_speed", "ttc", "ttc_accel", "drac", "required_decel"),
            "time_to_line",
        )
    ),
    "role.speed": frozenset(("role.speed", "closing_speed", "ttc", "ttc_accel", "drac", "required_decel")),
    "own.lane_offset": frozenset(("lane_offset", "distance_to_line", "time_to_line", "sdlp", "lane_departures")),
    "own.yaw_rate": frozenset(("yaw_rate",)),
    "own.steering_angle": frozenset(("steering_angle", "steering_reversal_rate")),
    "own.accelerator": frozenset(("accelerator",)),
    "own.brake": frozenset(("brake",)),
}
"""The measures that look at a channel; "role" stands for the vehicle that the trial is about."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A finding about channels, and the channels that are not believed because of it (keys of `DEPENDS_ON`)."""

    finding: Finding
    channels: frozenset[str]


@dataclass(frozen=True, slots=True)
class Moving:
    """How a vehicle's speed and its moved distance per second go together, step by step; shapes (n,)."""

    who: str
    key: str
    t: FloatArray
    speed: FloatArray
    moved: FloatArray


def leave_open(
    conditions: tuple[ConditionResult, ...], doubted: Iterable[str], role: str
) -> tuple[ConditionResult, ...]:
    """The conditions, those undecided that look at a channel which is not believed."""
    measures = frozenset(measure for channel in doubted for measure in DEPENDS_ON[channel])

    def is_doubted(one: ConditionResult) -> bool:
        text = one.measure.replace(f"{role}.", "role.", 1) if one.measure.startswith(f"{role}.") else one.measure
        return text in measures

    return tuple(replace(one, result="undecided", at_edge=False) if is_doubted(one) else one for one in conditions)


def judge_channels(case: Case, run_up: Stretch) -> list[Doubt]:
    """All doubts about the channels of own car and of the trial's vehicle; never from frames after the fire."""
    span = run_up.window(case.run_up_t, case.fired_at)
    if span.stop - span.start < LEAST_FRAMES:
        return []
    doubts = []
    for moving in (_own_moving(run_up, span), _role_moving(case, run_up, span)):
        if moving is not None:
            doubts += _judge_moving(case, moving)
    return [*doubts, *(Doubt(finding, channels) for finding, channels in judge_signs(case, run_up, span))]


def _own_moving(run_up: Stretch, span: slice) -> Moving | None:
    own, t = run_up.frames.own, run_up.t[span]
    moved = np.hypot(np.diff(own["x"][span]), np.diff(own["y"][span])) / np.diff(t)
    follows = np.diff(run_up.frames.seq[span]) == 1
    return _moving("own", "own.speed", t[1:], own["speed"][span][1:], moved, follows)


def _role_moving(case: Case, run_up: Stretch, span: slice) -> Moving | None:
    rows = held_rows(run_up, case.role, case.held_id)
    x, y, speed = (role_channel(run_up.frames, name, rows).value[span] for name in ("x", "y", "speed"))
    t = run_up.t[span]
    moved = np.hypot(np.diff(x), np.diff(y)) / np.diff(t)
    follows = np.diff(run_up.frames.seq[span]) == 1
    return _moving(f"{case.name_of(case.held_id)}'s", "role.speed", t[1:], speed[1:], moved, follows)


def _moving(
    who: str, key: str, t: FloatArray, speed: FloatArray, moved: FloatArray, follows: BoolArray
) -> Moving | None:
    known = follows & np.isfinite(moved) & np.isfinite(speed)
    if int(known.sum()) < LEAST_FRAMES:
        return None
    return Moving(who, key, t[known], speed[known], moved[known])


def _judge_moving(case: Case, moving: Moving) -> list[Doubt]:
    """A jump, another unit, or a frozen speed, the first that shows."""
    channels = frozenset((moving.key,))
    usual = float(np.median(moving.moved))
    jump = (moving.moved > usual + JUMP_MPS) & (moving.t >= case.start_t)
    if jump.any():
        at = int(np.flatnonzero(jump)[0])
        sentence = (
            f"The {moving.who} place jumped at {moving.t[at]:.2f} s: it moved at {moving.moved[at]:.0f} m/s for "
            "one frame."
        )
        return [Doubt(case.finding("implausible-jump", sentence, float(moving.t[at])), frozenset())]
    ratio = float(np.median(moving.speed)) / usual if usual > 1.0 else 1.0
    if not UNIT_BAND[0] < ratio < UNIT_BAND[1]:
        cause = next((f": {unit}?" for factor, unit in UNIT_FACTORS if abs(ratio / factor - 1.0) < 0.05), ".")
        sentence = f"The {moving.who} speed is {ratio:.1f} times the moved distance per second{cause}"
        return [Doubt(case.finding("unit-implausible", sentence, float(moving.t[0])), channels)]
    return _frozen(case, moving, channels)


def _frozen(case: Case, moving: Moving, channels: frozenset[str]) -> list[Doubt]:
    run = longest_run(np.diff(moving.speed) == 0.0)
    if run is None or moving.speed[run[0]] <= 1.0:
        return []
    begin, stop = run[0], run[0] + run[1] + 1
    lasted_s = float(moving.t[stop - 1] - moving.t[begin])
    if lasted_s < FROZEN_S:
        return []
    size = max(round(0.5 * (stop - begin) / lasted_s), 1)
    usual = [float(np.median(moving.moved[first : first + size])) for first in range(begin, stop - size + 1, size)]
    changed = max(usual) - min(usual)
    if not changed > FROZEN_MPS:
        return []
    sentence = (
        f"The {moving.who} speed kept exactly {moving.speed[begin]:.2f} m/s for {lasted_s:.1f} s from "
        f"{moving.t[begin]:.2f} s "
        f"while the moved distance per second changed by {changed:.2f} m/s: a frozen channel?"
    )
    return [Doubt(case.finding("channel-frozen", sentence, float(moving.t[begin])), channels)]
