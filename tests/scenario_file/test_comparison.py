"""A scenario file held against a study. The package scenariogeneration writes the files, in the standard's words."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.commissioning.scenario_file.comparison import compare_with_study
from monitor.commissioning.scenario_file.fired import hold_against
from monitor.commissioning.scenario_file.proposal import propose_triggers
from monitor.commissioning.scenario_file.scenario import load_scenario_file
from monitor.study.loading import load_study, parse_study
from monitor.study.model import Study
from tests.commands.running import call
from tests.lazily import Lazily
from tests.scenario_file.by_hand import HEAD
from tests.scenario_file.writing import ABOVE, BELOW, EQUAL, FALLING, NONE, RISING, at_value, event, of, write_scenario

xosc = Lazily("scenariogeneration.xosc")

ROOT = Path(__file__).parents[2]


def study_of(rule: str, more: str = "", head: str = HEAD) -> Study:
    return parse_study(f'{head}[[trigger]]\nname = "gate-brake"\n{rule}\n{more}', "held.toml")


GAP = '[[trigger.fires_when]]\nmeasure = "time_gap"\nrole = "van"\nat_most = 1.6\nedge = "rising"\ndelay_s = 0.2\n'
FAST = '[[trigger.fires_when]]\nmeasure = "speed"\nat_least = 19.0\n'


def gap(value: float = 1.6, edge: object = RISING, delay_s: float = 0.2, rule: object = BELOW) -> Any:
    return of(
        "Ego",
        xosc.TimeHeadwayCondition(
            "van", value, rule, freespace=True, distance_type=xosc.RelativeDistanceType.longitudinal
        ),
        edge,
        delay_s,
    )


def fast(value: float = 19.0) -> Any:
    return of("Ego", xosc.SpeedCondition(value, ABOVE))


def said(
    tmp_path: Path,
    study: Study,
    *groups: list[object],
    kind: str = "differs",
    minor: int = 2,
    decel: float | None = 5.0,
    times: int = 1,
) -> list[str]:
    path = write_scenario(tmp_path / "a.xosc", event("gate-brake", groups, decel=decel, times=times), minor=minor)
    found = compare_with_study(load_scenario_file(path), study).found
    return [one.sentence for one in found if one.kind == kind]


def test_the_same_rule_differs_in_nothing(tmp_path: Path) -> None:
    study = study_of(GAP + FAST)
    assert said(tmp_path, study, [gap(), fast()]) == []
    assert said(tmp_path, study, [fast(), gap()]) == []
    assert said(tmp_path, study, [gap(), fast()], kind="cannot be told") == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (gap(1.4), "time_gap at most 1.4 s in the file (line 64), at most 1.6 s in the study's fires_when"),
        (gap(rule=ABOVE), "time_gap at least 1.6 s in the file (line 64), at most 1.6 s in the study's fires_when"),
        (gap(edge=NONE), "time_gap with edge none in the file (line 64), rising in the study's fires_when"),
        (gap(edge=FALLING), "time_gap with edge falling in the file (line 64), rising in the study's fires_when"),
        (gap(delay_s=0.0), "time_gap with a delay of 0 s in the file (line 64), 0.2 s in the study's fires_when"),
    ],
)
def test_what_is_changed_in_the_file_alone_is_told_with_both_values(
    tmp_path: Path, changed: object, words: str
) -> None:
    assert said(tmp_path, study_of(GAP + FAST), [changed, fast()]) == [words]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "at_most = 1.6",
            "at_most = 1.4",
            "time_gap at most 1.6 s in the file (line 64), at most 1.4 s in the study's",
        ),
        ("at_most = 1.6", "at_most = 1.6\ntolerance = 0.1", "at most 1.6 s in the file (line 64), at most 1.6 s ± 0.1"),
        ('edge = "rising"', 'edge = "none"', "edge rising in the file (line 64), none in the study's fires_when"),
        ("delay_s = 0.2", "delay_s = 0.5", "a delay of 0.2 s in the file (line 64), 0.5 s in the study's fires_when"),
        ("at_least = 19.0", "at_least = 20.0", "speed at least 19 m/s in the file (line 74), at least 20 m/s in the"),
        (FAST, "", "the file asks for speed at least 19 m/s (line 74), of which the study's fires_when says nothing"),
    ],
)
def test_what_is_changed_in_the_study_alone_is_told_with_both_values(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    (sentence,) = said(tmp_path, study_of((GAP + FAST).replace(old, new)), [gap(), fast()])
    assert words in sentence


def test_what_the_file_does_not_ask_for_is_told(tmp_path: Path) -> None:
    (sentence,) = said(tmp_path, study_of(GAP + FAST), [gap()])
    assert sentence == "the study's fires_when asks for speed at least 19 m/s, of which the file (line 49) says nothing"


def test_one_group_or_another_is_either_or_in_the_study(tmp_path: Path) -> None:
    either = """[[trigger.fires_when]]
