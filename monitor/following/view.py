"""The frozen picture that a screen draws. Screens compute no measure and compare no threshold: it is all in here.

A number of a stale feed is not in the view at all: `NumberView.value` is None and `state` says "stale".
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from monitor.following.around import DayView
from monitor.following.coming.view import OutlookView
from monitor.judging.blinding import Span
from monitor.judging.case.trial import Note, Result, Trial
from monitor.judging.source_state import SourceState
from monitor.measures.columns import FloatArray
from monitor.study.band import Band
from monitor.study.model import Severity

FeedState = Literal["waiting", "live", "stale", "paused", "ended", "lost"]
RecorderState = Literal[
    "recording", "saving", "stopped", "lost", "restarting", "not recording", "closed", "sealed", "replay"
]


@dataclass(frozen=True, slots=True)
class NumberView:
    """One of the large numbers. `definition` says which one it is: "bumper to bumper", "gap over closing speed" …"""

    measure: str
    label: str
    value: float | None
    state: str | None
    unit: str
    definition: str
    band: Band | None
    """Band of the next trigger's condition on this measure, if it has one."""
    result: Result | None
    """How the value stands in that band now."""


@dataclass(frozen=True, slots=True)
class StripView:
    """The last 60 s of one number: `t` seconds of the drive, `value` NaN where there is none. Shapes (n,)."""

    measure: str
    t: FloatArray
    value: FloatArray
    band: Band | None


@dataclass(frozen=True, slots=True)
class WholeStrip:
    """One number over the drive so far: least and greatest value of each piece of `piece_s` seconds from time zero on,
    NaN where there is none. Shapes (n,)."""

    measure: str
    unit: str
    piece_s: float
    low: FloatArray
    high: FloatArray
    band: Band | None
    """Of the coming trigger's condition on it, else of the last trial's that had one."""


@dataclass(frozen=True, slots=True)
class VehicleView:
    """A vehicle in the plan view, relative to own car's centre along and across the lane."""

    id: int
    name: str
    ahead_m: float
    left_m: float
    length_m: float
    width_m: float
    is_lead: bool


@dataclass(frozen=True, slots=True)
class SceneView:
    """The road about the own car. `lane_offset_m` is left-positive; None where not measured."""

    lane_width_m: float
    lanes: int
    own_lane: int
    """Counted from the right, 0 first."""
    lane_offset_m: float | None
    own_length_m: float
    own_width_m: float
    vehicles: tuple[VehicleView, ...]
    gap_m: float | None


@dataclass(frozen=True, slots=True)
class SavedView:
    """A trial that was lost and has surprised nobody: until when it can still be had from this participant."""

    trial: str
    trigger: str
    why: str
    words: str
    """What the study says to do; empty where it says nothing, so that it cannot be run again here."""
    seconds_left: float | None
    """None where only a place of the road ends it and the car's way there is not known."""
    overdue: bool = False
    """Whether its marker may still come."""

    @property
    def now(self) -> str:
        """What to do, and the time that is left for it."""
        left = "" if self.seconds_left is None else f" ({self.seconds_left:.0f} s left)"
        return f"{self.words}{left}"


@dataclass(frozen=True, slots=True)
class Question:
    """Something in which simulator and plan differ, or agree."""

    about: str
    """"participant", "group" or "scenario"."""
    simulator: str
    ours: str
    answer: str = ""
    """The operator's, in words; empty while it is open."""


@dataclass(frozen=True, slots=True)
class StopView:
    """Why the participant drives no more."""

    key: str
    words: str
    at: float | None
    drive: int | None
    by: str


@dataclass(frozen=True, slots=True)
class TimelineMark:
    """Something on the run's time line: kind is "trigger", "alert", "task", "note", "loss", "finding" or "pause"."""

    t: float
    kind: str
    label: str


@dataclass(frozen=True, slots=True)
class FeedView:
    """The feed's health in numbers and, when something is wrong, in one sentence."""

    state: FeedState
    rate_hz: float | None
    frames: int
    lost: int
    duplicates: int
    bad: int
    age_s: float | None
    """Seconds since the last frame came in."""
    sentence: str
    sources: tuple[SourceState, ...] = ()
    """The further sources beside the simulator."""
    real_time: float | None = None
    """Simulated seconds a second over the last ones, by the recorder's clock; None where that tells nothing."""
    behind_s: float | None = None
    """By how many seconds judging is behind what comes in; None where it keeps up."""


@dataclass(frozen=True, slots=True)
class Unclosed:
    """A run that was ended and whose end no disk takes."""

    entries: int
    """That are on no disk."""
    operators: tuple[str, ...]
    """Those that were entered here, as text."""
    place_said: str
    """Why the directory that the operator named cannot be used; empty where it can, or none was named."""
    left: bool
    """Whether the recorder has ended and they are lost."""


@dataclass(frozen=True, slots=True)
class RecorderView:
    """The recorder: what it is doing, what is not on disk yet, and for how long the disk lasts."""

    state: RecorderState
    minutes_left: float | None
    unsaved: int
    """Operator's entries sent and not acknowledged yet."""
    sentence: str
    unclosed: Unclosed | None = None


