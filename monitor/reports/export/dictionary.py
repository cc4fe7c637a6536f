"""The columns of every exported table: type, unit, definition, thresholds, source. Tables, headers, sidecars and the
schemas of Parquet files are all made from these."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal

from monitor.measures.names import MEASURES
from monitor.study.model import Study, Trigger

Type = Literal["text", "number", "whole", "flag", "time"]
"""A flag is 1 or 0, a time is UTC after ISO 8601."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `levels`: what its words mean, where it has a fixed set of them."""

    name: str
    unit: str
    definition: str
    levels: dict[str, str] = field(default_factory=dict)
    of_response: bool = False
    """Whether it tells of the response: empty in the export of a blind study whose rulings are not complete."""
    thresholds: tuple[str, ...] = ()
    """Keys of a trigger in the study file by whose values it was computed, such as "response.brake_threshold"."""
    source: str = ""
    """Who says so, or where the definition is published."""
    kind: Type | None = None
    """None is as the name and the unit tell, see `type`."""

    @property
    def type(self) -> Type:
        """Type of its values."""
        if self.kind is not None:
            return self.kind
        if self.name.endswith("_utc"):
            return "time"
        return "number" if self.unit else "text"


def threshold_words(column: Column, studies: Iterable[Study]) -> str:
    """The thresholds of a column with their values, by trigger: "gate-brake: brake_threshold 0.02"."""
    found = {
        trigger.name: ", ".join(_values(trigger, column.thresholds)) for study in studies for trigger in study.triggers
    }
    return "; ".join(f"{name}: {words}" for name, words in found.items() if words)


def _values(trigger: Trigger, keys: Iterable[str]) -> Iterator[str]:
    for key in keys:
        section, _, name = key.rpartition(".")
        holder = getattr(trigger, section) if section else trigger
        value = None if holder is None else getattr(holder, name)
        if value is not None:
            yield f"{name} {value:g}" if isinstance(value, int | float) else f"{name} {value}"


VERDICTS = {
    "valid": "every required condition held and nothing void or doubtful was found, or it was ruled so",
    "invalid": "a required condition did not hold, or something void was found, or it was ruled so",
    "undecided": "something was missing or doubtful, and it was not ruled otherwise",
}
OUTCOMES = {
    "responded": "a response within the horizon",
    "anticipatory": "a response too soon to be one to the event; its time stands all the same",
    "already responding": "the brake was pressed at the origin; there is no time",
    "not measured": "nothing in the feed would have shown a response; there is no time",
    "no response": "none up to the horizon: censored there",
    "collision": "a response, and contact after it",
    "collision before response": "contact without a response: censored at the contact",
    "cut short": "the drive ended before the horizon: censored there",
}
RELEASES = {
    "released": "let go of after the origin",
    "kept pressed": "not let go of up to the horizon",
    "pre-released": "up at the origin already: a release time is not defined, and not 0",
    "not measured": "the pedal was not in the feed",
}
NAIVE = {
    "yes": "the participant had not met a surprise of this class",
    "no": "had met one",
    "unknown": "may have met one; counts as spent",
}
RESULTS = {"met": "in the band", "not met": "outside of it", "undecided": "may have been either: something was missing"}

WITNESS = "computed from the recorded feed"
FEED = "the simulator's feed, as it came"
OPERATOR = "entered in the control room"
STUDY_FILE = "the study file"
RECORDER = "the recorder"

_RECORD = Column("record", "", "name of the run record that the row comes from", source=RECORDER)
_PARTICIPANT = Column("participant", "", "pseudonymous code", source=OPERATOR)
_DRIVE = Column("drive", "", "number of the drive in the record, from 1", source=RECORDER, kind="whole")
_TRIAL = Column("trial", "", "drive / trigger / occurrence", source=WITNESS)


def _response(
    name: str,
    unit: str,
    definition: str,
    *keys: str,
    levels: dict[str, str] | None = None,
    source: str = WITNESS,
    kind: Type | None = None,
) -> Column:
    """A column of the response; `keys` are those of the trigger's `[trigger.response]` that it was computed by."""
    thresholds = tuple(f"response.{key}" for key in keys)
    return Column(name, unit, definition, levels or {}, True, thresholds, source, kind)