any_of = [
    { measure = "time_gap", role = "van", at_most = 1.6, edge = "rising", delay_s = 0.2 },
    { measure = "speed", at_least = 19.0 },
]
"""
    assert said(tmp_path, study_of(either), [gap()], [fast()]) == []
    (sentence,) = said(tmp_path, study_of(either), [fast()], [gap(1.4)])
    assert sentence.startswith("time_gap at most 1.4 s in the file")
    told = said(tmp_path, study_of(GAP), [gap()], [fast()])
    assert told[0].startswith("the file fires it in 2 cases (line 49), the study's fires_when has one case")
    assert told[1].startswith("the study's fires_when has no case for speed at least 19 m/s (line")


def test_between_reference_points_it_is_another_headway(tmp_path: Path) -> None:
    """Reference points lie 1.4 and 2.1 m behind the middles of 4.6 and 5.9 m: fronts 3.7 and 5.05 m ahead of them."""
    behind = xosc.RelativeDistanceCondition(32.0, BELOW, xosc.RelativeDistanceType.longitudinal, "van", freespace=False)
    rule = '[[trigger.fires_when]]\nmeasure = "distance_headway"\nrole = "van"\nat_most = 33.35\n'
    path = write_scenario(
        tmp_path / "a.xosc", event("gate-brake", [[of("Ego", behind)]]), own_box=(4.6, 1.4), van_box=(5.9, 2.1)
    )
    file = load_scenario_file(path)
    assert compare_with_study(file, study_of(rule)).ok  # 32.0 + (5.05 − 3.7) from front to front
    assert not compare_with_study(file, study_of(rule.replace("33.35", "32.0"))).ok
    free = xosc.RelativeDistanceCondition(26.1, BELOW, xosc.RelativeDistanceType.longitudinal, "van", freespace=True)
    gap_rule = rule.replace("distance_headway", "distance_gap").replace("33.35", "26.1")
    assert said(tmp_path, study_of(gap_rule), [of("Ego", free)]) == []
    time = xosc.TimeHeadwayCondition("van", 1.63, BELOW, freespace=False)
    path = write_scenario(tmp_path / "b.xosc", event("gate-brake", [[of("Ego", time)]]), van_box=(5.9, 2.1))
    found = compare_with_study(load_scenario_file(path), study_of(rule)).found
    assert any("between reference points, which lie" in one.sentence for one in found if one.kind == "cannot be told")


def test_a_place_is_the_station_within_the_circle_about_it(tmp_path: Path) -> None:
    rule = '[[trigger.fires_when]]\nmeasure = "station"\nat_least = 700.0\nedge = "rising"\n'
    at = of("Ego", xosc.ReachPositionCondition(xosc.LanePosition(702.0, 0, -1, 1), 2.0), RISING)
    assert said(tmp_path, study_of(rule), [at], minor=1) == []
    further = of("Ego", xosc.ReachPositionCondition(xosc.LanePosition(712.0, 0, -1, 1), 2.0), RISING)
    assert said(tmp_path, study_of(rule), [further], minor=1) == [
        "station at least 710 m in the file (line 64), at least 700 m in the study's fires_when"
    ]


def test_a_world_position_is_a_point_of_the_study(tmp_path: Path) -> None:
    head = f"{HEAD}[points.gate]\nx_m = 700.0\ny_m = 3.0\n"
    rule = '[[trigger.fires_when]]\nmeasure = "distance_to_point"\npoint = "gate"\nat_most = 17.7\n'
    near = of("Ego", xosc.DistanceCondition(20.0, BELOW, xosc.WorldPosition(700.2, 2.9), freespace=False))
    assert (
        said(tmp_path, study_of(rule, head=head), [near]) == []
    )  # 20 m from the middle of 4.6 m are 17.7 from its front
    off = of("Ego", xosc.DistanceCondition(20.0, BELOW, xosc.WorldPosition(710.0, 3.0), freespace=False))
    (why,) = said(tmp_path, study_of(rule, head=head), [off], kind="cannot be told")[:1]
    assert "no point of the study lies at x = 710, y = 3 m" in why


def test_relative_speed_of_the_other_vehicle_has_the_other_sign(tmp_path: Path) -> None:
    rule = '[[trigger.fires_when]]\nmeasure = "closing_speed"\nrole = "van"\nat_least = 3.0\n'
    ours = of("Ego", xosc.RelativeSpeedCondition(3.0, ABOVE, "van"))
    theirs = of("van", xosc.RelativeSpeedCondition(-3.0, BELOW, "Ego"))
    assert said(tmp_path, study_of(rule), [ours]) == said(tmp_path, study_of(rule), [theirs]) == []


def test_the_other_vehicles_own_channels(tmp_path: Path) -> None:
    rule = '[[trigger.fires_when]]\nmeasure = "van.accel"\nat_most = -2.0\n'
    along = of("van", xosc.AccelerationCondition(-2.0, BELOW, xosc.DirectionalDimension.longitudinal))
    assert said(tmp_path, study_of(rule), [along]) == []
    total = of("van", xosc.AccelerationCondition(-2.0, BELOW))
    untold = said(tmp_path, study_of(rule), [total], kind="cannot be told")
    assert any("without a direction it is the total acceleration" in why for why in untold)
    (taken,) = said(tmp_path, study_of(rule), [total], kind="note", minor=1)
    assert "1.1 has no direction" in taken


def test_after_another_event(tmp_path: Path) -> None:
    rule = (
        '[[trigger.fires_when]]\nmeasure = "time_since"\nevent = "trigger"\nnamed = "first"\nat_most = 0.1\n'
        'edge = "rising"\ndelay_s = 5.0\n[[trigger]]\nname = "first"\n'
    )
    state = xosc.StoryboardElementStateCondition(
        xosc.StoryboardElementType.event, "first", xosc.StoryboardElementState.startTransition
    )
    assert said(tmp_path, study_of(rule), [at_value(state, delay_s=5.0)]) == []
    study = study_of(GAP)
    assert said(tmp_path, study, [at_value(state)], kind="cannot be told")[0].endswith("the study has no trigger first")


@pytest.mark.parametrize(
    ("made", "why"),
    [
        (
            lambda: of("Ego", xosc.CollisionCondition("van")),
            "a study has no measure that a CollisionCondition could be put into",
        ),
        (
            lambda: of("Ego", xosc.TimeToCollisionCondition(2.4, BELOW, entity="van", freespace=False)),
            "freespace is false",
        ),
        (lambda: of("van", xosc.TimeHeadwayCondition("Ego", 1.6, BELOW)), "asked of another vehicle about the own car"),
        (lambda: of("Ego", xosc.TimeHeadwayCondition("van", "$gap", BELOW)), "is worked out by the simulator"),
        (lambda: at_value(xosc.VariableCondition("mood", 1, EQUAL)), "the study has no signal mood"),
        (
            lambda: of("Ego", xosc.RelativeDistanceCondition(1.0, BELOW, xosc.RelativeDistanceType.lateral, "van")),
            "no lateral distance",
        ),
    ],
)
def test_what_cannot_be_told_is_said_with_line_and_reason(tmp_path: Path, made: Callable[[], object], why: str) -> None:
    condition = made()
    told = said(tmp_path, study_of(GAP), [condition], kind="cannot be told")
    assert any(why in one and one.startswith("line ") for one in told), told
    # what the study asks for may be just that, so that it is no difference either
    assert said(tmp_path, study_of(GAP), [condition]) == []


def test_without_a_known_own_car_nothing_is_told_until_it_is_named(tmp_path: Path) -> None:
    asked = of("Car1", xosc.SpeedCondition(19.0, ABOVE))
    path = write_scenario(tmp_path / "a.xosc", event("gate-brake", [[asked]]), own="Car1")
    file = load_scenario_file(path)
    untold = [one.sentence for one in compare_with_study(file, study_of(FAST)).found if one.kind == "cannot be told"]
    assert "say it with --own NAME" in untold[0]
    assert compare_with_study(file, study_of(FAST), "Car1").found == ()


def test_bands_that_the_script_cannot_meet_are_told(tmp_path: Path) -> None:
    band = (
        '[[trigger.condition]]\nname = "time gap"\nmeasure = "time_gap"\nrole = "van"\nat_least = 1.3\nat_most = {}\n'
    )
    rule = GAP.replace("delay_s = 0.2\n", "")
    assert said(tmp_path, study_of(rule + band.format(1.9)), [gap(delay_s=0.0)]) == []
    assert said(tmp_path, study_of(rule + band.format(1.5)), [gap(delay_s=0.0)]) == [
        "the file fires it when time_gap to van at most 1.6 s, rising (line 64); there the condition "
        '"time gap", 1.3 to 1.5 s, does not hold'
    ]


def test_the_braking_of_the_script_is_held_against_hazard_and_conditions(tmp_path: Path) -> None:
    more = (
        '[[trigger.condition]]\nname = "van braking"\nmeasure = "van.accel"\nat_most = -4.0\nwithin_s = 1.0\n'
        '[trigger.hazard]\nrole = "van"\nlevel_mps2 = 5.0\n'
    )
    assert said(tmp_path, study_of(GAP, more), [gap()], decel=5.0) == []
    told = said(tmp_path, study_of(GAP, more), [gap()], decel=3.0)
    assert told == [
        "the file slows down with 3 m/s² (line 49), hazard.level_mps2 is 5 ± 0.3",
        'the file slows down with 3 m/s² (line 49), the condition "van braking" asks for at most -4 m/s²',
    ]
    weak = said(tmp_path, study_of(GAP, '[trigger.hazard]\nrole = "van"\n'), [gap()], decel=1.5)
    assert weak == ["the file slows down with 1.5 m/s² (line 49), the hazard begins at 2 (hazard.decel_at_least_mps2)"]


def test_how_often_it_may_be_executed(tmp_path: Path) -> None:
    often = study_of(f"expected = 20\n{GAP}")
    assert said(tmp_path, often, [gap()], times=20) == []
    assert said(tmp_path, often, [gap()]) == ["the file executes it at most 1 times (line 49), the study expects 20"]
    assert said(tmp_path, study_of(f'expected = "any"\n{GAP}'), [gap()]) == [
        "the file executes it at most 1 times (line 49), the study expects any number"
    ]


def test_two_edges_in_one_group_are_pointed_out(tmp_path: Path) -> None:
    notes = said(tmp_path, study_of(GAP), [gap(), of("Ego", xosc.SpeedCondition(19.0, ABOVE), RISING)], kind="note")
    assert any("two edges in one group; it fires only if both fall into one and the same step" in one for one in notes)


def test_events_and_triggers_of_other_names(tmp_path: Path) -> None:
    path = write_scenario(tmp_path / "a.xosc", event("gate-break", [[gap()]]))
    told = [(one.kind, one.sentence) for one in compare_with_study(load_scenario_file(path), study_of(GAP)).found]
    assert (
        "cannot be told",
        'the file has no event of this name, so that nothing can be held against it; is it "gate-break"?',
    ) in told
    assert any(kind == "note" and "is no trigger of the study" in sentence for kind, sentence in told)


def test_the_acts_own_trigger_is_armed_when(tmp_path: Path) -> None:
    armed = '[[trigger.armed_when]]\nmeasure = "speed"\nat_least = 20.0\n'
    path = write_scenario(
        tmp_path / "a.xosc", event("gate-brake", [[gap()]]), act=of("Ego", xosc.SpeedCondition(18.0, ABOVE))
    )
    (told,) = (
        one.sentence
        for one in compare_with_study(load_scenario_file(path), study_of(armed + GAP)).found
        if one.kind == "differs"
    )
    assert "speed at least 18 m/s in the file" in told
    assert "at least 20 m/s in the study's armed_when" in told


# --- triggers written from a file -------------------------------------------------------------------------------------


def test_what_is_proposed_loads_and_then_differs_in_nothing(tmp_path: Path) -> None:
    far = of("Ego", xosc.DistanceCondition(20.0, BELOW, xosc.WorldPosition(700.0, 3.0)))
    path = write_scenario(
        tmp_path / "a.xosc",
        event("gate-brake", [[gap(), fast()], [far]], times=20),
        event(
            "again",
            [
                [
                    at_value(
                        xosc.StoryboardElementStateCondition(
                            xosc.StoryboardElementType.event, "gate-brake", xosc.StoryboardElementState.startTransition
                        ),
                        delay_s=3.0,
                    )
                ]
            ],
            decel=None,
        ),
    )
    file = load_scenario_file(path)
    bare = parse_study(HEAD.replace('[roles.van]\nvehicle = "van"\n', "") + '[[trigger]]\nname = "x"\n', "x.toml")
    text = propose_triggers(file, bare)
    assert "expected = 20" in text
    assert '[roles.van]\nvehicle = "van"' in text
    study = parse_study(HEAD.replace('[roles.van]\nvehicle = "van"\n', "") + text, "proposed.toml")
    compared = compare_with_study(file, study)
    assert [one for one in compared.found if one.kind != "note"] == []
    assert [trigger.name for trigger in study.triggers] == ["gate-brake", "again"]


def test_what_cannot_be_told_stands_as_a_comment(tmp_path: Path) -> None:
    nasty = event("x", [[of("Ego", xosc.CollisionCondition("van"))]])
    text = propose_triggers(load_scenario_file(write_scenario(tmp_path / "a.xosc", nasty)), study_of(GAP))
    assert "# cannot be told (line " in text
    assert "fires_when" not in text


# --- after the drive --------------------------------------------------------------------------------------------------


def dusk_road_file(path: Path, station: float) -> Path:
    at = of("Ego", xosc.ReachPositionCondition(xosc.LanePosition(station + 1.0, 0, -1, 1), 1.0), RISING)
    return write_scenario(path, event("gate-brake", [[at]]), minor=1)


@pytest.mark.parametrize(
    ("record", "station", "ok", "words"),
    [
        ("clean", 700.0, True, "1/gate-brake/1 fired at 30.05 s, as its file says."),
        ("clean", 715.0, False, "before its file's rule held at 30.7"),
        ("clean", 690.0, False, "after its file's rule held at 29.6"),
        ("never-fired", 700.0, False, "1/gate-brake/1 did not fire, and its file's rule held at 30.05 s."),
        ("not-reached", 700.0, True, "1/gate-brake/1 did not fire, and its file's rule never held."),
    ],
)
def test_a_script_that_fires_otherwise_than_its_file_says_is_told_after_the_drive(
    tmp_path: Path, record: str, station: float, ok: bool, words: str
) -> None:
    file = load_scenario_file(dusk_road_file(tmp_path / "a.xosc", station))
    study = load_study(ROOT / "configs" / "dusk-road.toml")
    fired = hold_against(file, study, ROOT / "replay_fixtures" / f"{record}.run")
    assert fired[0].ok is ok
    assert words in fired[0].sentence
    assert fired[1].ok is None  # side-gust is not in the file


def test_the_command(tmp_path: Path) -> None:
    study, record = str(ROOT / "configs" / "dusk-road.toml"), str(ROOT / "replay_fixtures" / "clean.run")
    same, other = (str(dusk_road_file(tmp_path / f"{at:g}.xosc", at)) for at in (700.0, 715.0))
    good = call("check", "--study", study, "--scenario", same, "--record", record)
    assert good.returncode == 0
    assert "fired at 30.05 s, as its file says" in good.stdout
    bad = call("check", "--study", study, "--scenario", other, "--record", record, "--json")
    document = json.loads(bad.stdout)
    assert (bad.returncode, document["ok"], document["scenario"]["ok"]) == (1, False, False)
    assert [one["ok"] for one in document["fired"]] == [False, None]
    proposed = tmp_path / "triggers.toml"
    assert call("check", "--study", study, "--scenario", same, "--propose", str(proposed)).returncode == 0
    assert 'measure = "station"' in proposed.read_text(encoding="utf-8")
    again = call("check", "--study", study, "--scenario", same, "--propose", str(proposed))
    assert (again.returncode, "is there already" in again.stderr) == (2, True)
    assert "give it with --scenario FILE" in call("check", "--study", study, "--own", "Ego").stderr
    unknown = call("check", "--study", study, "--scenario", same, "--own", "Egon")
    assert (unknown.returncode, "it has Ego, van" in unknown.stderr) == (2, True)
    (tmp_path / "no.xosc").write_text("no XML", encoding="utf-8")
    none = call("check", "--study", study, "--scenario", str(tmp_path / "no.xosc"))
    assert none.returncode == 1
    assert "1 fault in the scenario file" in none.stdout
