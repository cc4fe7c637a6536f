"""A map against a study: every name of the one that the other does not know, before anything is driven."""

from __future__ import annotations

import pytest

from monitor.commissioning.check.map_and_study import compare
from monitor.connect.channel_map.loading import load_map, parse_map
from monitor.study.loading import load_study
from tests.commands.running import call
from tests.connect.conftest import CONFIGS

STUDY = load_study(CONFIGS / "dusk-road.toml")
EXAMPLE = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["example", "udp", "zmq"])
def test_the_example_maps_go_with_the_example_study(name: str) -> None:
    found = compare(STUDY, load_map(CONFIGS / f"channels-{name}.toml"))
    assert (found.faults, found.lacking) == ([], [])


@pytest.mark.parametrize(
    ("change", "faults"),
    [
        (
            ('11 = "gate-brake"', '11 = "gate-break"'),
            [
                'The map has the trigger "gate-break", which the study does not know; did you mean "gate-brake"?',
                'The study\'s trigger "gate-brake" has no [[marker]] of kind trigger in the map, so that it could '
                "never be seen to fire.",
            ],
        ),
        (
            ('modality = ["vibration"]', 'modality = ["shaking"]'),
            [
                'The map has an alert of the modality "shaking", which the study does not know; it has "sound", '
                '"vibration" and "light".',
            ],
        ),
        (
            ('2 = "seat-pulse"', '2 = "seat-puls"'),
            ['The map has the group "seat-puls", which the study does not know; did you mean "seat-pulse"?'],
        ),
        (
            ('scenario = "dusk-road"', 'scenario = "dawn"'),
            [
                'The map has the scenario "dawn", which the study does not know; it has "dusk-road" and "practice".',
            ],
        ),
        (
            ("[signals.eyes_on_road]", "[signals.eyes_on_raod]"),
            ['The map has the signal "eyes_on_raod", which the study does not know; did you mean "eyes_on_road"?'],
        ),
        (
            ('kind = "task_start"\nname = "arrow-grid"', 'kind = "task_start"\nname = "arrows"'),
            [
                'The map has a task_start of the task "arrows", which the study does not know; did you mean '
                '"arrow-grid"?'
            ],
        ),
    ],
    ids=["trigger", "modality", "group", "scenario", "signal", "task"],
)
def test_each_name_that_the_study_does_not_know_is_a_fault(change: tuple[str, str], faults: list[str]) -> None:
    assert change[0] in EXAMPLE
    assert compare(STUDY, parse_map(EXAMPLE.replace(*change))).faults == faults


@pytest.mark.parametrize(
    ("change", "lacking"),
    [
        (
            ('kind = "alert_on"\nname = "seat"', 'kind = "alert_off"\nname = "seat"'),
            'the modality "vibration": the alert',
        ),
        (("[signals.eyes_on_road]", "[signals.gaze]"), '"eyes_on_road" is not in the map, but eyes off road needs it'),
        (
            ('lane_offset = { from = "LaneDev", unit = "ft" }', ""),
            "lane_offset is not in the map, but lane offset needs",
        ),
        (('{ from = "EgoYawRate", unit = "deg/s" }', "{ not_measured = true }"), "yaw_rate is not measured by the map"),
        (('kind = "task_end"', 'kind = "other"'), 'The study\'s task "arrow-grid" has no [[marker]] of kind task_end'),
    ],
)
def test_each_need_of_the_study_that_the_map_does_not_give(change: tuple[str, str], lacking: str) -> None:
    assert change[0] in EXAMPLE
    found = compare(STUDY, parse_map(EXAMPLE.replace(*change)))
    assert any(lacking in one for one in found.lacking), found


def test_only_the_alerts_of_the_groups_that_are_driven_are_asked_for() -> None:
    channels = parse_map(EXAMPLE.replace('kind = "alert_on"\nname = "seat"', 'kind = "alert_off"\nname = "seat"'))
    assert compare(STUDY, channels, groups=["chime"]).lacking == []
    assert len(compare(STUDY, channels, groups=["seat-pulse"]).lacking) == 1


def test_a_further_source_s_map_gives_what_the_simulator_s_lacks(tmp_path: object) -> None:
    without = parse_map(EXAMPLE.replace("[signals.eyes_on_road]", "[signals.gaze]"))
    assert compare(STUDY, without, [load_map(CONFIGS / "channels-gaze.toml")]).lacking == []


def test_the_command_lists_them_all_and_leaves_with_status_1() -> None:
    study, gaze = str(CONFIGS / "rear-end-preset.toml"), str(CONFIGS / "channels-example.toml")
    done = call("check", "--study", study, "--map", gaze)
    assert done.returncode == 1
    assert done.stdout.count("  FAULT  ") >= 2
    right = call("check", "--study", str(CONFIGS / "dusk-road.toml"), "--map", gaze)
    assert (right.returncode, "marker rules, no fault" in right.stdout) == (0, True)
