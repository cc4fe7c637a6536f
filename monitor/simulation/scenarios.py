"""The scenarios of the simulator: each is `clean` with a few stated deviations, and nothing else.

A scenario says nothing about verdicts. What was injected goes to the truth file; the feed never names it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any, Literal

KM_H = 1 / 3.6
GATE_STATION_M = 700.0
"""Where `gate-brake` fires."""


@dataclass(frozen=True, slots=True)
class ChannelFault:
    """A channel on the wire that lies from a station of the own car on; the car itself is not touched.

    `does`: "holds" the value that it had there, "times" or "adds" `value`, or "reads" `value` whatever happens.
    """

    channel: str
    """ "own.<name>" or "signals.<name>"."""
    does: Literal["holds", "times", "adds", "reads"]
    value: float = 0.0
    from_station_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Relabel:
    """The vehicle `was` is sent as another one, with another name and box, from a station of the own car on."""

    was: int
    becomes: int
    name: str
    length_m: float
    width_m: float
    from_station_m: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """One drive's deviations. The defaults are those of `clean`."""

    name: str
    words: str
    """What is wrong, in one line."""

    feed_scenario: str = "dusk-road"
    """What the hello says to be driven; the monitor compares it with the plan."""
    cruise_mps: float = 80 * KM_H
    time_gap_s: float = 1.60
    closing_mps: float = 0.0
    """Above zero: the van is not tethered but slower by this; the gap comes down to `time_gap_s` at the trigger."""
    bend_at_m: float = 180.0
    cuts_in: bool = False
    """A hatchback comes out of a side road and in between, from 2 s to 1 s before the trigger."""
    ends_at_m: float | None = None
    """The drive is ended there."""
    aborts_after_s: float = math.inf
    """The drive is aborted this long after the fire."""
    starts_at_m: float = 0.0
    """Nothing is on the wire before the own car is there."""

    fires: int = 1
    """How often `gate-brake` fires: the second time 4 s after the first."""
    fires_as: str = "gate-brake"
    """The name in its marker."""
    gust_fires: bool = True
    fire_shift_s: float = 0.0
    """The trigger's point is this much too late (negative: too early), in seconds of driving."""
    van_decel_mps2: float = 5.0
    van_release_mps: float = 10.0
    """The van brakes until it is this slow."""

    alert: Literal["assigned", "another", "none"] = "assigned"
    alert_delay_s: float = 0.30
    alert_count: int = 1
    alert_measured: bool = True

    task_items: int = 6
    """0: the task does not begin (the driver looks away all the same)."""
    task_spacing_s: float = 0.5
    task_lasts_s: float = 3.0
    clock_drift: float | None = None
    """Sync marks with the task tablet's own clock, which gains this much a second."""

    eyes_up: bool = False
    drift_m: float = 0.0
    """The lane offset that the driver drifts to before the trigger, on top of the usual wander."""
    brakes_before: float = 0.0
    """Brake pedal in the last 0.9 s before the trigger."""
    coasts_before: bool = False
    resting_brake: float = 0.0
    """Left foot resting on the brake pedal, all through the drive."""
    response_s: float | None = None
    """Brake onset in seconds from the alert's criterion, instead of the drawn one; infinite: never."""
    swerve_m: float = 0.0
    """Steers aside by this much at the drawn response time instead of braking."""

    lost_about_fire_s: float = 0.0
    """Frames within this time of the trigger's point are left out on the wire."""
    lost_markers: tuple[str, ...] = ()
    """Kinds of markers that are not on the wire themselves but only in later hellos."""
    stutter_s: float = 0.0
    """At the trigger the simulator stands still for this long."""
    pace: float = 1.0
    """Simulated seconds in a second of the simulator's wall clock."""
    relabel: Relabel | None = None
    channels: tuple[ChannelFault, ...] = ()

    def deviations(self) -> dict[str, Any]:
        """What differs from `clean`, by field name."""
        return {
            field.name: getattr(self, field.name)
            for field in fields(self)
            if field.name not in ("name", "words") and getattr(self, field.name) != field.default
        }


def _holds(channel: str, from_station_m: float) -> tuple[ChannelFault, ...]:
    return (ChannelFault(channel, "holds", from_station_m=from_station_m),)


def _reads(channel: str, value: float, from_station_m: float) -> tuple[ChannelFault, ...]:
    return (ChannelFault(channel, "reads", value, from_station_m),)


_NEVER = math.inf

