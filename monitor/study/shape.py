"""The shape of a study file as tables: which keys a section has, what each value must be, which are required.

`checker.py` walks these tables; nothing else knows which keys exist. What the keys mean is checked in `conditions.py`
and `building.py`, what they become stands in `model.py` (same names, so that a test can compare the two).
"""

from __future__ import annotations

from typing import get_args

from monitor.feed.marker_kinds import KINDS
from monitor.study.day.shape import DAY_SECTIONS
from monitor.study.model import (
    Counts,
    Edge,
    GroupTestName,
    MedianConvention,
    MissingMeans,
    ResponseMeasure,
    Severity,
)
from monitor.tables.kinds import LONGEST_NAME, Flag, Key, Named, Number, Section, Sections, Several, Text

ANY = Number()
SECONDS = Number(least=0.0)
SOME_SECONDS = Number(above=0.0)
PEDAL = Number(least=0.0, most=1.0)
NAME = Text(longest=LONGEST_NAME)
WORDS = Text()

PLANNED = Number(least=0, whole=True)
OFTEN = Number(least=0, whole=True, or_word="any")

BAND = {
    "at_least": Key(ANY),
    "at_most": Key(ANY),
    "outside": Key(Several(ANY, count=2)),
    "tolerance": Key(Number(least=0.0)),
}
MEASURE = {
    "measure": Key(NAME, required=True),
    "role": Key(NAME),
    "from_role": Key(NAME),
    "over_s": Key(SOME_SECONDS),
    "rate_over_s": Key(SOME_SECONDS),
    "point": Key(NAME),
    "event": Key(Text(tuple(KINDS))),
    "named": Key(NAME),
}
LOOKED = Section({**MEASURE, **BAND})


def _any_of(section: Section) -> dict[str, Key]:
    """The keys of a section that may have several of its kind under `any_of` in place of its own measure and band."""
    return {**section.keys, "measure": Key(NAME), "any_of": Key(Sections(section))}


LEAF = Section({**MEASURE, **BAND, "edge": Key(Text(get_args(Edge))), "delay_s": Key(SECONDS)})
TERM = Section(_any_of(LEAF))

CONDITION = Section(
    {
        "name": Key(NAME, required=True),
        **_any_of(LOOKED),
        "during": Key(Several(ANY, count=2)),
        "share": Key(Number(above=0.0, most=1.0)),
        "within_s": Key(SECONDS),
        "held_s": Key(SECONDS),
        "required": Key(Flag()),
        "needs_evidence": Key(Flag()),
        "if_missing": Key(Text(get_args(MissingMeans))),
        "settles_at_s": Key(SECONDS),
    }
)

ALERT = Section(
    {
        "earliest_s": Key(ANY),
        "latest_s": Key(ANY),
        "at_least_lasting_s": Key(SECONDS),
        "at_most_lasting_s": Key(SECONDS),
        "output_delay_s": Key(Named(SECONDS, "modality")),
        "measured": Key(Flag()),
    }
)

TASK = Section(
    {
        "name": Key(NAME),
        "begins_at_least_s": Key(SECONDS),
        "begins_at_most_s": Key(SECONDS),
        "lasts_s": Key(SECONDS),
        "items": Key(Number(least=1, whole=True)),
        "spacing_s": Key(SOME_SECONDS),
        "spacing_tolerance_s": Key(SECONDS),
        "score_at_least": Key(Number(least=0.0, most=1.0)),
    }
)

BEFORE = Section(
    {
        "look_back_s": Key(SOME_SECONDS),
        "brake_at_most": Key(PEDAL),
        "accelerator_at_least": Key(PEDAL),
        "two_footed_s": Key(SECONDS),
    }
)

HAZARD = Section(
    {
        "role": Key(NAME),
        "onset": Key(LOOKED),
        "decel_at_least_mps2": Key(Number(above=0.0)),
        "within_s": Key(SOME_SECONDS),
        "level_mps2": Key(Number(above=0.0)),
        "level_tolerance_mps2": Key(Number(least=0.0)),
        "reached_within_s": Key(SOME_SECONDS),
        "held_s": Key(SECONDS),
        "peak_at_most_mps2": Key(Number(above=0.0)),
        "peak_lasts_s": Key(SECONDS),
        "settles_within_s": Key(SECONDS),
    }
)

SIGN = Section(
    {
        "name": Key(NAME, required=True),
        **LOOKED.keys,
        "held_s": Key(SECONDS),
        "from_baseline": Key(Flag()),
        "anticipatory_s": Key(SECONDS),
    }
)

RESPONSE = Section(
    {
        "origin": Key(Text(("fire", "hazard onset", "alert criterion"))),
        "criterion": Key(LEAF),
        "horizon_s": Key(SOME_SECONDS),
        "accelerator_fall": Key(PEDAL),
        "accelerator_zero": Key(PEDAL),
        "brake_threshold": Key(PEDAL),
        "steering_threshold_rad": Key(Number(above=0.0)),
        "baseline_s": Key(SOME_SECONDS),
        "anticipatory_release_s": Key(SECONDS),
        "anticipatory_brake_s": Key(SECONDS),
        "sign": Key(Sections(SIGN)),
        "stable": Key(Section({**LOOKED.keys, "held_s": Key(SECONDS)})),
    }
)

