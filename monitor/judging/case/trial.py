"""What judging says of one trial, and how that is written as JSON (the contract of the command line)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from monitor.study.band import Band
from monitor.study.model import Severity

Verdict = Literal["valid", "invalid", "undecided"]
Stage = Literal["armed", "fired", "final", "ruled"]
Result = Literal["met", "not met", "undecided"]
TimingResult = Literal["on time", "late", "early", "missed", "not reached", "double", "not stated"]
Naive = Literal["yes", "no", "unknown"]


@dataclass(frozen=True, slots=True)
class ConditionEvidence:
    """What a condition's value was held against. `by`: the channels that tell it as well; empty where nothing does.

    `rebuilt`: the value by the telling that disagrees most, else by the first one; `differs`: that less the published
    value; `noticed_from`: the least error that would have shown on this feed, all in the measure's unit. None where it
    cannot be told.
    """

    by: tuple[str, ...]
    rebuilt: float | None
    differs: float | None
    noticed_from: float | None


@dataclass(frozen=True, slots=True)
class ConditionResult:
    """One condition of a trial: the number that decided, the band, how far inside it, and the result."""

    name: str
    measure: str
    role: str | None
    at_least: float | None
    at_most: float | None
    value: float | None
    state: str | None
    """Why `value` is None: "not closing", "no lead", "not measured" …; None where there is a value."""
    margin: float | None
    """Distance to the nearer edge of the band in the measure's unit; negative outside."""
    unit: str
    result: Result
    at_edge: bool
    required: bool
    open: bool = False
    """True while the window has not been seen to its end, or its evidence not looked at: nothing is certain yet."""
    tolerance: float = 0.0
    outside: tuple[float, float] | None = None
    """The two edges of a band that lies to either side of them; `at_least` and `at_most` are then None."""
    any_of: tuple[str, ...] = ()
    """Where one of several measures is enough: all of them with their bands, in words; the other fields are those of
    the one that decided."""
    evidence: ConditionEvidence | None = None
    """None until the window has been seen."""

    @property
    def band(self) -> Band:
        """The band that judged it."""
        return Band(self.at_least, self.at_most, self.tolerance, self.outside)

    @property
    def checked_words(self) -> str:
        """By what else in the feed the value was checked, and what error would have shown; empty until it was."""
        told, unit = self.evidence, f" {self.unit}" if self.unit else ""
        if told is None:
            return ""
        if not told.by:
            return "as published, nothing to check it by"
        said = ", ".join(told.by)
        if told.rebuilt is None:
            return said  # hidden, or no number
        if told.differs is not None and (told.noticed_from is None or abs(told.differs) >= told.noticed_from):
            said += f": {told.differs:+.3g}{unit} off"
        if told.noticed_from is None:
            return f"{said}; an error that was there all along would not show"
        return f"{said}; an error shows from {told.noticed_from:.2g}{unit}"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a trial that is no condition: one sentence with what, value, band and when."""

    code: str
    severity: Severity
    sentence: str
    at: float | None
    while_hidden: str = ""
    """The sentence while a response of its drive is hidden, where its own would tell of that one."""


@dataclass(frozen=True, slots=True)
class Timing:
    """When the trigger should have fired by its own rule, and how far off it was."""

    expected_at: float | None
    delay_s: float | None
    delay_frames: float | None
    result: TimingResult


@dataclass(frozen=True, slots=True)
class AlertResult:
    """The alert given against the one assigned. `expected` is None where the group is not known."""

    expected: tuple[str, ...] | None
    given: tuple[str, ...]
    at: float | None
    evidence: Literal["commanded", "measured"] | None
    result: str
    """"as assigned", "none, as assigned", "wrong", "missing", "late", "early", "doubled", "open", "not known"."""


@dataclass(frozen=True, slots=True)
class Response:
    """The driver's response, apart from validity. Seconds from the origin unless named otherwise."""

    origin: str
    t0: float
    accelerator_release_s: float | None
    accelerator_full_release_s: float | None
    transition_s: float | None
    brake_onset_s: float | None
    steering_onset_s: float | None
    first: str | None
    """"accelerator", "brake", "steering", or the name of one of the study's signs; None where none came."""
    first_s: float | None
    outcome: str
    """"responded", "anticipatory", "already responding" (the brake was pressed at the origin),
    "no response", "not measured" (nothing in the feed would have shown one), "collision", "collision before response",
    "cut short"."""
    censored_at_s: float | None
    min_ttc_s: float | None
    min_gap_m: float | None
    max_decel_mps2: float | None
    impact_speed_mps: float | None
    left_lane: bool | None
    from_alert_s: float | None
    """Latency of the first response from the alert itself, a second figure."""
    release: str = ""
    """What the accelerator did: "released", "kept pressed", "pre-released" (a release time is then not defined, and not
    0), or "not measured"."""
    onset_to_peak_s: float | None = None
    """From brake onset to the greatest deceleration."""
    signs: dict[str, float | None] = field(default_factory=dict)
    """Onset of each sign that the study names; None where it did not come."""
    sign_states: dict[str, str] = field(default_factory=dict)
    """What became of each: "came", "did not come", "already there" at the origin, "not measured"."""
    max_lateral_deviation_m: float | None = None
    """Greatest distance of the lane offset from its mean before the origin, where the study names signs or `stable`."""
    time_to_stable_s: float | None = None
    """When the car was stable again after the response, as the study says."""
    contact_s: float | None = None
    """Contact, by the simulator's marker or by a gap that closed, whatever came before it."""
    watched_s: float | None = None
    """How long a response was watched for: to the contact, to the drive's end, else to the horizon."""
    not_watched: tuple[str, ...] = ()
    """Of "accelerator", "brake" and "steering" those whose channel was not measured all the time, or, of the
    accelerator, that was up already: that there was no onset of theirs is not known. "first" stands for the signs that
    a study names, where one of them was not measured."""
    min_ttc_bodies_s: float | None = None
    """Least time until own car's body and the role's touch if both go on as they move, from origin to horizon, where
    the study names signs or `stable`; None where they never would."""