RELEASE = ("accelerator_fall",)
STEERING = ("steering_threshold_rad", "baseline_s")
FIRST = (*RELEASE, "brake_threshold", *STEERING, "horizon_s")

TRIALS = (
    _RECORD,
    _PARTICIPANT,
    Column("group", "", "alert group: as planned, else as the simulator says", source=OPERATOR),
    Column("study", "", "name of the study", source=STUDY_FILE),
    _TRIAL,
    Column("trigger", "", "name of the scripted event", source=STUDY_FILE),
    _DRIVE,
    Column("fired_s", "s", "simulation time at which the trigger fired; empty if it did not", source=FEED),
    Column("fired_utc", "", "clock of the control room when the trigger's marker came, to the ms", source=RECORDER),
    Column("verdict", "", "as computed from the record; bands stand in `conditions`", VERDICTS, source=WITNESS),
    Column("ruling", "", "the operator's, beside the computed one; empty without one", VERDICTS, source=OPERATOR),
    Column("ruling_reason", "", "reason code of the ruling", source=OPERATOR),
    Column("ruling_words", "", "the operator's words", source=OPERATOR),
    Column("ruled_by", "", "who ruled", source=OPERATOR),
    Column("ruled_utc", "", "when, by the clock of whoever ruled", source=OPERATOR),
    Column(
        "rulings", "", "how many rulings were made on it; all stand in the table rulings", source=OPERATOR, kind="whole"
    ),
    Column("ruling_seen", "", "what was seen before the ruling in force, or not recorded", source=OPERATOR),
    Column("ruling_looks", "", "looks at responses by group entered when it was made", source=OPERATOR, kind="whole"),
    Column(
        "ruling_after_look",
        "",
        "1 if it was made after such a look, 0 if not; empty where that is not recorded",
        source=OPERATOR,
        kind="flag",
    ),
    Column("effective", "", "the ruling where there is one, else the computed verdict", VERDICTS, source=WITNESS),
    Column("reasons", "", "why it is not valid, separated by semicolons", source=WITNESS),
    Column(
        "naive",
        "",
        "whether the participant was naive; empty for an event that surprises nobody",
        NAIVE,
        source=WITNESS,
    ),
    Column(
        "treatment",
        "",
        "what the participant's order gives in this trial; empty in a study between participants",
        source=STUDY_FILE,
    ),
    Column(
        "timing",
        "",
        "the trigger against its own rule",
        thresholds=("late_after_frames", "grace_s"),
        source=WITNESS,
    ),
    Column("timing_delay_s", "s", "fire less the instant at which the rule first held", source=WITNESS),
    Column("alert_expected", "", "modalities assigned, separated by a plus sign; empty for none", source=STUDY_FILE),
    Column("alert_given", "", "modalities given", source=FEED),
    Column("alert_s", "s", "simulation time of the alert, the stated output delay included", source=FEED),
    Column(
        "alert_evidence",
        "",
        "how the alert is known",
        {"measured": "a sensor saw it", "commanded": "as ordered"},
        source=FEED,
    ),
    Column(
        "alert_result",
        "",
        "given against assigned",
        thresholds=("alert.earliest_s", "alert.latest_s", "alert.at_least_lasting_s", "alert.at_most_lasting_s"),
        source=WITNESS,
    ),
    Column(
        "response_origin", "", "instant from which the response is timed, the same in all groups", source=STUDY_FILE
    ),
    _response("response_t0_s", "s", "simulation time of the origin", "origin"),
    _response(
        "first_response", "", "which came first: accelerator, brake, steering, or a sign that the study names", *FIRST
    ),
    _response("first_response_s", "s", "first response from the origin; empty if none", *FIRST),
    _response(
        "accelerator_release_s",
        "s",
        "initial release from the origin: where the fall begins that takes the pedal more than accelerator_fall below "
        "where it stood at the origin",
        *RELEASE,
        source="SAE J2944, accelerator release time",
    ),
    _response(
        "accelerator_full_release_s",
        "s",
        "full release from the origin: the pedal at or below accelerator_zero",
        "accelerator_zero",
        source="SAE J2944",
    ),
    _response("release", "", "what the accelerator did", *RELEASE, "accelerator_zero", levels=RELEASES),
    _response("transition_s", "s", "from full release to brake onset", "accelerator_zero", "brake_threshold"),
    _response(
        "brake_onset_s",
        "s",
        "brake onset from the origin: the pedal above brake_threshold",
        "brake_threshold",
        source="SAE J2944, brake reaction time",
    ),
    _response(
        "steering_onset_s",
        "s",
        "steering onset from the origin: the wheel off its mean over baseline_s before it by more than the threshold",
        *STEERING,
    ),
    _response("from_alert_s", "s", "first response from the alert itself; a second figure", *FIRST),
    _response(
        "outcome",
        "",
        "how the waiting for a response ended",
        *("horizon_s", "anticipatory_release_s", "anticipatory_brake_s", "brake_threshold"),
        levels=OUTCOMES,
    ),
    _response("censored_s", "s", "time up to which there was no response, where there was none", "horizon_s"),
    _response(
        "min_ttc_s", "s", "least gap over closing speed from origin to horizon", "horizon_s", source="Hayward 1972"
    ),
    _response(
        "min_gap_m", "m", "least distance bumper to bumper from origin to horizon", "horizon_s", source="SAE J2944"
    ),
    _response("onset_to_peak_s", "s", "from brake onset to the greatest deceleration", source="Lee et al. 2002"),
    _response("max_decel_mps2", "m/s²", "greatest deceleration from origin to horizon, positive", "horizon_s"),
    _response("impact_speed_mps", "m/s", "closing speed at contact"),
    _response(
        "left_lane",
        "",
        "1 if the body's edge crossed a line of the lane from origin to horizon, 0 if not",
        "horizon_s",
        source="SAE J2944, body edge",
        kind="flag",
    ),
    _response("signs", "", "each sign that the study names, with its onset in s or what became of it", "horizon_s"),
    _response(
        "max_lateral_deviation_m",
        "m",
        "the lane offset from its mean over baseline_s before the origin, the greatest to the horizon",
        *("baseline_s", "horizon_s"),
    ),
    _response(
        "time_to_stable_s", "s", "from the origin until the car was stable again, as the study says", "horizon_s"
    ),
)