ACTION = Section({"words": Key(WORDS, required=True), "by_condition": Key(Named(WORDS, "condition"))})

REARM = Section({"words": Key(WORDS, required=True), "within_s": Key(SOME_SECONDS), "until_station_m": Key(ANY)})

TRIGGER = Section(
    {
        "name": Key(NAME, required=True),
        "surprise_class": Key(NAME),
        "words": Key(WORDS),
        "role": Key(NAME),
        "expected": Key(OFTEN),
        "expected_by_scenario": Key(Named(OFTEN, "scenario")),
        "refractory_s": Key(SECONDS),
        "valid_at_least": Key(Number(least=1, whole=True)),
        "late_after_frames": Key(Number(least=0.0)),
        "late_after_s": Key(SECONDS),
        "grace_s": Key(SOME_SECONDS),
        "armed_when": Key(Sections(TERM)),
        "fires_when": Key(Sections(TERM)),
        "condition": Key(Sections(CONDITION)),
        "alert": Key(ALERT),
        "task": Key(TASK),
        "before": Key(BEFORE),
        "hazard": Key(HAZARD),
        "response": Key(RESPONSE),
        "action": Key(ACTION),
        "action_takes_s": Key(SECONDS),
        "rearm": Key(REARM),
    }
)

ANALYSIS = Section(
    {
        "trigger": Key(NAME),
        "measure": Key(Text(get_args(ResponseMeasure))),
        "test": Key(Text(get_args(GroupTestName))),
        "horizon_s": Key(SOME_SECONDS),
        "within_s": Key(SOME_SECONDS),
        "reference": Key(NAME),
        "contrast": Key(Sections(Section({"of": Key(NAME, required=True), "against": Key(NAME, required=True)}))),
        "median": Key(Text(get_args(MedianConvention))),
    }
)

STUDY_FILE = Section(
    {
        "study": Key(
            Section(
                {
                    "name": Key(NAME, required=True),
                    "title": Key(WORDS),
                    "participant_pattern": Key(WORDS, required=True),
                    "blind": Key(Flag()),
                    "blind_live": Key(Text(("to horizon", "to ruling"))),
                    "comfort_stop_at": Key(Number(least=0.0, most=20.0)),
                    "replacement": Key(Text(("same group next", "end of block", "none"))),
                    "planned_counts": Key(Text(get_args(Counts))),
                    "cautions": Key(Several(WORDS)),
                }
            ),
            required=True,
        ),
        "scenarios": Key(Named(WORDS, "scenario")),
        "groups": Key(
            Named(
                Section(
                    {
                        "alert": Key(Several(NAME, distinct=True)),
                        "order": Key(Several(NAME)),
                        "each": Key(Number(least=1, whole=True)),
                        "planned": Key(PLANNED),
                    }
                ),
                "group",
            ),
            required=True,
        ),
        "treatments": Key(
            Named(
                Section({"alert": Key(Several(NAME, distinct=True), required=True), "planned": Key(PLANNED)}),
                "treatment",
            )
        ),
        "assignment": Key(
            Section(
                {
                    "method": Key(Text(("list", "blocks")), required=True),
                    "file": Key(WORDS),
                    "block_sizes": Key(Several(Number(least=1, whole=True), distinct=True)),
                    "seed": Key(Number(least=0, whole=True)),
                    "strata": Key(Several(NAME, distinct=True)),
                    "after": Key(Several(WORDS, distinct=True)),
                    "excluded": Key(Named(WORDS, "reason")),
                }
            )
        ),
        "analysis": Key(ANALYSIS),
        "roles": Key(
            Named(
                Section({"vehicle": Key(NAME), "id": Key(Number(whole=True))}),
                "role",
            )
        ),
        "points": Key(
            Named(
                Section(
                    {
                        "station_m": Key(ANY),
                        "x_m": Key(ANY),
                        "y_m": Key(ANY),
                        "along_m": Key(SECONDS),
                        "across_m": Key(SECONDS),
                    }
                ),
                "point",
            )
        ),
        "signals": Key(
            Named(
                Section(
                    {
                        "unit": Key(Text(may_be_empty=True)),
                        "source": Key(Text(("driver", "scripted", "alert", "task", "platform"))),
                        "lower_limit": Key(ANY),
                        "upper_limit": Key(ANY),
                    }
                ),
                "signal",
            )
        ),
        "trigger": Key(Sections(TRIGGER, at_least_one=True), required=True),
        "accepted": Key(
            Sections(
                Section(
                    {
                        "of": Key(Text(("own", "others")), required=True),
                        "channel": Key(NAME, required=True),
                        "kind": Key(Text(("offset", "steps", "not filled")), required=True),
                        "size": Key(ANY),
                        "by": Key(NAME, required=True),
                        "words": Key(WORDS),
                    }
                )
            )
        ),
        "reasons": Key(
            Named(Section({"words": Key(WORDS), "severity": Key(Text(get_args(Severity)))}), "reason code"),
        ),
        "sheet": Key(
            Sections(
                Section(
                    {
                        "name": Key(WORDS, required=True),
                        "say": Key(WORDS),
                        "at_station_m": Key(ANY),
                        "at_s": Key(SECONDS),
                    }
                )
            )
        ),
        **DAY_SECTIONS,
    }
)