@dataclass(frozen=True, slots=True)
class SourceEvidence:
    """A further source at a trial's fire: its clock, and what is wrong with it in words (empty: nothing)."""

    source: str
    feed: str
    """Its endpoint."""
    offset_s: float | None
    """The simulator's time less its own; None where that is not known."""
    uncertainty_s: float | None
    marks: int
    """Sync marks that both have seen and that the offset comes from."""
    trouble: str


@dataclass(frozen=True, slots=True)
class Seen:
    """What its author knew when a ruling was made. Written once, with the ruling, and never worked out later."""

    verdict: bool
    """Whether the computed verdict stood before the author's eyes."""
    response: bool
    """Whether the response did."""
    looks: int | None
    """Looks at responses by group that had been entered for the study by then; None where nobody could count them."""


@dataclass(frozen=True, slots=True)
class Ruling:
    """The operator's word on a trial, beside the computed verdict."""

    verdict: Verdict
    reason: str
    words: str
    by: str
    at: float | None
    wall: float
    seen: Seen | None = None
    """None: it was not recorded, which is not "nothing"."""
    hides_when: bool = False
    """Whether its times would tell how long a drive with a hidden response took."""

    @property
    def told_at(self) -> float | None:
        """When in a drive it was made, where that may be told."""
        return None if self.hides_when else self.at

    @property
    def told_wall(self) -> float | None:
        """When it was made, in seconds since 1970, where that may be told."""
        return None if self.hides_when else self.wall


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial: drive / trigger / occurrence."""

    id: str
    trigger: str
    drive: int
    occurrence: int
    fired_at: float | None
    wall: float | None
    stage: Stage
    verdict: Verdict
    naive: Naive
    role_id: dict[str, int]
    timing: Timing
    conditions: tuple[ConditionResult, ...]
    findings: tuple[Finding, ...]
    alert: AlertResult
    response: Response | None
    """None also while it is hidden: see `response_hidden`."""
    what_now: str
    sources: tuple[SourceEvidence, ...] = ()
    """The further sources, where the run has any."""
    surprises: bool = True
    """False for an event that surprises nobody: who met it before counts as well."""
    treatment: str | None = None
    """What the participant's order gives in this trial, in a study within participants."""
    rulings: tuple[Ruling, ...] = ()
    """Every one, in order; the last one is effective."""
    blind: bool = False
    """Whether the record is blind."""
    revealed: bool = False
    beside_hidden: bool = False
    """Whether its response lies in the time of another trial's whose response is hidden."""
    withheld: bool = False
    """Whether it fired, told or untold, and its response is hidden: what was measured of it, and what was driven."""
    untold_at: float | None = None
    """When it fired by what the telemetry shows of its hazard, where no marker told that it did."""
    hidden_from: float | None = None
    """Its fire, told or untold, in seconds of the drive, while the response is hidden …"""
    hidden_to: float | None = None
    """… and the end of the response's horizon."""
    hidden_in: tuple[tuple[int, float, float], ...] = ()
    """Later drives in which that horizon went on, each with from when to when: a bridge was started again."""
    hidden_after: float | None = None
    """The hidden trial's fire after which this one came: its own times would tell of that one's response."""

    @property
    def ruling(self) -> Ruling | None:
        """The ruling that is effective."""
        return self.rulings[-1] if self.rulings else None

    @property
    def exposure_words(self) -> str:
        """Whether the participant was naive, or that nobody need be."""
        return f"naive: {self.naive}" if self.surprises else "surprises nobody"

    @property
    def effective(self) -> Verdict:
        """The ruling's verdict where there is one, else the computed one."""
        return self.ruling.verdict if self.ruling else self.verdict

    @property
    def fire_t(self) -> float | None:
        """When it fired, by its marker or by the hazard that came without one; None where it did not, as far as is
        known."""
        return self.untold_at if self.fired_at is None else self.fired_at

    @property
    def response_hidden(self) -> bool:
        """True while a blind record's response may not be shown: from the fire to a ruling that decides, unless
        revealed. Once lifted it stays lifted, whatever is ruled later."""
        lifted = self.revealed or any(one.verdict != "undecided" for one in self.rulings)
        return self.blind and (not lifted or self.beside_hidden)

    @property
    def told_fired_at(self) -> float | None:
        """When it fired, where that may be told: the time between two fires tells how fast the car went."""
        return None if self.hidden_after is not None else self.fired_at

    @property
    def told_role_id(self) -> dict[str, int]:
        """Which vehicle was ahead, where that may be told: who ran past one after the fire before has it no more."""
        return {} if self.hidden_after is not None else self.role_id

    @property
    def told_expected_at(self) -> float | None:
        """When its rule held, where that may be told."""
        at = self.timing.expected_at
        return None if at is not None and self.hidden_after is not None and at >= self.hidden_after else at


