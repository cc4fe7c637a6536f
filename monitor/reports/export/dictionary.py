"""The columns of every exported table: type, unit, definition, thresholds, source. Tables, headers, sidecars and the
schemas of Parquet files are all made from these."""

from __future__ import annotations

from monitor.measures.names import MEASURES
from monitor.reports.export.column import (
    DRIVE,
    FEED,
    OPERATOR,
    PARTICIPANT,
    RECORD,
    RECORDER,
    STUDY_FILE,
    Column,
    response_column,
)
from monitor.reports.export.trial_columns import CONDITIONS, FINDINGS, FIRST, RULINGS, TRIALS, VERDICTS

EVENTS = (
    RECORD,
    PARTICIPANT,
    DRIVE,
    Column("onset_s", "s", "from the first frame of the drive; the telemetry begins there", source=FEED),
    Column("duration_s", "s", "0 for an instant, empty where the end is not known", source=FEED),
    Column("t_s", "s", "simulation time", source=FEED),
    Column("event", "", "kind of the simulator's marker, of a response, or of an operator's entry", source=FEED),
    Column("name", "", "name of the marker; trigger of a response", source=FEED),
    Column(
        "source", "", "who says so", {"simulator": "a marker", "computed": "from the telemetry", "operator": "a note"}
    ),
    Column("trial", "", "trial of a trigger or response: drive / trigger / occurrence"),
    Column("effective", "", "verdict of a trigger's trial: the ruling's where there is one", VERDICTS),
    response_column(
        Column("response_time", "s", "of a trigger: from its onset to the first response; empty if none"), *FIRST
    ),
    response_column(
        Column(
            "censored", "", "of a trigger: 1 if there was no response in the time watched, 0 if there was", kind="flag"
        ),
        "horizon_s",
    ),
    Column("detail", "", "the marker's data as JSON, or the operator's words, and who took them back", source=FEED),
)


def _entered(at: str) -> tuple[Column, ...]:
    """What is said of everything that was entered: in which run, when, by whom."""
    return (
        RECORD,
        PARTICIPANT,
        DRIVE,
        Column("t_s", "s", f"simulation time at the {at}; empty outside of a drive", source=FEED),
        Column("wall_utc", "", "clock of the control room, UTC", source=OPERATOR),
        Column("by", "", "who entered it", source=OPERATOR),
    )


NOTES = (
    *_entered("key press"),
    Column("text", "", "the note, the mark or the rating", source=OPERATOR),
    Column("mark", "", "code of a mark, such as video-sync; empty for a note in words", source=OPERATOR),
    Column("retracted", "", "whether it was taken back", source=OPERATOR, kind="flag"),
    Column("retracted_by", "", "who took it back", source=OPERATOR),
    Column("retracted_words", "", "why", source=OPERATOR),
)

DAY = (
    *_entered("entry"),
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
    PARTICIPANT,
    Column("group", "", "alert group; several are separated by a plus sign", source=OPERATOR),
    Column("studies", "", "names of the studies, separated by a plus sign", source=STUDY_FILE),
    Column("records", "", "number of run records", source=RECORDER, kind="whole"),
    Column("trials", "", "number of trials", kind="whole"),
    Column("valid_trials", "", "number of trials whose effective verdict is valid", kind="whole"),
)

RECORDS = (
    RECORD,
    PARTICIPANT,
    Column("study", "", "name of the study", source=STUDY_FILE),
    Column("study_sha256", "", "digest of the study file by which the record was judged", source=STUDY_FILE),
    Column("digest", "", "closing digest of the record: over every entry in order", source=RECORDER),
    Column("addendum_digest", "", "digest of what was entered after closing; empty without any", source=RECORDER),
    Column(
        "state", "", "of the record", {"sealed": "packed and proved", "closed": "closed in good order"}, source=RECORDER
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
