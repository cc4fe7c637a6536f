"""What a study file means: each slip that has the right shape and makes no sense gives one sentence as well."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from monitor.measures.arrival import Point
from monitor.study.band import Band
from monitor.study.loading import parse_study
from monitor.study.model import Study
from monitor.study.rules import RearmRule
from monitor.study.terms import AtFire, Condition, During, Event, FireTerm, Looked, Measure, Within
from monitor.tables.faults import Path, path_text
from tests.study.conftest import FILES, faults_of, holder, to_toml

GATE = ("trigger", 0)
GAP = (*GATE, "condition", 0)
STEADY = (*GATE, "condition", 1)
OFFSET = (*GATE, "condition", 2)
BRAKING = (*GATE, "condition", 3)
EITHER = (*GATE, "condition", 4)
ARRIVAL = (*GATE, "condition", 5)
SINCE = (*GATE, "condition", 6)
SIGN = (*GATE, "response", "sign", 0)
SLOWS = ("trigger", 2)
GONE = object()


def edited(root: dict[str, Any], changes: dict[Path, object]) -> dict[str, Any]:
    for path, value in changes.items():
        if value is GONE:
            del holder(root, path)[path[-1]]
        else:
            holder(root, path)[path[-1]] = value
    return root


SENSELESS = [
    # Bands and windows
    ({(*GAP, "at_least"): GONE, (*GAP, "at_most"): GONE}, GAP, "expected at_least, at_most or both"),
    ({(*GAP, "at_least"): 2.0}, (*GAP, "at_most"), "expected a number not below at_least = 2, found the number 1.9"),
    ({(*GAP, "tolerance"): -0.1}, (*GAP, "tolerance"), "of at least 0"),
    ({(*OFFSET, "during"): [0.0, -3.0]}, (*OFFSET, "during"), "expected a window that ends after it starts"),
    ({(*OFFSET, "during"): [-1.0, -1.0]}, (*OFFSET, "during"), "one from -1 s to -1 s"),
    ({(*OFFSET, "during"): [-3.0]}, (*OFFSET, "during"), "expected a list of two numbers, found a list of 1"),
    ({(*OFFSET, "share"): 0.0}, (*OFFSET, "share"), "above 0"),
    ({(*OFFSET, "share"): 1.2}, (*OFFSET, "share"), "at most 1"),
    ({(*GAP, "share"): 0.5}, (*GAP, "share"), "only beside during"),
    ({(*GAP, "held_s"): 0.5}, (*GAP, "held_s"), "only beside within_s"),
    ({(*OFFSET, "within_s"): 1.0}, (*OFFSET, "within_s"), "expected during or within_s, found both"),
    ({(*GAP, "outside"): [0.5, 1.0]}, (*GAP, "at_least"), "expected at_least or outside, found both"),
    ({(*SIGN, "outside"): [0.1, -0.1]}, (*SIGN, "outside"), "the second is the greater one, found 0.1 and -0.1"),
    ({(*SIGN, "outside"): [0.1]}, (*SIGN, "outside"), "expected a list of two numbers, found a list of 1"),
    ({(*EITHER, "any_of", 0, "tolerance"): 0.1}, (*EITHER, "any_of", 0, "tolerance"), "would leave nothing"),
    ({(*SINCE, "at_least"): GONE, (*SINCE, "at_most"): -1.0}, (*SINCE, "at_most"), "no time since an event is below"),
    # One of several is enough
    ({(*GAP, "measure"): GONE}, (*GAP, "measure"), "a measure, or several under any_of, found nothing"),
    ({(*EITHER, "measure"): "speed"}, (*EITHER, "measure"), "inside of any_of, with each of its measures"),
    ({(*EITHER, "at_most"): 1.0}, (*EITHER, "at_most"), "inside of any_of, with each of its measures"),
    ({(*EITHER, "any_of"): []}, (*EITHER, "any_of"), "at least two, of which one is enough, found an empty list"),
    ({(*EITHER, "any_of", 1): GONE}, (*EITHER, "any_of"), "at least two, of which one is enough, found one"),
    ({(*EITHER, "any_of", 0, "measure"): "steering"}, (*EITHER, "any_of", 0, "measure"), '"steering_angle"?'),
    ({(*EITHER, "any_of", 0, "measure"): GONE}, (*EITHER, "any_of", 0, "measure"), "the key is missing"),
    ({(*EITHER, "any_of", 0, "outsid"): [-1.0, 1.0]}, (*EITHER, "any_of", 0, "outsid"), "a key of this section"),
    ({(*EITHER, "any_of", 1, "at_least"): GONE}, (*EITHER, "any_of", 1), "or outside, found a band without either"),
    ({(*SLOWS, "fires_when", 0, "edge"): "rising"}, (*SLOWS, "fires_when", 0, "edge"), "with each of its terms"),
    (
        {(*SLOWS, "fires_when", 0, "any_of", 0, "edge"): "risin"},
        (*SLOWS, "fires_when", 0, "any_of", 0, "edge"),
        "rising",
    ),
    # Rates, points, events, two roles
    ({(*EITHER, "any_of", 1, "from_role"): "oncomming"}, (*EITHER, "any_of", 1, "from_role"), '"oncoming"?'),
    ({(*EITHER, "any_of", 1, "from_role"): "van"}, (*EITHER, "any_of", 1, "from_role"), "another role than role"),
    ({(*OFFSET, "from_role"): "van"}, (*OFFSET, "from_role"), "from_role only with"),
    ({(*OFFSET, "rate_over_s"): 0.0}, (*OFFSET, "rate_over_s"), "a number above 0"),
    ({(*STEADY, "rate_over_s"): 1.0}, (*STEADY, "rate_over_s"), "with a value of each frame"),
    ({(*SINCE, "rate_over_s"): 1.0}, (*SINCE, "rate_over_s"), "with a value of each frame"),
    ({(*ARRIVAL, "point"): "footpaths"}, (*ARRIVAL, "point"), 'did you mean "footpath"?'),
    ({(*ARRIVAL, "point"): GONE}, (*ARRIVAL, "point"), "a point declared in [points], because time_to_arrival"),
    ({(*OFFSET, "point"): "footpath"}, (*OFFSET, "point"), 'only with "distance_to_point" and "time_to_arrival"'),
    ({(*ARRIVAL, "role"): "vam"}, (*ARRIVAL, "role"), 'did you mean "van"?'),
    ({("points", "footpath", "y_m"): GONE}, ("points", "footpath", "y_m"), "x_m and y_m, both"),
    ({("points", "bridge"): {}}, ("points", "bridge"), "station_m, or x_m and y_m, found neither"),
    ({("points", "footpath", "along_m"): -1.0}, ("points", "footpath", "along_m"), "of at least 0"),
    ({(*SINCE, "event"): "triger"}, (*SINCE, "event"), 'did you mean "trigger"?'),
    ({(*SINCE, "named"): "gate-break"}, (*SINCE, "named"), 'did you mean "gate-brake"?'),
    ({(*SINCE, "event"): GONE}, (*SINCE, "event"), "the kind of marker that time_since counts from"),
    ({(*GAP, "event"): "trigger"}, (*GAP, "event"), 'event only with "time_since"'),
    # Triggers that come often
    ({(*GATE, "expected"): "any"}, (*GATE, "expected"), "a whole number, because a surprise comes once"),
    ({(*SLOWS, "expected"): "ani"}, (*SLOWS, "expected"), 'or "any", found the text "ani"; did you mean "any"?'),
    (
        {(*SLOWS, "expected"): 1, (*SLOWS, "valid_at_least"): 1},
        (*SLOWS, "refractory_s"),
        'only where expected is above 1 or "any"',
    ),
    ({(*SLOWS, "refractory_s"): -1.0}, (*SLOWS, "refractory_s"), "of at least 0"),
    ({(*SLOWS, "valid_at_least"): 0}, (*SLOWS, "valid_at_least"), "a whole number of at least 1"),
    (
        {(*SLOWS, "expected"): 12},
        (*SLOWS, "valid_at_least"),
        "at most as many as come, 12 (expected), found the number",
    ),
    # Conditions within a participant
    ({("study", "planned_counts"): "people"}, ("study", "planned_counts"), '"trials" or "participants"'),
    ({("groups", "chime", "order"): ["a"]}, ("groups", "chime", "order"), "no order without [treatments]"),
    ({("groups", "chime", "each"): 2}, ("groups", "chime", "each"), "each only beside order"),
    ({("groups", "chime", "alert"): GONE}, ("groups", "chime", "alert"), "alert without [treatments]"),
    # Other hazards, other signs of a response
    ({(*SLOWS, "hazard", "onset"): GONE}, (*SLOWS, "hazard", "role"), "[trigger.hazard.onset] with another measure"),
    ({(*SLOWS, "hazard", "level_mps2"): 2.0}, (*SLOWS, "hazard", "level_mps2"), "only where the hazard is braking"),
    (
        {(*SLOWS, "hazard", "onset", "measure"): "speed"},
        (*SLOWS, "hazard", "onset", "measure"),
        "else the response would decide who was exposed",
    ),
    ({(*SIGN, "measure"): "steering_angel"}, (*SIGN, "measure"), 'did you mean "steering_angle"?'),
    ({(*SIGN, "outside"): GONE}, SIGN, "a band without either"),
    ({(*SIGN, "held_s"): -0.1}, (*SIGN, "held_s"), "of at least 0"),
    # a word that is nothing like it is not proposed: the keys are listed
    ({(*SIGN, "edge"): "rising"}, (*SIGN, "edge"), 'found "edge"; known here: "name", "measure"'),
    ({(*SIGN, "anticipatory_s"): 5.0}, (*SIGN, "anticipatory_s"), "less than the horizon of the response, 5"),
    (
        {(*SIGN, "measure"): "van.speed", (*SIGN, "from_baseline"): GONE},
        (*SIGN, "measure"),
        "what is scripted is no response",
    ),
    ({(*GATE, "response", "horizon_s"): GONE, (*SIGN, "anticipatory_s"): 6.0}, (*SIGN, "anticipatory_s"), "horizon of"),
    ({(*SIGN, "measure"): "platform_x"}, (*SIGN, "measure"), "a signal of the driver"),
    (
        {(*GATE, "response", "sign"): [{"name": "a", "measure": "brake", "at_least": 0.1}] * 2},
        (*GATE, "response", "sign", 1, "name"),
        "after sign 1",
    ),
    ({(*GATE, "response", "stable", "measure"): "lane_ofset"}, (*GATE, "response", "stable", "measure"), "lane_offset"),
    # Names given twice
    ({("trigger", 1, "name"): "gate-brake"}, ("trigger", 1, "name"), "after trigger 1"),
    ({(*STEADY, "name"): "gap"}, (*STEADY, "name"), "after condition 1"),
    ({("groups", "Chime"): {"alert": []}, ("assignment",): GONE}, ("groups", "Chime"), "upper and lower case only"),
    ({("roles", "Van"): {"id": 3}}, ("roles", "Van"), "each role once"),
    ({("sheet", 1, "name"): "Welcome"}, ("sheet", 1, "name"), "after step 1"),
    ({("groups", "chime", "alert"): ["sound", "light", "sound"]}, ("groups", "chime", "alert", 2), "a second time"),
    # Measures, roles, signals
    ({(*GAP, "measure"): "time_gab"}, (*GAP, "measure"), 'did you mean "time_gap"?'),
    ({(*GAP, "role"): GONE}, (*GAP, "role"), "time_gap is between the own car and another vehicle"),
    ({(*GAP, "role"): "vann"}, (*GAP, "role"), 'did you mean "van"?'),
    ({(*OFFSET, "role"): "van"}, (*OFFSET, "role"), "lane_offset needs none"),
    ({(*BRAKING, "measure"): "vam.accel"}, (*BRAKING, "measure"), 'did you mean "van.accel"?'),
    ({(*BRAKING, "measure"): "van.acel"}, (*BRAKING, "measure"), 'did you mean "van.accel"?'),
    ({(*OFFSET, "measure"): "own.lane_offset"}, (*OFFSET, "measure"), 'write measure = "lane_offset"'),
    ({(*BRAKING, "measure"): "zzz"}, (*BRAKING, "measure"), 'found "zzz".'),
    ({(*BRAKING, "measure"): "van.ttc"}, (*BRAKING, "measure"), 'write measure = "ttc", role = "van"'),
    ({(*GAP, "measure"): "eyes_on_raod", (*GAP, "role"): GONE}, (*GAP, "measure"), 'did you mean "eyes_on_road"?'),
    ({(*STEADY, "over_s"): GONE}, (*STEADY, "over_s"), "the seconds that sdlp is taken over"),
    ({(*OFFSET, "over_s"): 5.0}, (*OFFSET, "over_s"), "only with"),
    ({(*GATE, "role"): "truck"}, (*GATE, "role"), 'known here: "lead", "van" and "oncoming"'),
    ({(*GATE, "hazard", "role"): "vna"}, (*GATE, "hazard", "role"), 'did you mean "van"?'),
    ({("roles", "lead"): {"vehicle": "delivery van"}}, ("roles", "lead"), "the monitor chooses the lead itself"),
    ({("roles", "van", "id"): 3}, ("roles", "van"), "found both"),
    ({("roles", "van", "vehicle"): GONE}, ("roles", "van"), "found neither"),
    ({("roles", "v.1"): {"id": 3}}, ("roles", "v.1"), "without a dot"),
    ({("signals", "speed"): {"unit": "km/h"}}, ("signals", "speed"), "a name that no measure has"),
    ({("signals", "platform_x", "upper_limit"): -2.0}, ("signals", "platform_x", "upper_limit"), "above lower_limit"),
    # Edges and other words to choose from
    ({(*GATE, "fires_when", 0, "edge"): "risng"}, (*GATE, "fires_when", 0, "edge"), 'did you mean "rising"?'),
    ({(*GAP, "if_missing"): "notmet"}, (*GAP, "if_missing"), 'did you mean "not met"?'),
    ({(*GATE, "fires_when", 0, "delay_s"): -0.1}, (*GATE, "fires_when", 0, "delay_s"), "of at least 0"),
    # Expectations and scenarios
    ({(*GATE, "expected"): -1}, (*GATE, "expected"), "a whole number of at least 0"),
    (
        {(*GATE, "expected_by_scenario"): {"pratice": 0}},
        (*GATE, "expected_by_scenario", "pratice"),
        'did you mean "practice"?',
    ),
    # Rules about a trigger
    ({(*GATE, "name"): "gate/brake"}, (*GATE, "name"), "without a slash"),
    ({(*GATE, "alert", "latest_s"): 0.05}, (*GATE, "alert", "latest_s"), "not below earliest_s = 0.1"),
    (
        {(*GATE, "alert", "latest_s"): GONE, (*GATE, "alert", "earliest_s"): 1.5},
        (*GATE, "alert", "earliest_s"),
        "not above latest_s = 1",
    ),
    ({(*GATE, "alert", "at_most_lasting_s"): 0.2}, (*GATE, "alert", "at_most_lasting_s"), "at_least_lasting_s = 0.3"),
    (
        {(*GATE, "alert", "output_delay_s"): {"sond": 0.03}},
        (*GATE, "alert", "output_delay_s", "sond"),
        'did you mean "sound"?',
    ),
    (
        {(*GATE, "action", "by_condition"): {"lane ofset": "x"}},
        (*GATE, "action", "by_condition", "lane ofset"),
        "offset",
    ),
    ({(*GATE, "rearm"): {"words": "Arm it."}}, (*GATE, "rearm"), "until when arming again helps"),
    ({(*GATE, "task", "begins_at_most_s"): 0.4}, (*GATE, "task", "begins_at_most_s"), "begins_at_least_s = 0.5"),
    ({(*GATE, "task", "items"): 0}, (*GATE, "task", "items"), "a whole number of at least 1"),
    ({(*GATE, "before", "brake_at_most"): 2.0}, (*GATE, "before", "brake_at_most"), "a number from 0 to 1"),
    ({(*GATE, "response", "criterion"): GONE}, (*GATE, "response", "criterion"), "[trigger.response.criterion]"),
    ({(*GATE, "response", "origin"): "fire"}, (*GATE, "response", "criterion"), 'only with origin = "alert criterion"'),
    (
        {("trigger", 1, "response"): {"origin": "hazard onset"}},
        ("trigger", 1, "response", "origin"),
        "a [trigger.hazard]",
    ),
    # The study itself
    ({("study", "participant_pattern"): "Q[0-9"}, ("study", "participant_pattern"), "a regular expression"),
    ({("study", "participant_pattern"): "[0-9]*"}, ("study", "participant_pattern"), "no empty code fits"),
    ({("study", "name"): " "}, ("study", "name"), "a text that says something"),
    ({("study", "comfort_stop_at"): 21}, ("study", "comfort_stop_at"), "from 0 to 20"),
    ({("groups",): {}, ("assignment",): GONE, (*GATE, "alert"): GONE}, ("groups",), "at least one group"),
    ({("groups", "chime", "alert"): [""]}, ("groups", "chime", "alert", 0), "an empty text"),
    ({("trigger",): []}, ("trigger",), "at least one [[trigger]]"),
    ({("sheet", 0, "at_station_m"): 10.0}, ("sheet", 0, "at_s"), "expected at_station_m or at_s, found both"),
    # Reasons
    ({("reasons", "slippery-seat", "severity"): GONE}, ("reasons", "slippery-seat", "severity"), "no severity"),
    ({("reasons", "fired-lat"): {"severity": "note"}}, ("reasons", "fired-lat", "words"), 'did you mean "fired-late"?'),
    ({("reasons", "fired-late"): {}}, ("reasons", "fired-late"), "found neither"),
    ({("reasons", "fired-late", "severity"): "viod"}, ("reasons", "fired-late", "severity"), 'did you mean "void"?'),
    # Assignment
    (
        {("assignment", "block_sizes"): [2, 3]},
        ("assignment", "block_sizes", 1),
        "a multiple of the number of groups, 2",
    ),
    ({("assignment", "block_sizes"): []}, ("assignment", "block_sizes"), "at least one block size"),
    ({("assignment", "file"): "list.csv"}, ("assignment", "file"), 'no file beside method = "blocks"'),
]


@pytest.mark.parametrize(("changes", "path", "words"), SENSELESS, ids=lambda one: None)
def test_what_makes_no_sense_gives_one_sentence(
    everything: dict[str, Any], changes: dict[Path, object], path: Path, words: str
) -> None:
    (fault,) = faults_of(to_toml(edited(everything, changes)))
    assert f", {path_text(path)}: expected " in fault
    assert words in fault


WITHIN = [
    ({("groups", "AB", "order"): ["chime", "silnt"]}, ("groups", "AB", "order", 1), 'did you mean "silent"?'),
    ({("groups", "AB", "order"): []}, ("groups", "AB", "order"), "at least one treatment"),
    ({("groups", "AB", "order"): GONE}, ("groups", "AB", "order"), "order with [treatments]"),
    ({("groups", "AB", "alert"): []}, ("groups", "AB", "alert"), "no alert with [treatments]"),
    ({("groups", "AB", "each"): 0}, ("groups", "AB", "each"), "a whole number of at least 1"),
    ({("treatments",): {}}, ("treatments",), "at least one treatment"),
    ({("treatments", "chime", "alert"): GONE}, ("treatments", "chime", "alert"), "the key is missing"),
    ({("treatments", "chime", "alrt"): ["x"]}, ("treatments", "chime", "alrt"), "a key of this section"),
]


@pytest.mark.parametrize(("changes", "path", "words"), WITHIN, ids=lambda one: None)
def test_what_makes_no_sense_within_participants_gives_one_sentence(
    changes: dict[Path, object], path: Path, words: str
) -> None:
    everything = tomllib.loads((FILES / "everything-within.toml").read_text(encoding="utf-8"))
    (fault,) = faults_of(to_toml(edited(everything, changes)))
    assert f", {path_text(path)}: expected " in fault
    assert words in fault


def test_many_faults_are_named_at_once(everything: dict[str, Any]) -> None:
    changes = {
        (*EITHER, "any_of", 0, "measure"): "steering",
        (*ARRIVAL, "point"): "footpaths",
        (*SINCE, "named"): "gate-break",
        (*SLOWS, "valid_at_least"): 0,
        (*SIGN, "measure"): "brak",
        ("points", "footpath", "y_m"): GONE,
    }
    faults = faults_of(to_toml(edited(everything, changes)))
    assert len(faults) == len(changes)
    assert len({fault.split(":")[0] for fault in faults}) == len(changes)


def test_a_name_declared_twice_is_a_fault_of_the_toml_itself(everything_text: str) -> None:
    (fault,) = faults_of(everything_text + "\n[groups.chime]\nalert = []\n")
    assert fault.startswith("line ")
    assert "groups.chime" in fault


DRIVER_MEASURES = [
    {"measure": "speed"},
    {"measure": "accel"},
    {"measure": "brake"},
    {"measure": "accelerator"},
    {"measure": "steering_angle"},
    {"measure": "lane_offset"},
    {"measure": "distance_gap", "role": "van"},
    {"measure": "time_gap", "role": "van"},
    {"measure": "ttc", "role": "van"},
    {"measure": "closing_speed", "role": "van"},
    {"measure": "sdlp", "over_s": 10.0},
    {"measure": "eyes_on_road"},
]


@pytest.mark.parametrize("window", [{"during": [-1.0, 0.1]}, {"during": [1.0, 2.0]}, {"within_s": 1.0}])
@pytest.mark.parametrize("measure", DRIVER_MEASURES, ids=lambda one: one["measure"])
def test_no_required_window_after_the_fire_may_look_at_the_driver(
    everything: dict[str, Any], measure: dict[str, object], window: dict[str, object]
) -> None:
    condition = {"name": "new", "at_least": 0.0, **measure, **window}
    everything["trigger"][0]["condition"].append(condition)
    (fault,) = faults_of(to_toml(everything))
    assert f", trigger[1].condition[8].{next(iter(window))}: expected a required window after the fire" in fault
    assert "the response would decide" in fault
    condition["required"] = False
    assert faults_of(to_toml(everything)) == ()


@pytest.mark.parametrize("window", [{"during": [-1.0, 0.0]}, {}])
@pytest.mark.parametrize("measure", DRIVER_MEASURES, ids=lambda one: one["measure"])
def test_up_to_the_fire_it_may(
    everything: dict[str, Any], measure: dict[str, object], window: dict[str, object]
) -> None:
    everything["trigger"][0]["condition"].append({"name": "new", "at_least": 0.0, **measure, **window})
    assert faults_of(to_toml(everything)) == ()


@pytest.mark.parametrize("source", ["scripted", "alert", "task", "platform"])
def test_a_signal_that_is_not_the_drivers_may_be_required_after_the_fire(
    everything: dict[str, Any], source: str
) -> None:
    everything["signals"]["extra"] = {"source": source}
    condition = {"name": "new", "measure": "extra", "at_least": 0.0, "within_s": 1.0}
    everything["trigger"][0]["condition"].append(condition)
    assert faults_of(to_toml(everything)) == ()
    everything["signals"]["extra"] = {"source": "driver"}
    assert len(faults_of(to_toml(everything))) == 1


def test_the_study_that_comes_out_is_what_the_file_says(everything_text: str) -> None:
    study = parse_study(everything_text, "study.toml")
    assert isinstance(study, Study)
    gate, gust, slows = study.triggers
    van_accel = Measure("role", "accel", "van", "m/s²")
    assert gate.conditions == (
        Condition(
            "gap",
            Measure("pair", "time_gap", "van", "s"),
            Band(1.3, 1.9, 0.05),
            AtFire(),
            if_missing="not met",
            needs_evidence=True,
            settles_at_s=8.0,
        ),
        Condition("steady", Measure("rolling", "sdlp", None, "m", 60.0), Band(None, 0.4), AtFire(), required=False),
        Condition(
            "lane offset", Measure("lateral", "lane_offset", None, "m"), Band(-0.6, 0.6), During(-3.0, 0.0, share=0.9)
        ),
        Condition("van braking", van_accel, Band(None, -4.0), Within(1.0, 0.5)),
        Condition(
            "steering or drifting",
            Measure("own", "steering_angle", None, "rad/s", rate_over_s=0.5),
            Band(None, None, outside=(-0.1, 0.1)),
            During(-2.0, 0.0),
            or_else=(Looked(Measure("pair", "distance_gap", "van", "m", from_role="oncoming"), Band(20.0, None)),),
        ),
        Condition(
            "far from the footpath",
            Measure("point", "time_to_arrival", None, "s", point=Point("footpath", 1250.0, 1190.0, 205.0, 3.0, 3.5)),
            Band(4.0, None),
            AtFire(),
        ),
        Condition(
            "calm before",
            Measure("event", "time_since", None, "s", event=Event("trigger", "gate-brake")),
            Band(20.0, None),
            AtFire(),
        ),
    )
    assert [one.measure.text for one in gate.conditions[4:]] == [
        "steering_angle (change over 0.5 s)",
        "time_to_arrival (footpath)",
        "time_since (trigger gate-brake)",
    ]
    (either,) = slows.fires_when
    assert [(one.measure.text, one.edge, one.delay_s) for one in either.alternatives] == [
        ("time_gap", "rising", 0.0),
        ("station", "rising", 0.5),
    ]
    assert (slows.surprise_class, slows.expected_in(None), slows.comes_often, gate.comes_often) == (
        None,
        None,
        True,
        False,
    )
    assert slows.hazard is not None
    assert slows.hazard.onset == Looked(Measure("role", "speed", "van", "m/s"), Band(None, 18.0))
    assert gate.response is not None
    assert [one.name for one in gate.response.signs] == ["wheel turned"]
    assert gate.response.stable is not None
    assert gate.response.stable.held_s == 2.0
    assert van_accel.text == "van.accel"
    assert gate.armed_when == (FireTerm(Measure("own", "speed", None, "m/s"), Band(20.0, None)),)
    assert gate.fires_when == (
        FireTerm(Measure("pair", "time_gap", "van", "s"), Band(None, 1.6, 0.1), edge="rising", delay_s=0.2),
    )
    assert gate.response is not None
    assert gate.response.criterion == FireTerm(Measure("pair", "ttc", "van", "s"), Band(None, 2.4))
    assert (gate.expected_in("practice"), gate.expected_in("dusk-road"), gate.expected_in(None)) == (0, 1, 1)
    assert gust.role == "lead"
    assert (gust.alert, gust.task, gust.before, gust.hazard, gust.response) == (None,) * 5
    assert gate.alert is not None
    assert gate.alert.output_delay_s == {"sound": 0.03}
    assert gate.task is not None
    assert (gate.task.items, gate.task.spacing_s) == (6, 0.5)
    assert study.groups["no alert"].alert == ()
    assert study.groups["chime"].alert == ("sound", "light")
    assert (study.groups["chime"].planned, study.groups["no alert"].planned) == (12, None)
    assert (study.roles["van"].vehicle, study.roles["oncoming"].id, study.roles["lead"].vehicle) == (
        "delivery van",
        4,
        None,
    )
    assert study.signals["platform_x"].upper_limit == 1.83
    assert study.reasons["fired-late"].severity == "void"
    assert study.reasons["fired-late"].words == "The trigger fired later after its rule held than sampling explains"
    assert study.reasons["slippery-seat"].words == "The seat cover slid"
    assert [(step.name, step.at_s, step.at_station_m) for step in study.sheet] == [
        ("Welcome", 0.0, None),
        ("Intercom off", None, 300.0),
    ]
    assert (gate.action_takes_s, gust.action_takes_s) == (5.0, 4.0)
    assert gate.action is not None
    assert [gate.action.words_for(name) for name in ("gap", "lane offset", None)] == [
        "Ask the simulator's operator to hold it back.",
        "Say nothing.",
        "Ask the simulator's operator to hold it back.",
    ]
    assert gate.rearm == RearmRule("Arm it again at the simulator's desk.", 20.0, 900.0)
    assert study.scenarios == ("dusk-road", "practice")
    assert (study.blind, study.blind_live, study.comfort_stop_at) == (True, "to ruling", 12.0)
    assert study.replacement == "end of block"
    assert study.text == everything_text


def test_a_number_without_a_point_is_the_same_number(everything: dict[str, Any]) -> None:
    everything["trigger"][0]["condition"][0].update(at_least=1, at_most=2)
    band = parse_study(to_toml(everything), "study.toml").triggers[0].conditions[0].band
    assert (band.at_least, band.at_most) == (1.0, 2.0)
    assert isinstance(band.at_most, float)
