"""The columns of the tables about trials: verdict and response, rulings, conditions, findings."""

from __future__ import annotations

from monitor.reports.export.column import (
    DRIVE,
    FEED,
    OPERATOR,
    PARTICIPANT,
    RECORD,
    RECORDER,
    STUDY_FILE,
    TRIAL,
    Column,
    response_column,
)

VERDICTS = {
    "valid": "every required condition held and nothing void or doubtful was found, or it was ruled so",
    "invalid": "a required condition did not hold, or something void was found, or it was ruled so",
    "undecided": "something was missing or doubtful, and it was not ruled otherwise",
}
OUTCOMES = {
    "responded": "a response within the horizon",
    "anticipatory": "a response too soon to be one to the event; its time stands all the same",
    "already responding": "the brake was pressed at the origin; there is no time",
    "not measured": "nothing in the feed would have shown a response, or it came unseen; there is no time",
    "no response": "none up to the horizon: censored there",
    "collision": "a response, and contact after it",
    "collision before response": "contact without a response: censored at the contact",
    "cut short": "the drive ended before the horizon: censored there",
}
NO_TIME = ("already responding", "not measured")
"""Outcomes of which it is not known that there was no response up to some time."""
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

RELEASE = ("accelerator_fall",)
STEERING = ("steering_threshold_rad", "baseline_s")
FIRST = (*RELEASE, "brake_threshold", *STEERING, "horizon_s")

TRIALS = (
    RECORD,
    PARTICIPANT,
    Column("group", "", "alert group: as planned, else as the simulator says", source=OPERATOR),
    Column("study", "", "name of the study", source=STUDY_FILE),
    TRIAL,
    Column("trigger", "", "name of the scripted event", source=STUDY_FILE),
    DRIVE,
    Column("fired_s", "s", "simulation time at which the trigger fired; empty if it did not", source=FEED),
    Column("fired_utc", "", "clock of the control room when the trigger's marker came, to the ms", source=RECORDER),
    Column("verdict", "", "as computed from the record; bands stand in `conditions`", VERDICTS),
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
    Column("effective", "", "the ruling where there is one, else the computed verdict", VERDICTS),
    Column("reasons", "", "why it is not valid, separated by semicolons"),
    Column("naive", "", "whether the participant was naive; empty for an event that surprises nobody", NAIVE),
    Column(
        "treatment",
        "",
        "what the participant's order gives in this trial; empty in a study between participants",
        source=STUDY_FILE,
    ),
    Column("timing", "", "the trigger against its own rule", thresholds=("late_after_frames", "grace_s")),
    Column("timing_delay_s", "s", "fire less the instant at which the rule first held"),
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
    ),
    Column(
        "response_origin", "", "instant from which the response is timed, the same in all groups", source=STUDY_FILE
    ),
    response_column(Column("response_t0_s", "s", "simulation time of the origin"), "origin"),
    response_column(
        Column("first_response", "", "which came first: accelerator, brake, steering, or a sign that the study names"),
        *FIRST,
    ),
    response_column(Column("first_response_s", "s", "first response from the origin; empty if none"), *FIRST),
    response_column(
        Column(
            "accelerator_release_s",
            "s",
            "initial release from the origin: where the fall begins that takes the pedal more than accelerator_fall "
            "below where it stood at the origin",
            source="SAE J2944, accelerator release time",
        ),
        *RELEASE,
    ),
    response_column(
        Column(
            "accelerator_full_release_s",
            "s",
            "full release from the origin: the pedal at or below accelerator_zero",
            source="SAE J2944",
        ),
        "accelerator_zero",
    ),
    response_column(Column("release", "", "what the accelerator did", RELEASES), *RELEASE, "accelerator_zero"),
    response_column(
        Column("transition_s", "s", "from full release to brake onset"), "accelerator_zero", "brake_threshold"
    ),
    response_column(
        Column(
            "brake_onset_s",
            "s",
            "brake onset from the origin: the pedal above brake_threshold",
            source="SAE J2944, brake reaction time",
        ),
        "brake_threshold",
    ),
    response_column(
        Column(
            "steering_onset_s",
            "s",
            "steering onset from the origin: the wheel off its mean over baseline_s before it by more than the "
            "threshold",
        ),
        *STEERING,
    ),
    response_column(Column("from_alert_s", "s", "first response from the alert itself; a second figure"), *FIRST),
    response_column(
        Column("outcome", "", "how the waiting for a response ended", OUTCOMES),
        "horizon_s",
        "anticipatory_release_s",
        "anticipatory_brake_s",
        "brake_threshold",
    ),
    response_column(
        Column("censored_s", "s", "time up to which there was no response, where there was none"), "horizon_s"
    ),
    response_column(
        Column("contact_s", "s", "contact from the origin, by a marker or by a gap that closed; empty if none"),
        "horizon_s",
    ),
    response_column(
        Column("watched_s", "s", "time watched from the origin: to the contact, the drive's end, or the horizon"),
        "horizon_s",
    ),
    response_column(
        Column(
            "not_watched",
            "",
            "accelerator, brake, steering (first: a sign) of which an empty onset does not tell that there was none, "
            "because it was not measured all the time, or the accelerator was up at the origin",
        ),
        "accelerator_zero",
    ),
    response_column(
        Column("min_ttc_s", "s", "least gap over closing speed from origin to horizon", source="Hayward 1972"),
        "horizon_s",
    ),
    response_column(
        Column("min_gap_m", "m", "least distance bumper to bumper from origin to horizon", source="SAE J2944"),
        "horizon_s",
    ),
    response_column(
        Column("onset_to_peak_s", "s", "from brake onset to the greatest deceleration", source="Lee et al. 2002")
    ),
    response_column(
        Column("max_decel_mps2", "m/s²", "greatest deceleration from origin to horizon, positive"), "horizon_s"
    ),
    response_column(Column("impact_speed_mps", "m/s", "closing speed at contact")),
    response_column(
        Column(
            "left_lane",
            "",
            "1 if the body's edge crossed a line of the lane from origin to horizon, 0 if not",
            source="SAE J2944, body edge",
            kind="flag",
        ),
        "horizon_s",
    ),
    response_column(
        Column("signs", "", "each sign that the study names, with its onset in s or what became of it"), "horizon_s"
    ),
    response_column(
        Column(
            "max_lateral_deviation_m",
            "m",
            "the lane offset from its mean over baseline_s before the origin, the greatest to the horizon",
        ),
        "baseline_s",
        "horizon_s",
    ),
    response_column(
        Column("time_to_stable_s", "s", "from the origin until the car was stable again, as the study says"),
        "horizon_s",
    ),
    response_column(
        Column("min_ttc_bodies_s", "s", "least time until both bodies touch as they move, from origin to horizon"),
        "horizon_s",
    ),
)