RULINGS = (
    _RECORD,
    _PARTICIPANT,
    _TRIAL,
    Column(
        "number",
        "",
        "in the order in which they were made, from 1; the last one is in force",
        source=WITNESS,
        kind="whole",
    ),
    Column("verdict", "", "as ruled", VERDICTS, source=OPERATOR),
    Column("computed", "", "the computed verdict", VERDICTS, source=WITNESS),
    Column("reason", "", "reason code", source=OPERATOR),
    Column("words", "", "the operator's words", source=OPERATOR),
    Column("by", "", "who ruled", source=OPERATOR),
    Column("made_utc", "", "when, by the clock of whoever ruled, UTC", source=OPERATOR),
    Column("t_s", "s", "simulation time, where it was made during the drive", source=OPERATOR),
    Column("in_force", "", "1 for the last one, which is effective", source=WITNESS, kind="flag"),
    Column("contradicted", "", "1 if another ruling on this trial says something else", source=WITNESS, kind="flag"),
    Column(
        "seen_verdict",
        "",
        "1 if the computed verdict was seen before; empty where that is not recorded",
        source=OPERATOR,
        kind="flag",
    ),
    Column("seen_response", "", "1 if the response was seen before", source=OPERATOR, kind="flag"),
    Column("looks", "", "looks at responses by group that had been entered before", source=OPERATOR, kind="whole"),
    Column("seen", "", "the same in words, or not recorded", source=OPERATOR),
)

