"""The columns of every exported table: name, unit, definition. Tables, headers and sidecars are all made from these."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.measures.names import MEASURES


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `levels`: what its words mean, where it has a fixed set of them."""

    name: str
    unit: str
    definition: str
    levels: dict[str, str] = field(default_factory=dict)
    of_response: bool = False
    """Whether it tells of the response: empty in the export of a blind study whose rulings are not complete."""


VERDICTS = {
    "valid": "every required condition held and nothing void or doubtful was found, or it was ruled so",
    "invalid": "a required condition did not hold, or something void was found, or it was ruled so",
    "undecided": "something was missing or doubtful, and it was not ruled otherwise",
}
OUTCOMES = {
    "responded": "a response within the horizon",
    "anticipatory": "a response too soon to be one to the event; its time stands all the same",
    "already responding": "the brake was pressed at the origin; there is no time",
    "no response": "none up to the horizon: censored there",
    "collision": "a response, and contact after it",
    "collision before response": "contact without a response: censored at the contact",
    "cut short": "the drive ended before the horizon: censored there",
}
NAIVE = {
    "yes": "the participant had not met a surprise of this class",
    "no": "had met one",
    "unknown": "may have met one; counts as spent",
}
RESULTS = {"met": "in the band", "not met": "outside of it", "undecided": "may have been either: something was missing"}

_RECORD = Column("record", "", "name of the run record that the row comes from")
_PARTICIPANT = Column("participant", "", "pseudonymous code")
_DRIVE = Column("drive", "", "number of the drive in the record, from 1")
_TRIAL = Column("trial", "", "drive / trigger / occurrence")


def _response(name: str, unit: str, definition: str, levels: dict[str, str] | None = None) -> Column:
    return Column(name, unit, definition, levels or {}, of_response=True)


TRIALS = (
    _RECORD,
    _PARTICIPANT,
    Column("group", "", "alert group: as planned, else as the simulator says"),
    Column("study", "", "name of the study"),
    _TRIAL,
    Column("trigger", "", "name of the scripted event"),
    _DRIVE,
    Column("fired_s", "s", "simulation time at which the trigger fired; empty if it did not"),
    Column("verdict", "", "as computed from the record", VERDICTS),
    Column("ruling", "", "the operator's, beside the computed one; empty without one", VERDICTS),
    Column("ruling_reason", "", "reason code of the ruling"),
    Column("ruling_words", "", "the operator's words"),
    Column("ruled_by", "", "who ruled"),
    Column("ruled_utc", "", "when, by the clock of whoever ruled, UTC"),
    Column("rulings", "", "how many rulings were made on it; all of them stand in the table rulings"),
    Column("ruling_seen", "", "what was seen before the ruling in force, or not recorded"),
    Column("ruling_looks", "", "looks at responses by group that had been entered when it was made"),
    Column("ruling_after_look", "", "1 if it was made after such a look, 0 if not; empty where that is not recorded"),
    Column("effective", "", "the ruling where there is one, else the computed verdict", VERDICTS),
    Column("reasons", "", "why it is not valid, separated by semicolons"),
    Column("naive", "", "whether the participant was naive to the surprise", NAIVE),
    Column("timing", "", "the trigger against its own rule"),
    Column("timing_delay_s", "s", "fire less the instant at which the rule first held"),
    Column("alert_expected", "", "modalities assigned, separated by a plus sign; empty for none"),
    Column("alert_given", "", "modalities given"),
    Column("alert_s", "s", "simulation time of the alert"),
    Column("alert_evidence", "", "how the alert is known", {"measured": "a sensor saw it", "commanded": "as ordered"}),
    Column("alert_result", "", "given against assigned"),
    Column("response_origin", "", "instant from which the response is timed, the same in all groups"),
    _response("response_t0_s", "s", "simulation time of the origin"),
    _response("first_response", "", "which control came first: accelerator, brake or steering"),
    _response("first_response_s", "s", "first response from the origin; empty if none"),
    _response("accelerator_release_s", "s", "initial release of the accelerator from the origin (SAE J2944)"),
    _response("accelerator_full_release_s", "s", "full release of the accelerator from the origin"),
    _response("transition_s", "s", "from full release to brake onset"),
    _response("brake_onset_s", "s", "brake onset from the origin (SAE J2944, brake reaction time)"),
    _response("steering_onset_s", "s", "steering onset from the origin"),
    _response("from_alert_s", "s", "first response from the alert itself; a second figure"),
    _response("outcome", "", "how the waiting for a response ended", OUTCOMES),
    _response("censored_s", "s", "time up to which there was no response, where there was none"),
    _response("min_ttc_s", "s", "least gap over closing speed from origin to horizon"),
    _response("min_gap_m", "m", "least distance bumper to bumper from origin to horizon"),
    _response("max_decel_mps2", "m/s²", "greatest deceleration from origin to horizon, positive"),
    _response("impact_speed_mps", "m/s", "closing speed at contact"),
    _response("left_lane", "", "1 if the body's edge crossed a line of the lane, 0 if not"),
)

