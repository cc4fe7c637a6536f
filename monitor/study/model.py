"""A study, as the loader hands it to judging: frozen values, all checked, units in the names.

Everything relative to a trigger is in seconds from its fire time (negative = before).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from monitor.measures.arrival import Point
from monitor.study.day.model import Day
from monitor.study.rules import ActionRule, AlertRule, BeforeRule, HazardRule, RearmRule, ResponseRule, TaskRule
from monitor.study.terms import AtFire as AtFire
from monitor.study.terms import Condition as Condition
from monitor.study.terms import During as During
from monitor.study.terms import Edge as Edge
from monitor.study.terms import FireTerm as FireTerm
from monitor.study.terms import Measure as Measure
from monitor.study.terms import MissingMeans as MissingMeans
from monitor.study.terms import Within as Within

Severity = Literal["void", "doubtful", "note"]
Known = Literal["before", "at", "after"]
Often = int | Literal["any"]
Design = Literal["between", "within"]
Counts = Literal["trials", "participants"]
ResponseMeasure = Literal["first", "brake", "accelerator", "steering"]
GroupTestName = Literal["log-rank", "gehan", "ranks"]
MedianConvention = Literal["first", "midpoint"]


@dataclass(frozen=True, slots=True)
class Trigger:
    """A scripted event and all that makes its trial usable."""

    name: str
    conditions: tuple[Condition, ...]
    surprise_class: str | None = None
    """Triggers of one class spend each other; None: it surprises nobody, and who met it before counts as well."""
    words: str = ""
    armed_when: tuple[FireTerm, ...] = ()
    fires_when: tuple[FireTerm, ...] = ()
    expected: Often = 1
    expected_by_scenario: dict[str, Often] = field(default_factory=dict)
    refractory_s: float = 0.0
    """After a fire the trigger does not fire again for this long."""
    valid_at_least: int = 1
    """Where `planned` counts participants: one counts with this many valid trials of the trigger."""
    late_after_frames: float = 2.0
    """Sampling tolerance: one frame of sampling and one network hop; beyond that it is the clock or the logic …"""
    late_after_s: float = 0.1
    """… and at least this long: scenario engines run more slowly than frames. Late is beyond the larger of the two."""
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

    def expected_in(self, scenario: str | None) -> int | None:
        """How often a drive of this scenario fires the trigger; None for any number."""
        often = self.expected_by_scenario.get(scenario or "", self.expected)
        return None if often == "any" else often

    @property
    def comes_often(self) -> bool:
        """Whether a drive may fire it more than once, so that each fire is matched with the rule by its time."""
        return any(often == "any" or often > 1 for often in (self.expected, *self.expected_by_scenario.values()))


@dataclass(frozen=True, slots=True)
class Role:
    """A part in the scene: `lead` is chosen by the monitor; others name a vehicle by `vehicle` (name) or `id`."""

    name: str
    vehicle: str | None = None
    id: int | None = None


@dataclass(frozen=True, slots=True)
class Treatment:
    """What one trial is given, where a participant gets several: its modalities (none: without alert)."""

    name: str
    alert: tuple[str, ...]
    planned: int | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """An alert group: the modalities that its participants are given (none: the group without alert).

    In a study within participants it is an order of treatments instead: each lasts for `each` trials of a trigger in a
    drive, and after the last one the first comes again.
    """

    name: str
    alert: tuple[str, ...]
    planned: int | None = None
    order: tuple[str, ...] = ()
    each: int = 1

    def treatment_of(self, occurrence: int) -> str | None:
        """The treatment of a trigger's n-th trial in a drive (from 1); None in a study between participants."""
        return self.order[(occurrence - 1) // self.each % len(self.order)] if self.order else None


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
    reveals: bool = False
    """Whether a finding of this code tells of the driver's response, so that a blind record hides what it says."""
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
    """Of studies made before orders were sealed; not used any more."""
    strata: tuple[str, ...] = ()
    """Each stratum has blocks of its own; none: one sequence for all."""
    after: tuple[str, ...] = ()
    """Steps of the run sheet that must be ticked before a lot is opened for a participant."""
    excluded: dict[str, str] = field(default_factory=dict)
    """Reasons, with words, for which somebody is not taken before a lot is opened."""


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
class Accepted:
    """A constant difference between two channels of this facility that a person has looked at and accepted.

    kind: "offset" (the channel is off by `size`), "steps" (it steps by up to `size`, such as stations of sections that
    are stitched), "not filled" (it is there and always the same). Once it changes, it is held against the others again.
    """

    of: Literal["own", "others"]
    channel: str
    kind: Literal["offset", "steps", "not filled"]
    by: str
    size: float = 0.0
    words: str = ""


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
    blind_live: Literal["to horizon", "to ruling"] = "to horizon"
    """How long a live picture hides current values after the fire of a blind trial: the operator looks after a person,
    so by default to the end of the response's horizon. What has passed, and the response, stay hidden to the ruling."""
    points: dict[str, Point] = field(default_factory=dict)
    treatments: dict[str, Treatment] = field(default_factory=dict)
    """What trials are given in a study within participants; empty: each group has one alert."""
    planned_counts: Counts = "trials"
    """What `planned` counts: valid trials, or participants with `valid_at_least` of them."""
    accepted: tuple[Accepted, ...] = ()
    day: Day = field(default_factory=Day)
    """What is asked of the day around the drive."""

    @property
    def lot_waits(self) -> bool:
        """Whether a lot is opened for a participant only after steps of the run sheet."""
        return self.assignment is not None and bool(self.assignment.after)

    @property
    def looks_back(self) -> bool:
        """Whether it matters what was driven, asked and ticked in earlier runs of a participant."""
        return self.day.looks_back or self.lot_waits

    def is_once(self, step: str) -> bool:
        """Whether a step of the run sheet holds for all runs of a participant: consent is signed once."""
        return self.assignment is not None and step in self.assignment.after

    @property
    def design(self) -> Design:
        """Whether each participant has one alert, or several in an order."""
        return "within" if self.treatments else "between"

    def modalities_of(self, group: str) -> tuple[str, ...]:
        """All modalities that a participant of a group is given, in one trial or another."""
        treatments = (self.treatments[name].alert for name in self.groups[group].order)
        return tuple(dict.fromkeys([*self.groups[group].alert, *(one for alert in treatments for one in alert)]))

    def alert_of(self, group: str | None, occurrence: int) -> tuple[str, ...] | None:
        """The modalities that a trigger's n-th trial in a drive is to be given; None where the group is not known."""
        if group is None or group not in self.groups:
            return None
        treatment = self.groups[group].treatment_of(occurrence)
        return self.groups[group].alert if treatment is None else self.treatments[treatment].alert
