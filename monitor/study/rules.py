"""The rules of a trigger beside its conditions: alert, task, driver before, hazard, response. Units in the names.

Everything relative to a trigger is in seconds from its fire time (negative = before).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from monitor.study.band import Band
from monitor.study.terms import FireTerm, Looked, Measure


@dataclass(frozen=True, slots=True)
class AlertRule:
    """When the group's alert must come, relative to the fire, and for how long it may last."""

    earliest_s: float = 0.0
    latest_s: float = 1.0
    at_least_lasting_s: float | None = None
    at_most_lasting_s: float | None = None
    output_delay_s: dict[str, float] = field(default_factory=dict)
    """Measured delay from command to output, per modality; added where the alert is only commanded."""
    measured: bool = False
    """A sensor sees every alert of this study: a command that it does not confirm is `alert-not-produced`."""


@dataclass(frozen=True, slots=True)
class TaskRule:
    """The visual task about a trigger: begun in time, trigger inside it, items at their spacing."""

    name: str | None = None
    begins_at_least_s: float = 0.0
    """The task must have begun at least this long before the fire …"""
    begins_at_most_s: float = 10.0
    """… and at most this long before it."""
    lasts_s: float = 0.0
    """And must not end earlier than this long after its begin."""
    items: int | None = None
    spacing_s: float | None = None
    spacing_tolerance_s: float = 0.05
    score_at_least: float | None = None
    """Least share of right answers, 0 to 1, as the task's end marker gives it in `data.score`."""


@dataclass(frozen=True, slots=True)
class BeforeRule:
    """The driver before the hazard; None leaves a check out."""

    look_back_s: float = 1.0
    brake_at_most: float | None = 0.03
    """Brake pedal above its resting value by more than this inside the look-back, and the car slows down:
    `braking-before-hazard` (void); one of them alone: `braking-unsure` (doubtful)."""
    accelerator_at_least: float | None = None
    """Accelerator below this all through the look-back is `accelerator-released-before` (doubtful)."""
    two_footed_s: float | None = None
    """Both pedals pressed for longer than this inside the look-back is `two-footed` (note)."""


@dataclass(frozen=True, slots=True)
class HazardRule:
    """Where the scripted hazard shows in the telemetry: exposure follows this evidence, not the marker alone."""

    role: str | None = None
    onset: Looked | None = None
    """The hazard is there from the first frame on in which this measure of something scripted lies in its band: a
    speed, a place, a lane, a signal. None: it is the braking of `role`, by `decel_at_least_mps2`."""
    decel_at_least_mps2: float = 2.0
    """The role's deceleration from which on the hazard is there (its onset)."""
    within_s: float = 5.0
    level_mps2: float | None = None
    """The deceleration that the script asks for, positive; None: its profile is not judged. The rules below count from
    the begin of braking, and end at the alert or at a contact."""
    level_tolerance_mps2: float = 0.3
    reached_within_s: float = 1.5
    """The level must be reached, tolerance included, this long after the begin of braking …"""
    held_s: float = 0.5
    """… and then be held for this long."""
    peak_at_most_mps2: float | None = None
    """A first peak above the level may go up to this …"""
    peak_lasts_s: float = 0.05
    """… and above it for at most this long;"""
    settles_within_s: float = 0.5
    """this long after the peak the deceleration must be within the tolerance again."""


@dataclass(frozen=True, slots=True)
class ResponseSign:
    """One sign of a response: the first instant after the origin from which the measure lies in its band."""

    name: str
    measure: Measure
    band: Band
    held_s: float = 0.0
    """It counts only where it then stays in the band for this long (debounce); its instant is the first one."""
    from_baseline: bool = False
    """The band is of the difference from the mean in the baseline before the origin."""
    anticipatory_s: float = 0.0
    """Sooner than this after the origin it cannot be a response to the event."""


@dataclass(frozen=True, slots=True)
class StableRule:
    """When the car is stable again after the last sign of a response: the measure is in its band for `held_s`."""

    measure: Measure
    band: Band
    held_s: float = 1.0


@dataclass(frozen=True, slots=True)
class ResponseRule:
    """How the response is timed. One origin for all groups."""

    origin: Literal["fire", "hazard onset", "alert criterion"] = "fire"
    criterion: FireTerm | None = None
    """The alert's criterion, for origin "alert criterion"."""
    horizon_s: float = 5.0
    accelerator_fall: float = 0.05
    """The initial release is where the fall begins that takes the pedal more than this below where it stood at the
    origin."""
    accelerator_zero: float = 0.02
    brake_threshold: float = 0.02
    steering_threshold_rad: float = 0.052
    baseline_s: float = 0.5
    anticipatory_release_s: float = 0.10
    anticipatory_brake_s: float = 0.30
    signs: tuple[ResponseSign, ...] = ()
    """What counts as the response, the first of them to come; empty: accelerator release, brake and steering."""
    stable: StableRule | None = None

    @property
    def looks_back_s(self) -> float:
        """How long before the origin its values look."""
        looked = [*(one.measure for one in self.signs), *([self.stable.measure] if self.stable is not None else [])]
        return self.baseline_s + max((measure.looks_back_s for measure in looked), default=0.0)


@dataclass(frozen=True, slots=True)
class ActionRule:
    """What the control room can do while a coming trial is being lost: the facility's own sentences."""

    words: str
    by_condition: dict[str, str] = field(default_factory=dict)
    """Another sentence where it is this condition that fails."""

    def words_for(self, condition: str | None) -> str:
        """The sentence for a condition that fails, or for anything else."""
        return self.by_condition.get(condition or "", self.words)


@dataclass(frozen=True, slots=True)
class RearmRule:
    """How a trial that came too early, too weakly or not at all can still be had from this participant."""

    words: str
    """What the control room does to arm the trigger again."""
    within_s: float | None = None
    """It helps for so long after the trial was lost …"""
    until_station_m: float | None = None
    """… and before this place of the road; None: no such limit."""