VIDEO_MARK = "video-sync"
"""Code of the mark that is seen or heard in the room's video: by it the video and the record have one time."""


@dataclass(frozen=True, slots=True)
class Retraction:
    """Who took an entry back, when (seconds since 1970), and why."""

    by: str
    wall: float
    words: str


@dataclass(frozen=True, slots=True)
class Note:
    """An operator's note or mark."""

    at: float | None
    drive: int | None
    wall: float
    by: str
    text: str
    key: str = ""
    """The entry's own; empty in records in which entries had none."""
    retracted: Retraction | None = None
    must_say_why: bool = False
    """Whether it is taken back with words only: it tells how the participant felt."""
    code: str = ""
    """Of a mark what it marks, such as `VIDEO_MARK`; its words are the operator's."""

    @property
    def told(self) -> str:
        """The words, and before them who took the note back, where somebody did."""
        if self.retracted is None:
            return self.text
        why = f" ({self.retracted.words})" if self.retracted.words else ""
        return f"taken back by {self.retracted.by}{why}: {self.text}"


def seen_from_map(fields: Any) -> Seen | None:
    """What an entry's author knew; None where it is not there, or of another shape: then nothing is claimed."""
    if not isinstance(fields, dict):
        return None
    verdict, response, looks = (fields.get(name) for name in Seen.__slots__)
    if not isinstance(verdict, bool) or not isinstance(response, bool):
        return None
    return Seen(verdict, response, looks if isinstance(looks, int) and not isinstance(looks, bool) else None)
