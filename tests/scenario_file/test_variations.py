"""Scenario files as they come: nothing that decides when an event starts is changed, or left out, without a word."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.commissioning.scenario_file.comparison import Compared, compare_with_study
from monitor.commissioning.scenario_file.proposal import propose_triggers
from monitor.commissioning.scenario_file.scenario import load_scenario_file
from monitor.errors import ScenarioFaults
from monitor.study.loading import parse_study
from monitor.study.model import Study
from tests.scenario_file.by_hand import HEAD, by_entity, by_value, faster, speed_action, study_of, trigger_of, xosc

FAST = '[[trigger.fires_when]]\nmeasure = "speed"\nat_least = {}\n'
GAP = '[[trigger.fires_when]]\nmeasure = "time_gap"\nrole = "van"\nat_most = 1.6\n'
BRAKES = FAST.format(20) + '[trigger.hazard]\nrole = "van"\nlevel_mps2 = 5.0\n'
STOP = '<AbsoluteTargetSpeed value="0"/>'
ALONG = 'relativeDistanceType="longitudinal" coordinateSystem="lane"'


def compared(tmp_path: Path, text: str, study: Study) -> Compared:
    path = tmp_path / "a.xosc"
    path.write_text(text, encoding="utf-8")
    return compare_with_study(load_scenario_file(path), study)


def headway(more: str, value: str = "1.6") -> str:
    return by_entity(f'<TimeHeadwayCondition entityRef="van" value="{value}" rule="lessThan" {more}/>')


def of_go(value: str, rule: str) -> str:
    return by_value(f'<VariableCondition variableRef="go" value="{value}" rule="{rule}"/>')


def at_time(value: str, edge: str = "none", delay: str = "0") -> str:
    return by_value(f'<SimulationTimeCondition value="{value}" rule="greaterThan"/>', edge, delay)


def parameter(name: str, value: str) -> str:
    return f'<ParameterDeclaration name="{name}" parameterType="double" value="{value}"/>'


ANOTHER = f'<Event name="e" priority="parallel">{trigger_of(faster("30"))}</Event>'
ABOVE_4_S = (
    '<TimeToCollisionCondition value="4" rule="greaterThan" freespace="true" relativeDistanceType="longitudinal">'
    '<TimeToCollisionConditionTarget><EntityRef entityRef="van"/></TimeToCollisionConditionTarget>'
    "</TimeToCollisionCondition>"
)
RUNS = '<StoryboardElementStateCondition storyboardElementType="event" storyboardElementRef="e" state="runningState"/>'


def start(*conditions: str) -> str:
    return xosc(trigger_of("".join(conditions)))


@pytest.mark.parametrize(
    ("text", "rule", "words"),
    [
        (xosc(trigger_of(faster()), beside=ANOTHER), FAST.format(20), "2 events of this name (lines 7, 10)"),
        (
            xosc(trigger_of(faster("$v")), parameters=parameter("v", "20"), of_manoeuvre=parameter("v", "30")),
            FAST.format(20),
            "the value $v is worked out by the simulator",
        ),
        (start(headway(f'freespace="$free" {ALONG}')), GAP, "freespace is $free"),
        (start(headway(ALONG)), GAP, "freespace is not said"),
        (start(headway(f'freespace="true" {ALONG}'.replace("lane", "world"))), GAP, "along the axes of the world"),
        (start(by_entity('<SpeedCondition value="20" rule="greaterThan"/>', rule="none")), FAST.format(20), "none of"),
        (start(by_entity('<SpeedCondition value="20" rule="greaterThan"/>', delay="-1")), FAST.format(20), "of -1 s"),
        (start(by_entity('<SpeedCondition value="20" rule="greaterThan"/>', "Egon")), FAST.format(20), "entity Egon"),
        (start(headway(f'freespace="true" {ALONG}').replace('"van"', '"vna"')), GAP, "the file has no entity vna"),
        (start(of_go("slow", "equalTo")), FAST.format(20), "slow is no number, and a signal of the feed is one"),
        (start(by_entity(ABOVE_4_S)), GAP.replace("time_gap", "ttc"), "it is false while nothing closes in"),
        (start(faster("2_0")), FAST.format(20), "the value 2_0 is worked out by the simulator"),
        (start(faster(), by_value(RUNS)), FAST.format(20), "does not say when the event e is in runningState"),
        (start(by_entity("<StandStillCondition duration='2'/>")), FAST.format(20), "no measure that a StandStill"),
        (
            xosc(trigger_of(faster()), event='maximumExecutionCount="${2 + 1}"'),
            FAST.format(20),
            "how often the file executes it (line 7) is worked out by the simulator",
        ),
        (xosc(trigger_of(faster())), BRAKES, "how hard the event (line 7) brakes: it has no speed action"),
        (xosc(trigger_of(faster()), action=speed_action("time", "5", STOP)), BRAKES, "is given by its time, not by a"),
        (
            xosc(trigger_of(faster()), action=speed_action("rate", "5", '<AbsoluteTargetSpeed value="30"/>')),
            BRAKES,
            "whether 30 m/s is slower than before is not in the file",
        ),
        (
            xosc(
                trigger_of(faster()),
                action=speed_action("rate", "5", '<AbsoluteTargetSpeed value="30"/>'),
                init=f'<Private entityRef="van">{speed_action("step", "0", STOP.replace("0", "20"))}</Private>',
            ),
            BRAKES,
            "its speed action goes to 30 m/s, and its actor begins with 20 m/s",
        ),
        (
            xosc(trigger_of(faster()), action=speed_action("rate", "5", STOP), actors="van Ego"),
            BRAKES,
            "which vehicle brakes: its manoeuvre has 2 actors",
        ),
    ],
    ids=map(str, range(30)),
)
def test_what_cannot_be_told_is_never_taken_for_the_same(tmp_path: Path, text: str, rule: str, words: str) -> None:
    found = compared(tmp_path, text, study_of(rule)).found
    assert any(words in one.sentence for one in found if one.kind == "cannot be told"), found


@pytest.mark.parametrize(
    ("text", "rule", "words"),
    [
        # 5 s after the begin is not always, and at the begin is not all along
        (start(faster(), at_time("0", delay="5")), FAST.format(20), "at least 0 s, 5 s later (line 8)"),
        (start(faster(), at_time("0", edge="rising")), FAST.format(20), "at least 0 s, rising (line 8)"),
        # what stands still has a speed of 0, which is not greater than 0
        (start(faster("0")), FAST.format(0), "at least 1e-05 m/s in the file (line 8), at least 0 m/s in the study's"),
        (start(of_go("0", "greaterThan")), FAST.format(0).replace("speed", "go"), "at least 1e-05 in the file"),
        (start(of_go("true", "equalTo")), FAST.format(0).replace("speed", "go"), "go exactly 1 in the file"),
        (
            xosc(trigger_of(faster()), action=speed_action("rate", "5", STOP), actors="Ego"),
            BRAKES,
            "the file lets Ego brake (line 7), which is the own car; hazard.role is van",
        ),
        (
            xosc(trigger_of(faster()), act=trigger_of(faster("18"))),
            FAST.format(20),
            "the file asks for speed at least 18 m/s (line 11), of which the study's armed_when says nothing",
        ),
        (
            xosc(trigger_of(faster()), act=trigger_of(faster("18"), at_time("9"))),
            FAST.format(20),
            "the file begins the act about it in 2 cases (line 7), the study's armed_when has one case",
        ),
    ],
    ids=map(str, range(30)),
)
def test_what_is_another_rule_is_told(tmp_path: Path, text: str, rule: str, words: str) -> None:
    found = compared(tmp_path, text, study_of(rule)).found
    assert any(words in one.sentence for one in found if one.kind == "differs"), found


BETWEEN = FAST.format(20) + "at_most = 25\n"


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (start(faster(), by_entity('<SpeedCondition value="25" rule="lessThan"/>')), BETWEEN),
        (xosc(trigger_of(faster()), act=trigger_of(at_time("0", edge="rising"))), FAST.format(20)),
        (xosc(trigger_of(faster()), action=speed_action("rate", "-5", STOP)), BRAKES),
        (
            xosc(trigger_of(faster("$v")), parameters=parameter("v", "20"), of_manoeuvre=parameter("v", "20")),
            FAST.format(20),
        ),
        (
            xosc(
                trigger_of(
                    by_entity(
                        '<ReachPositionCondition tolerance="1"><Position><LanePosition roadId="0" laneId="-1" s="$s"/>'
                        "</Position></ReachPositionCondition>"
                    )
                ),
                parameters=parameter("s", "700"),
            ),
            FAST.format(700.4).replace("speed", "station"),  # 700 − 1 m, and the middle of the car 1.4 m on
        ),
    ],
    ids=map(str, range(30)),
)
def test_what_is_the_same_rule_in_other_words_differs_in_nothing(tmp_path: Path, text: str, rule: str) -> None:
    assert [one for one in compared(tmp_path, text, study_of(rule)).found if one.kind != "note"] == []


def test_what_ends_an_act_is_pointed_out(tmp_path: Path) -> None:
    text = xosc(trigger_of(faster()), act=trigger_of(faster("40"), tag="StopTrigger"))
    (note,) = compared(tmp_path, text, study_of(FAST.format(20))).found
    assert note.sentence.startswith("The act a has a stop trigger (line 11), which is not compared")
    assert compared(tmp_path, xosc(trigger_of(faster()), act="<StopTrigger/>"), study_of(FAST.format(20))).found == ()


def test_another_version_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScenarioFaults, match='line 2: expected revMajor 1, found "0"'):
        compared(tmp_path, xosc(trigger_of(faster()), header='revMajor="0" revMinor="9"'), study_of(FAST.format(20)))


PLACE = '<Position><LanePosition roadId="0" laneId="-1" s="700"/></Position>'
POINT = '<Position><WorldPosition x="100" y="50"/></Position>'
OF_EACH_KIND = [
    headway(f'freespace="true" {ALONG}'),
    headway(f'freespace="false" {ALONG}'),
    by_entity(
        ABOVE_4_S.replace("greaterThan", "lessThan").replace('"longitudinal"', '"longitudinal" coordinateSystem="road"')
    ),
    by_entity(f'<RelativeDistanceCondition entityRef="van" value="30" rule="lessThan" freespace="true" {ALONG}/>'),
    by_entity(f'<RelativeDistanceCondition entityRef="van" value="30" rule="lessThan" freespace="false" {ALONG}/>'),
    by_entity('<SpeedCondition value="20" rule="greaterThan" direction="longitudinal"/>'),
    by_entity('<RelativeSpeedCondition entityRef="van" value="3" rule="greaterThan" direction="longitudinal"/>'),
    by_entity('<AccelerationCondition value="-2" rule="lessThan" direction="longitudinal"/>', "van"),
    by_entity(f'<ReachPositionCondition tolerance="2">{PLACE}</ReachPositionCondition>', edge="rising"),
    by_entity(f'<DistanceCondition value="20" rule="lessThan" freespace="true">{PLACE}</DistanceCondition>'),
    by_entity(f'<DistanceCondition value="20" rule="lessThan" freespace="false">{POINT}</DistanceCondition>'),
    by_value('<SimulationTimeCondition value="30" rule="greaterThan"/>'),
    of_go("1", "equalTo"),
    by_value('<ParameterCondition parameterRef="go" value="1" rule="equalTo"/>'),
    by_value('<UserDefinedValueCondition name="go" value="1" rule="equalTo"/>'),
]
OTHER_WORD = {
    "rule": ("greaterThan", "lessThan", "equalTo", "notEqualTo", ""),
    "conditionEdge": ("none", "rising", "falling", "risingOrFalling", "up"),
    "freespace": ("true", "false", "", "$free"),
    "coordinateSystem": ("trajectory", "world"),
    "relativeDistanceType": ("lateral", "euclidianDistance"),
    "direction": ("lateral", "vertical"),
    "entityRef": ("Ego", "van", "nobody"),
    "triggeringEntitiesRule": ("none",),
}
SAYS_NOTHING = {"name"}


def others(key: str, value: str) -> list[str]:
    """Values of an attribute of a condition that mean something else."""
    if key in OTHER_WORD:
        return [one for one in OTHER_WORD[key] if one != value]
    if re.fullmatch(r"-?[0-9.]+", value):
        return [f"{float(value) + 1.5:g}", f"{-float(value) - 3:g}", "$unknown", "${1 + 1}", "", "1,5"]
    return [f"{value}x", ""]


@pytest.mark.parametrize("condition", OF_EACH_KIND, ids=map(str, range(len(OF_EACH_KIND))))
def test_no_attribute_of_a_condition_can_change_without_a_word(tmp_path: Path, condition: str) -> None:
    """The study is the file's own proposal, so that at first nothing differs; then each attribute means something
    else, one after the other."""
    plain = xosc(trigger_of(condition))
    path = tmp_path / "plain.xosc"
    path.write_text(plain, encoding="utf-8")
    study = parse_study(HEAD + propose_triggers(load_scenario_file(path), study_of("")), "proposed.toml")
    before = compared(tmp_path, plain, study)
    assert before.found == () or {one.kind for one in before.found} == {"note"}
    slips = 0
    for found in re.finditer(r'(\w+)="([^"]*)"', condition):
        key, value = found.groups()
        for other in () if key in SAYS_NOTHING else others(key, value):
            at = plain.index(condition) + found.start(2)
            after = compared(tmp_path, plain[:at] + other + plain[at + len(value) :], study)
            assert after.found != before.found, (key, other)
            is_loud = any(one.kind != "note" for one in after.found)
            assert is_loud or key in ("roadId", "laneId"), (key, other, after.found)
            slips += 1
    assert slips > 10


@pytest.mark.parametrize(
    ("more", "straight"),
    [
        ('freespace="true" alongRoute="true"', False),
        ('freespace="true" alongRoute="false"', True),
        ('freespace="true"', True),
        ('freespace="true" alongRoute="true" coordinateSystem="lane"', True),  # which then ignores the route
        ('freespace="true" alongRoute="false" relativeDistanceType="longitudinal" coordinateSystem="lane"', False),
    ],
)
def test_an_attribute_that_is_left_out_means_what_the_class_model_says(
    tmp_path: Path, more: str, straight: bool
) -> None:
    found = compared(tmp_path, start(headway(more)), study_of(GAP)).found
    assert any("it is the straight distance" in one.sentence for one in found) == straight
