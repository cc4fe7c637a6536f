"""A study, as the loader hands it to judging: frozen values, all checked, units in the names.

Everything relative to a trigger is in seconds from its fire time (negative = before).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from monitor.study.band import Band

MissingMeans = Literal["undecided", "met", "not met"]
Severity = Literal["void", "doubtful", "note"]
Known = Literal["before", "at", "after"]
Edge = Literal["none", "rising", "falling", "risingOrFalling"]
"""Condition edges with the members and meaning of the open scenario standard (ASAM OpenSCENARIO XML, conditionEdge)."""
ResponseMeasure = Literal["first", "brake", "accelerator", "steering"]
GroupTestName = Literal["log-rank", "gehan", "ranks"]
MedianConvention = Literal["first", "midpoint"]


@dataclass(frozen=True, slots=True)
class Measure:
    """What a condition looks at.

    kind: "own" (own channel), "lateral" (lane_offset, time_to_line), "pair" (own car and a role: gap, TTC …),
    "role" (a role's own channel), "signal" (a further number of the feed), "rolling" (over the last `over_s` seconds).
    """

    kind: Literal["own", "lateral", "pair", "role", "signal", "rolling"]
    name: str
    role: str | None
    unit: str
    over_s: float | None = None

    @property
    def text(self) -> str:
        """The measure as the study file writes it."""
        return f"{self.role}.{self.name}" if self.kind == "role" else self.name


@dataclass(frozen=True, slots=True)
class AtFire:
    """The condition is asked at the fire time."""


@dataclass(frozen=True, slots=True)
class During:
    """The condition must hold from `start_s` to `end_s`, for at least `share` of that time (1 = in every frame)."""

    start_s: float
    end_s: float
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Within:
    """The band must be reached at most `limit_s` after the fire and then be held for `held_s`."""

    limit_s: float
    held_s: float


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a trigger."""

    name: str
    measure: Measure
    band: Band
    when: AtFire | During | Within
    required: bool = True
    if_missing: MissingMeans = "undecided"
    """What "no lead" or "not measured" counts as."""
    settles_at_s: float | None = None
    """So many seconds before the fire the condition should hold; until then nobody is told to wait for it. None: what
    a line through the last seconds can foresee is expected all along, what cannot be a second before the fire."""


@dataclass(frozen=True, slots=True)
class FireTerm:
    """One term of `armed_when` or `fires_when`: a band as the logical expression, with edge and delay."""

    measure: Measure
    band: Band
    edge: Edge = "none"
    delay_s: float = 0.0


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
    brake_at_most: float | None = 0.02
    """Brake pedal above this inside the look-back is `braking-before-hazard` (void)."""
    accelerator_at_least: float | None = None
    """Accelerator below this all through the look-back is `accelerator-released-before` (doubtful)."""
    two_footed_s: float | None = None
    """Both pedals pressed for longer than this inside the look-back is `two-footed` (note)."""


@dataclass(frozen=True, slots=True)
class HazardRule:
    """Where the scripted hazard shows in the telemetry: exposure follows this evidence, not the marker alone."""

    role: str | None = None
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
class ResponseRule:
    """How the response is timed. One origin for all groups."""

    origin: Literal["fire", "hazard onset", "alert criterion"] = "fire"
    criterion: FireTerm | None = None
    """The alert's criterion, for origin "alert criterion"."""
    horizon_s: float = 5.0
    accelerator_fall: float = 0.05
    """A fall below the pedal at the origin by more than this is the initial release."""
    accelerator_zero: float = 0.02
    brake_threshold: float = 0.02
    steering_threshold_rad: float = 0.052
    baseline_s: float = 0.5
    anticipatory_release_s: float = 0.10
    anticipatory_brake_s: float = 0.30


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


@dataclass(frozen=True, slots=True)
class Trigger:
    """A scripted event and all that makes its trial usable."""

    name: str
    surprise_class: str
    conditions: tuple[Condition, ...]
    words: str = ""
    armed_when: tuple[FireTerm, ...] = ()
    fires_when: tuple[FireTerm, ...] = ()
    expected: int = 1
    expected_by_scenario: dict[str, int] = field(default_factory=dict)
    late_after_frames: float = 2.0
    """Sampling tolerance: one frame of sampling and one network hop; beyond that it is the clock or the logic."""
    grace_s: float = 2.0
    """Held this long without a marker: missed."""
    role: str = "lead"
    alert: AlertRule | None = None
    task: TaskRule | None = None
    before: BeforeRule | None = None
    hazard: HazardRule | None = None
    response: ResponseRule | None = None
    action: ActionRule | None = None
    action_takes_s: float = 4.0
    """The control room needs so long to do anything; with less left it is said to let the trial run."""
    rearm: RearmRule | None = None
    """None: a trial that is lost cannot be run again with this participant."""

    def expected_in(self, scenario: str | None) -> int:
        """How often a drive of this scenario fires the trigger."""
        return self.expected_by_scenario.get(scenario or "", self.expected)


@dataclass(frozen=True, slots=True)
class Role:
    """A part in the scene: `lead` is chosen by the monitor; others name a vehicle by `vehicle` (name) or `id`."""

    name: str
    vehicle: str | None = None
    id: int | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """An alert group: the modalities that its participants are given (none: the group without alert)."""

    name: str
    alert: tuple[str, ...]
    planned: int | None = None


@dataclass(frozen=True, slots=True)
class Signal:
    """A further number of the feed. `source` decides whether a window after the fire may use it."""

    name: str
    unit: str = ""
    source: Literal["driver", "scripted", "alert", "task", "platform"] = "driver"
    lower_limit: float | None = None
    """A value at or beyond a limit inside a trial's window is `platform-limit`; None: no limit."""
    upper_limit: float | None = None


@dataclass(frozen=True, slots=True)
class Reason:
    """A reason code, its words, and how much a finding of this code weighs."""

    code: str
    words: str
    severity: Severity
    known: Known = "after"
    """When a finding of this code can be known at the earliest: before, at, or only after the fire."""


@dataclass(frozen=True, slots=True)
class SheetStep:
    """A step of the run sheet: what to do or say, and where it is due."""

    name: str
    say: str = ""
    at_station_m: float | None = None
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class AssignmentRule:
    """How participants come to their groups: from a list in a file, or in permuted blocks."""

    method: Literal["list", "blocks"]
    file: str | None = None
    """For "list": the CSV file, relative to the study file."""
    block_sizes: tuple[int, ...] = ()
    """For "blocks": sizes of the blocks, each a multiple of the number of groups; several are varied at random."""
    seed: int | None = None
    strata: tuple[str, ...] = ()
    """Each stratum has blocks of its own; none: one sequence for all."""


@dataclass(frozen=True, slots=True)
class AnalysisRule:
    """How the groups will be compared, fixed with the study before anybody has seen a response."""

    trigger: str | None = None
    """None: the first trigger that has an alert."""
    measure: ResponseMeasure = "first"
    """Which onset is the response; "first" is whichever comes first."""
    test: GroupTestName = "log-rank"
    horizon_s: float | None = None
    """Later responses count as none; None: the horizon of the trigger's response."""
    within_s: float | None = None
    """The share that has responded by then is given; None: 2.5 s."""
    reference: str | None = None
    """Every other group is held against this one …"""
    contrasts: tuple[tuple[str, str], ...] = ()
    """… and these pairs (against, of) are held against each other; neither: all pairs."""
    median: MedianConvention = "first"
    """Where the curve is one half exactly: its first time, or the middle to the next."""


@dataclass(frozen=True, slots=True)
class Study:
    """A whole study file."""

    name: str
    title: str
    participant_pattern: str
    blind: bool
    groups: dict[str, Group]
    roles: dict[str, Role]
    signals: dict[str, Signal]
    triggers: tuple[Trigger, ...]
    reasons: dict[str, Reason]
    sheet: tuple[SheetStep, ...]
    scenarios: tuple[str, ...]
    comfort_stop_at: float | None
    """The facility's stop rule for the comfort rating; it only reminds."""
    replacement: Literal["same group next", "end of block", "none"]
    cautions: tuple[str, ...]
    """Sentences to say when the file is loaded, such as "confirm against the procedure"."""
    text: str
    sha256: str
    path: str
    assignment: AssignmentRule | None = None
    analysis: AnalysisRule | None = None