_ALL = (
    Scenario("clean", "nothing is wrong"),
    # the scene
    Scenario("gap-too-long", "the driver follows at 2.6 s", time_gap_s=2.6),
    Scenario("too-slow", "the own car drives 65 km/h", cruise_mps=65 * KM_H),
    Scenario("catching-up", "the van is not tethered, the own car closes at 2.5 m/s", closing_mps=2.5),
    Scenario("curve", "the bend lies under the event", bend_at_m=600.0),
    Scenario("intruder", "a hatchback cuts in between own car and van", cuts_in=True, time_gap_s=1.75),
    Scenario(
        "lead-swap",
        "another vehicle takes the van's place in the feed 0.8 s before the trigger",
        relabel=Relabel(1, 8, "estate", 4.7, 1.84, 682.0),
    ),
    # the trigger
    Scenario("early-fire", "gate-brake fires 0.5 s before its point", fire_shift_s=-0.5),
    Scenario("late-fire", "gate-brake fires 0.25 s after its point", fire_shift_s=0.25),
    Scenario("never-fired", "gate-brake does not fire", fires=0),
    Scenario("wrong-trigger", "the marker of another trigger comes in its place", fires_as="gate-open"),
    Scenario("not-reached", "the drive is ended before the event", ends_at_m=560.0),
    Scenario("double-fire", "gate-brake fires a second time 4 s later", fires=2),
    Scenario(
        "practice", "a practice drive, in which nothing fires", feed_scenario="practice", fires=0, gust_fires=False
    ),
    # the hazard
    Scenario("soft-braking", "the van brakes with 1.5 m/s² only", van_decel_mps2=1.5),
    Scenario("no-hazard", "the van does not brake at all", van_decel_mps2=0.0),
    Scenario("aborted", "the drive is aborted 0.8 s after the trigger", aborts_after_s=0.8),
    # the alert
    Scenario("wrong-alert", "an alert of another kind than the group's", alert="another"),
    Scenario("silent-alert", "no alert is given", alert="none"),
    Scenario("late-alert", "the alert comes 0.9 s late", alert_delay_s=1.2),
    Scenario("doubled-alert", "the alert is given twice", alert_count=2),
    Scenario("alert-commanded-only", "no sensor has seen the alert", alert_measured=False),
    # the task
    Scenario("task-missing", "the task is not shown", task_items=0),
    Scenario("task-ended-early", "the task ends 0.4 s too early", task_lasts_s=2.6),
    Scenario("task-four-items", "the task shows four items instead of six", task_items=4),
    Scenario("task-slow-items", "the items come 0.6 s apart instead of 0.5 s", task_spacing_s=0.6),
    Scenario("clock-drift", "the task tablet's clock gains 2 ms a second", clock_drift=0.002),
    # the driver before the hazard
    Scenario("eyes-up", "the driver looks at the road", eyes_up=True),
    Scenario("drifting", "the driver drifts to the right edge of the lane", drift_m=-0.85),
    Scenario("lane-straddle", "the car straddles the middle of the road", drift_m=1.3),
    Scenario("already-braking", "the driver brakes before the event", brakes_before=0.1),
    Scenario("coasting", "the driver is off the accelerator before the event", coasts_before=True),
    Scenario("two-footed", "the left foot rests on the brake pedal", resting_brake=0.015),
    # the response
    Scenario("collision", "the driver runs into the van before braking", response_s=4.6),
    Scenario(
        "no-response",
        "the driver does nothing; the gate opens and the van drives on",
        response_s=_NEVER,
        van_release_mps=17.0,
    ),
    Scenario(
        "steers-only",
        "the driver steers aside and does not brake; the van drives on",
        response_s=_NEVER,
        swerve_m=1.2,
        van_release_mps=17.0,
    ),
    Scenario("anticipating", "the driver brakes 0.25 s after the hazard, before the alert", response_s=-0.05),
    # the wire and the simulator
    Scenario("frames-lost", "12 frames about the trigger do not arrive", lost_about_fire_s=0.1),
    Scenario(
        "marker-lost",
        "the alert's markers do not arrive, but hellos repeat them",
        lost_markers=("alert_on", "alert_off"),
    ),
    Scenario("late-start", "recording starts 0.9 s before the event", starts_at_m=680.0),
    Scenario("stutter", "the simulator stands still for 0.25 s at the trigger", stutter_s=0.25),
    Scenario("slow-motion", "simulated time runs at nine tenths of real time", pace=0.9),
    Scenario("frozen-speed", "the own car's speed channel is frozen", channels=_holds("own.speed", 250.0)),
    Scenario("wrong-units", "the own car's speed comes in km/h", channels=(ChannelFault("own.speed", "times", 3.6),)),
    Scenario(
        "mirrored-axes",
        "yaw rate, steering and lane offset count to the right",
        channels=tuple(
            ChannelFault(f"own.{name}", "times", -1.0) for name in ("yaw_rate", "steering_angle", "lane_offset")
        ),
    ),
    Scenario("pedal-stuck", "the accelerator pedal's channel is stuck", channels=_holds("own.accelerator", 250.0)),
    Scenario(
        "pedal-saturated", "the accelerator pedal's channel reads 1", channels=_reads("own.accelerator", 1.0, 250.0)
    ),
    Scenario(
        "pedal-offset",
        "the brake pedal's channel is not zero at rest",
        channels=(ChannelFault("own.brake", "adds", 0.05),),
    ),
    Scenario(
        "platform-faded",
        "the motion platform has settled in the middle",
        channels=tuple(ChannelFault(f"signals.platform_{axis}", "reads", 0.0, 400.0) for axis in "xyz"),
    ),
    Scenario(
        "platform-limit", "the motion platform stands at its limit", channels=_reads("signals.platform_x", 2.0, 640.0)
    ),
)

SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}