RULINGS = (
    RECORD,
    PARTICIPANT,
    TRIAL,
    Column("number", "", "in the order in which they were made, from 1; the last one is in force", kind="whole"),
    Column("verdict", "", "as ruled", VERDICTS, source=OPERATOR),
    Column("computed", "", "the computed verdict", VERDICTS),
    Column("reason", "", "reason code", source=OPERATOR),
    Column("words", "", "the operator's words", source=OPERATOR),
    Column("by", "", "who ruled", source=OPERATOR),
    Column("made_utc", "", "when, by the clock of whoever ruled, UTC", source=OPERATOR),
    Column("t_s", "s", "simulation time, where it was made during the drive", source=OPERATOR),
    Column("in_force", "", "1 for the last one, which is effective", kind="flag"),
    Column("contradicted", "", "1 if another ruling on this trial says something else", kind="flag"),
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
    RECORD,
    PARTICIPANT,
    TRIAL,
    Column("condition", "", "name of the condition", source=STUDY_FILE),
    Column("measure", "", "what it looks at", source=STUDY_FILE),
    Column("role", "", "the vehicle that it looks at", source=STUDY_FILE),
    Column("at_least", "", "lower end of the band, in the unit of the row", source=STUDY_FILE, kind="number"),
    Column("at_most", "", "upper end of the band, in the unit of the row", source=STUDY_FILE, kind="number"),
    Column("outside", "", "two edges, where the band lies to either side of them; empty otherwise", source=STUDY_FILE),
    Column(
        "any_of", "", "where one of several is enough: all of them; the row has the one that decided", source=STUDY_FILE
    ),
    Column(
        "tolerance", "", "met so far outside the band, too, in the unit of the row", source=STUDY_FILE, kind="number"
    ),
    Column("value", "", "the number that decided, in the unit of the row", kind="number"),
    Column("state", "", "why there is no number"),
    Column(
        "margin", "", "distance to the nearer end of the band, negative outside, in the unit of the row", kind="number"
    ),
    Column("unit", "", "unit of the row's numbers", source=STUDY_FILE),
    Column("result", "", "of the condition", RESULTS),
    Column("at_edge", "", "1 if met only within the tolerance", kind="flag"),
    Column("required", "", "1 if it decides, 0 if it is advisory", source=STUDY_FILE, kind="flag"),
    Column("checked_by", "", "channels that tell the value as well; empty where nothing does"),
    Column("rebuilt", "", "the value by them, in the unit of the row", kind="number"),
    Column("differs", "", "that less the published value, in the unit of the row", kind="number"),
    Column(
        "noticed_from",
        "",
        "least error of the value that would have shown on this feed, in the unit of the row",
        kind="number",
    ),
)

FINDINGS = (
    RECORD,
    PARTICIPANT,
    TRIAL,
    Column("code", "", "reason code"),
    Column(
        "severity",
        "",
        "weight",
        {"void": "loses the trial", "doubtful": "asks for a ruling", "note": "to be known"},
        source=STUDY_FILE,
    ),
    Column("t_s", "s", "simulation time", source=FEED),
    Column("sentence", "", "what was found"),
)