CONDITIONS = (
    _RECORD,
    _PARTICIPANT,
    _TRIAL,
    Column("condition", "", "name of the condition", source=STUDY_FILE),
    Column("measure", "", "what it looks at", source=STUDY_FILE),
    Column("role", "", "the vehicle that it looks at", source=STUDY_FILE),
    Column("at_least", "", "lower end of the band, in the unit of the row", source=STUDY_FILE, kind="number"),
    Column("at_most", "", "upper end of the band, in the unit of the row", source=STUDY_FILE, kind="number"),
    Column("outside", "", "two edges, where the band lies to either side of them; empty otherwise", source=STUDY_FILE),
    Column(
        "any_of",
        "",
        "where one of several is enough: all of them; the row has the one that decided",
        source=STUDY_FILE,
    ),
    Column(
        "tolerance", "", "met so far outside the band, too, in the unit of the row", source=STUDY_FILE, kind="number"
    ),
    Column("value", "", "the number that decided, in the unit of the row", source=WITNESS, kind="number"),
    Column("state", "", "why there is no number", source=WITNESS),
    Column(
        "margin",
        "",
        "distance to the nearer end of the band, negative outside, in the unit of the row",
        source=WITNESS,
        kind="number",
    ),
    Column("unit", "", "unit of the row's numbers", source=STUDY_FILE),
    Column("result", "", "of the condition", RESULTS, source=WITNESS),
    Column("at_edge", "", "1 if met only within the tolerance", source=WITNESS, kind="flag"),
    Column("required", "", "1 if it decides, 0 if it is advisory", source=STUDY_FILE, kind="flag"),
    Column("checked_by", "", "channels that tell the value as well; empty where nothing does", source=WITNESS),
    Column("rebuilt", "", "the value by them, in the unit of the row", source=WITNESS, kind="number"),
    Column("differs", "", "that less the published value, in the unit of the row", source=WITNESS, kind="number"),
    Column(
        "noticed_from",
        "",
        "least error of the value that would have shown on this feed, in the unit of the row",
        source=WITNESS,
        kind="number",
    ),
)

FINDINGS = (
    _RECORD,
    _PARTICIPANT,
    _TRIAL,
    Column("code", "", "reason code", source=WITNESS),
    Column(
        "severity",
        "",
        "weight",
        {"void": "loses the trial", "doubtful": "asks for a ruling", "note": "to be known"},
        source=STUDY_FILE,
    ),
    Column("t_s", "s", "simulation time", source=FEED),
    Column("sentence", "", "what was found", source=WITNESS),
)

EVENTS = (
    _RECORD,
    _PARTICIPANT,
    _DRIVE,
    Column("onset_s", "s", "from the first frame of the drive; the telemetry begins there", source=FEED),
    Column("duration_s", "s", "0 for an instant, empty where the end is not known", source=FEED),
    Column("t_s", "s", "simulation time", source=FEED),
    Column("event", "", "kind of the simulator's marker, of a response, or of an operator's entry", source=FEED),
    Column("name", "", "name of the marker; trigger of a response", source=FEED),
    Column(
        "source",
        "",
        "who says so",
        {"simulator": "a marker", "computed": "from the telemetry", "operator": "a note"},
        source=WITNESS,
    ),
    Column("trial", "", "trial of a trigger or response: drive / trigger / occurrence", source=WITNESS),
    Column("effective", "", "verdict of a trigger's trial: the ruling's where there is one", VERDICTS, source=WITNESS),
    _response("response_time", "s", "of a trigger: from its onset to the first response; empty if none", *FIRST),
    _response(
        "censored",
        "",
        "of a trigger: 1 if there was no response in the time watched, 0 if there was",
        "horizon_s",
        kind="flag",
    ),
    Column("detail", "", "the marker's data as JSON, or the operator's words", source=FEED),
)

NOTES = (
    _RECORD,
    _PARTICIPANT,
    _DRIVE,
    Column("t_s", "s", "simulation time at the key press; empty outside of a drive", source=FEED),
    Column("wall_utc", "", "clock of the control room, UTC", source=OPERATOR),
    Column("by", "", "who entered it", source=OPERATOR),
    Column("text", "", "the note, the mark or the rating", source=OPERATOR),
)