RULINGS = (
    _RECORD,
    _PARTICIPANT,
    _TRIAL,
    Column("number", "", "in the order in which they were made, from 1; the last one is in force"),
    Column("verdict", "", "as ruled", VERDICTS),
    Column("computed", "", "the computed verdict", VERDICTS),
    Column("reason", "", "reason code"),
    Column("words", "", "the operator's words"),
    Column("by", "", "who ruled"),
    Column("made_utc", "", "when, by the clock of whoever ruled, UTC"),
    Column("t_s", "s", "simulation time, where it was made during the drive"),
    Column("in_force", "", "1 for the last one, which is effective"),
    Column("contradicted", "", "1 if another ruling on this trial says something else"),
    Column("seen_verdict", "", "1 if the computed verdict was seen before; empty where that is not recorded"),
    Column("seen_response", "", "1 if the response was seen before"),
    Column("looks", "", "looks at responses by group that had been entered before"),
    Column("seen", "", "the same in words, or not recorded"),
)

CONDITIONS = (
    _RECORD,
    _PARTICIPANT,
    _TRIAL,
    Column("condition", "", "name in the study file"),
    Column("measure", "", "what it looks at"),
    Column("role", "", "the vehicle that it looks at"),
    Column("at_least", "", "lower end of the band, in the unit of the row"),
    Column("at_most", "", "upper end of the band, in the unit of the row"),
    Column("value", "", "the number that decided, in the unit of the row"),
    Column("state", "", "why there is no number"),
    Column("margin", "", "distance to the nearer end of the band, negative outside, in the unit of the row"),
    Column("unit", "", "unit of the row's numbers"),
    Column("result", "", "of the condition", RESULTS),
    Column("at_edge", "", "1 if met only within the tolerance"),
    Column("required", "", "1 if it decides, 0 if it is advisory"),
)

FINDINGS = (
    _RECORD,
    _PARTICIPANT,
    _TRIAL,
    Column("code", "", "reason code"),
    Column(
        "severity", "", "weight", {"void": "loses the trial", "doubtful": "asks for a ruling", "note": "to be known"}
    ),
    Column("t_s", "s", "simulation time"),
    Column("sentence", "", "what was found"),
)

EVENTS = (
    _RECORD,
    _PARTICIPANT,
    _DRIVE,
    Column("onset_s", "s", "from the first frame of the drive; the telemetry begins there"),
    Column("duration_s", "s", "0 for an instant, empty where the end is not known"),
    Column("t_s", "s", "simulation time"),
    Column("event", "", "kind of the simulator's marker, of a response, or of an operator's entry"),
    Column("name", "", "name of the marker; trigger of a response"),
    Column(
        "source", "", "who says so", {"simulator": "a marker", "computed": "from the telemetry", "operator": "a note"}
    ),
    Column("trial", "", "trial of a trigger or response: drive / trigger / occurrence"),
    Column("effective", "", "verdict of a trigger's trial: the ruling's where there is one", VERDICTS),
    _response("response_time", "s", "of a trigger: from its onset to the first response; empty if none"),
    _response("censored", "", "of a trigger: 1 if there was no response in the time watched, 0 if there was"),
    Column("detail", "", "the marker's data as JSON, or the operator's words"),
)

NOTES = (
    _RECORD,
    _PARTICIPANT,
    _DRIVE,
    Column("t_s", "s", "simulation time at the key press; empty outside of a drive"),
    Column("wall_utc", "", "clock of the control room, UTC"),
    Column("by", "", "who entered it"),
    Column("text", "", "the note, the mark or the rating"),
)

PARTICIPANTS = (
    _PARTICIPANT,
    Column("group", "", "alert group; several are separated by a plus sign"),
    Column("studies", "", "names of the studies, separated by a plus sign"),
    Column("records", "", "number of run records"),
    Column("trials", "", "number of trials"),
    Column("valid_trials", "", "number of trials whose effective verdict is valid"),
)

RECORDS = (
    _RECORD,
    _PARTICIPANT,
    Column("study", "", "name of the study"),
    Column("study_sha256", "", "digest of the study file by which the record was judged"),
    Column("digest", "", "closing digest of the record: over every entry in order"),
    Column("addendum_digest", "", "digest of what was entered after closing; empty without any"),
    Column("state", "", "of the record", {"sealed": "packed and proved", "closed": "closed in good order"}),
    Column("began_utc", "", "clock of the control room at the first entry, UTC"),
    Column("frames", "", "frames received; empty while a response is hidden, because it tells how long a drive took"),
    Column("lost", "", "frames that did not arrive"),
    Column("damage", "", "what was wrong with its bytes; empty for a whole record"),
    Column("program", "", "version of the program that recorded it"),
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
}
"""Every table by its name."""

_LEAD = {
    "lead_id": Column("lead_id", "", "number of the nearest vehicle ahead in the own path"),
    "lead_speed": Column("lead_speed", "m/s", "speed of that vehicle"),
    "lead_accel": Column("lead_accel", "m/s²", "acceleration of that vehicle, braking negative"),
}


def telemetry_column(name: str, signals: dict[str, str]) -> Column:
    """The definition of a telemetry column; `signals`: name → unit as the simulator says."""
    if name == "t":
        return Column("t", "s", "simulation time")
    if name in _LEAD:
        return _LEAD[name]
    if name in MEASURES:
        row = MEASURES[name]
        return Column(name, row.unit, f"{row.definition} ({row.source})", of_response=row.reveals)
    plain = name.removeprefix("signal_").removeprefix("own_")
    if name.startswith("own_") and plain in MEASURES:
        row = MEASURES[plain]
        return Column(name, row.unit, f"as the simulator gives it: {row.definition}", of_response=row.reveals)
    return Column(name, signals.get(plain, ""), f"{plain}, as the simulator gives it")