@dataclass(frozen=True, slots=True)
class ResponseTraces:
    """What happened about a trial's fire, frame by frame: `t` in seconds of the drive, NaN where there is no number.
    Shapes (n,). Only where the response may be shown."""

    trial: str
    start_t: float
    end_t: float
    period_s: float
    t: FloatArray
    own_speed: FloatArray
    """m/s"""
    lead_speed: FloatArray
    """m/s"""
    gap: FloatArray
    """Bumper to bumper, m."""
    accelerator: FloatArray
    """0 … 1"""
    brake: FloatArray
    """0 … 1"""
    steering: FloatArray
    """Steering wheel, rad, left positive."""


@dataclass(frozen=True, slots=True)
class SlowView:
    """A statistic over the last `over_s` seconds, along the whole drive: `t` in seconds of the drive, shapes (n,)."""

    measure: str
    label: str
    unit: str
    over_s: float
    t: FloatArray
    value: FloatArray
    band: Band | None
    """Band of the study's condition on it, None where the study has none."""
    state: str | None
    """Why the last value is NaN: "not measured", "masked", "stale"; None where it is a number."""
    result: Result | None
    """How the last value stands in the band."""


StepState = Literal["done", "due", "soon", "later", "any time", "not known"]


@dataclass(frozen=True, slots=True)
class SheetLine:
    """A step of the run sheet as it stands. `say` are the words to say, empty where there are none."""

    name: str
    say: str
    at_station_m: float | None
    at_s: float | None
    left_m: float | None
    """Metres of road to its place, negative behind it; None where it has none or own station is not known."""
    left_s: float | None
    """Seconds to its time, or to its place at the speed of now; None where that cannot be said."""
    state: StepState


@dataclass(frozen=True, slots=True)
class PreflightLine:
    """One need of the study against what is there. `result` "undecided" stops nobody, "not met" does."""

    what: str
    needed: str
    given: str
    result: Result


@dataclass(frozen=True, slots=True)
class PreflightView:
    """Whether the run can begin: "GO", or "NOT YET" and why in one sentence."""

    heading: Literal["GO", "NOT YET"]
    why: str
    lines: tuple[PreflightLine, ...]
    over: bool
    """True once a trigger is near or has fired: no screen opens it by itself any more."""


@dataclass(frozen=True, slots=True)
class ReasonView:
    """A reason code that a ruling may give."""

    code: str
    words: str
    severity: Severity


@dataclass(frozen=True, slots=True)
class LiveView:
    """All that a screen needs for one picture. `revision` grows with every change of what is in it."""

    revision: int
    record: str
    participant: str
    group: str | None
    study: str
    scenario: str | None
    drive: int | None
    t: float | None
    feed: FeedView
    recorder: RecorderView
    numbers: tuple[NumberView, ...]
    """In the order of the screen: time gap, TTC, lane offset, then the lesser ones (gap, speed, lead speed)."""
    strips: tuple[StripView, ...]
    scene: SceneView | None
    outlook: OutlookView | None
    trials: tuple[Trial, ...]
    notes: tuple[Note, ...]
    timeline: tuple[TimelineMark, ...]
    masked: bool
    """True while a blind record hides what reveals the driver's response."""
    blind: bool
    reasons: tuple[ReasonView, ...]
    """What a ruling may give as its reason: what only a person can know first, then the study's own, then findings."""
    sheet: tuple[SheetLine, ...] = ()
    """The study's run sheet, in its order."""
    closing_digest: str | None = None
    """The closing digest (hex) once the record is closed."""
    nothing_ahead: bool = False
    """Whether it is known that no trigger is waited for in this drive; without an outlook and this nothing is known."""
    preflight: PreflightView | None = None
    responses: tuple[ResponseTraces, ...] = ()
    """Of the trials whose response is timed and may be shown."""
    slow: tuple[SlowView, ...] = ()
    """Lane keeping over the drive, those that the study's conditions use first."""
    slow_used: int = 0
    """How many of them the study's conditions use."""
    whole: tuple[WholeStrip, ...] = ()
    """The large numbers over the whole drive."""
    stop: StopView | None = None
    """Why the participant drives no more, until that is lifted."""
    questions: tuple[Question, ...] = ()
    """What differs between simulator and plan, answered or not."""
    saved: SavedView | None = None
    """A trial that was lost and surprised nobody, while that is news."""
    seen: frozenset[tuple[str, str]] = frozenset()
    """Trial and the word of it that the operator has acknowledged."""
    contested: tuple[tuple[str, str], ...] = ()
    """Trials on which two people ruled otherwise than each other, with a sentence."""
    practice: bool = False
    """Whether nothing is meant to fire in this drive."""
    horizon_over_s: float | None = None
    """Seconds until the trial that fired last is over, its response included; None where none runs."""
    unattended: str = ""
    """On a screen that only reads: a sentence where no screen writes on this run; empty where one does."""
    in_charge: str = ""
    """Who has the operator's place: to whom it was handed over, or who entered something last; empty before that."""
    operator: str = ""
    """Who enters on this screen, as it was started; empty where nobody does, and until the record has been read."""
    hidden: tuple[Span, ...] = ()
    """The times of the drive whose numbers are left out because the record is blind."""
    lost_words: tuple[tuple[str, str], ...] = ()
    """Trials that are lost → what that means for the drive: what still counts, and whether it can be run again."""
    day: DayView = field(default_factory=DayView)
    """What the study asks of the day around the drive, and what was entered of it."""


@dataclass(frozen=True, slots=True)
class TransportView:
    """Where a replay stands: seconds from the record's start, its length, and how fast it plays."""

    at_s: float
    length_s: float
    speed: float
    playing: bool
    sentence: str = ""
    """What goes on while it is not ready, such as "reading 40 %"."""