DAY = (
    _RECORD,
    _PARTICIPANT,
    _DRIVE,
    Column("t_s", "s", "simulation time at the entry; empty outside of a drive", source=FEED),
    Column("wall_utc", "", "clock of the control room, UTC", source=OPERATOR),
    Column("by", "", "who entered it", source=OPERATOR),
    Column(
        "entry",
        "",
        "what was entered",
        {
            "perceived": "an alert in the seat, at the last rehearsal before the run",
            "adverse": "an adverse event",
            "deviation": "a deviation from the protocol",
            "stop": "why the participant was to drive no more",
            "symptoms before": "sickness questionnaire before the drive",
            "symptoms after": "the same after it",
            "fit": "whether the participant is fit to leave",
            "debrief": "a question after the drive",
            "reminded": "a limit of driving time that was near or passed",
        },
        source=OPERATOR,
    ),
    Column(
        "item",
        "",
        "number of an event, the alert, symptom, question or limit; of symptoms also the four scores (Kennedy, Lane, "
        "Berbaum and Lilienthal 1993)",
        source=OPERATOR,
    ),
    Column(
        "answer", "", "what was answered; a symptom from 0 (none) to 3 (severe), a score as a number", source=OPERATOR
    ),
    Column("words", "", "in words; a participant's own words only where no response is hidden", source=OPERATOR),
    Column("retracted", "", "whether it was taken back", source=OPERATOR, kind="flag"),
)

PARTICIPANTS = (
    _PARTICIPANT,
    Column("group", "", "alert group; several are separated by a plus sign", source=OPERATOR),
    Column("studies", "", "names of the studies, separated by a plus sign", source=STUDY_FILE),
    Column("records", "", "number of run records", source=RECORDER, kind="whole"),
    Column("trials", "", "number of trials", source=WITNESS, kind="whole"),
    Column("valid_trials", "", "number of trials whose effective verdict is valid", source=WITNESS, kind="whole"),
)

RECORDS = (
    _RECORD,
    _PARTICIPANT,
    Column("study", "", "name of the study", source=STUDY_FILE),
    Column("study_sha256", "", "digest of the study file by which the record was judged", source=STUDY_FILE),
    Column("digest", "", "closing digest of the record: over every entry in order", source=RECORDER),
    Column("addendum_digest", "", "digest of what was entered after closing; empty without any", source=RECORDER),
    Column(
        "state",
        "",
        "of the record",
        {"sealed": "packed and proved", "closed": "closed in good order"},
        source=RECORDER,
    ),
    Column("began_utc", "", "clock of the control room at the first entry, UTC", source=RECORDER),
    Column(
        "frames",
        "",
        "frames received; empty while a response is hidden, because it tells how long a drive took",
        source=RECORDER,
        kind="whole",
    ),
    Column("lost", "", "frames that did not arrive", source=RECORDER, kind="whole"),
    Column("damage", "", "what was wrong with its bytes; empty for a whole record", source=RECORDER),
    Column("program", "", "version of the program that recorded it", source=RECORDER),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "participants": PARTICIPANTS,
    "records": RECORDS,
    "trials": TRIALS,
    "rulings": RULINGS,
    "conditions": CONDITIONS,
    "findings": FINDINGS,
    "events": EVENTS,
    "notes": NOTES,
    "day": DAY,
}
"""Every table by its name."""

ALWAYS = tuple(name for name in TABLES if name != "day")
"""Tables that are always written; that of the day only where something was entered of it."""

_LEAD = {
    "lead_id": Column("lead_id", "", "number of the nearest vehicle ahead in the own path", source=FEED, kind="number"),
    "lead_speed": Column("lead_speed", "m/s", "speed of that vehicle", source=FEED),
    "lead_accel": Column("lead_accel", "m/s²", "acceleration of that vehicle, braking negative", source=FEED),
}


def telemetry_column(name: str, signals: dict[str, str]) -> Column:
    """The definition of a telemetry column; `signals`: name → unit as the simulator says."""
    if name == "t":
        return Column("t", "s", "simulation time", source=FEED)
    if name in _LEAD:
        return _LEAD[name]
    if name in MEASURES:
        row = MEASURES[name]
        return Column(name, row.unit, row.definition, source=row.source, kind="number", of_response=row.reveals)
    plain = name.removeprefix("signal_").removeprefix("own_")
    if name.startswith("own_") and plain in MEASURES:
        row = MEASURES[plain]
        return Column(
            name,
            row.unit,
            f"as the simulator gives it: {row.definition}",
            source=FEED,
            kind="number",
            of_response=row.reveals,
        )
    return Column(name, signals.get(plain, ""), f"{plain}, as the simulator gives it", source=FEED, kind="number")
