"""Nothing that a file says of markers and channels is dropped in silence: it is taken, or somebody is told.

Each case is a small table written by hand; what must come of it is counted by hand beside it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.commissioning.check.dry.judged import DryReport
from monitor.commissioning.importing import CannotBeRight, PastDrive, import_drive, judge_file
from monitor.connect.channel_map.loading import parse_map
from monitor.following.beginning import Driving
from monitor.study.loading import load_study
from tests.commands.running import call
from tests.connect import ridge
from tests.connect.conftest import CONFIGS
from tests.connect.maps import map_text

STUDY = load_study(CONFIGS / "dusk-road.toml")
EXAMPLE = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")
TRIGGER = '[[marker]]\nkind = "trigger"\nfrom = "E"\n'


def judged(tmp_path: Path, marker: str, cells: list[str], more: str = "") -> DryReport:
    """A car at 20 m/s, a line each tenth of a second, with the given cells in the column E."""
    lines = ["T,X,Y,H,V,A,E"] + [f"{i / 10},{2 * i},0,0,20,0,{cell}" for i, cell in enumerate(cells)]
    (tmp_path / "drive.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = map_text(more=marker + more).replace("rate_hz = 60", "rate_hz = 10")
    return judge_file(PastDrive(parse_map(text, "map.toml"), tmp_path / "drive.csv"), STUDY)


def came(report: DryReport, rule: int = 0) -> tuple[int, list[float]]:
    found = report.details["markers"][rule]
    return found["count"], found["times"]


def padded(cells: dict[int, str], rest: str, lines: int = 60) -> list[str]:
    return [cells.get(i, rest) for i in range(lines)]


def test_a_text_column_that_is_empty_between_events_gives_every_event(tmp_path: Path) -> None:
    """The first line is empty, the same name comes twice, and each event stands in one line only."""
    cells = padded({10: "gate-brake", 30: "gate-brake", 50: "side-gust"}, "")
    report = judged(tmp_path, TRIGGER + 'when = "changes"\nname_from = "E"\n', cells)
    assert came(report) == (3, [1.0, 3.0, 5.0])
    becomes = judged(tmp_path, TRIGGER + 'name = "gate-brake"\nwhen = "becomes"\nbecomes = "gate-brake"\n', cells)
    assert came(becomes) == (2, [1.0, 3.0])
    assert not any("gate-brake" in fault and "was never" in fault for fault in becomes.faults)


@pytest.mark.parametrize(
    ("when", "cells", "times"),
    [
        ("rises", {10: "1", 11: "1", 30: "1"}, [1.0, 3.0]),
        ("falls", {10: "1", 11: "1", 30: "1"}, [1.2, 3.1]),
        ("counts up", {10: "1", 30: "2", 50: "4"}, [1.0, 3.0, 5.0, 5.0]),
    ],
)
def test_a_flag_or_a_counter_that_is_sent_only_while_it_is_up(
    tmp_path: Path, when: str, cells: dict[int, str], times: list[float]
) -> None:
    report = judged(tmp_path, TRIGGER + f'name = "gate-brake"\nwhen = "{when}"\n', padded(cells, ""))
    assert came(report) == (len(times), times)


def test_empty_as_before_makes_no_edges(tmp_path: Path) -> None:
    marker = TRIGGER + 'name = "gate-brake"\nwhen = "rises"\nempty = "as before"\n'
    report = judged(tmp_path, marker, padded({0: "0", 10: "1", 40: "0", 50: "1"}, ""))
    assert came(report) == (2, [1.0, 5.0])


def test_an_edge_that_a_lost_cell_made_is_called_so(tmp_path: Path) -> None:
    cells = ["0"] * 10 + ["1"] * 20 + [""] + ["1"] * 29
    report = judged(tmp_path, TRIGGER + 'name = "gate-brake"\nwhen = "rises"\n', cells)
    assert came(report) == (2, [1.0, 3.1])
    assert any("1 of 2 came only because E was empty just before" in fault for fault in report.faults)


def test_a_mistyped_code_is_called_so(tmp_path: Path) -> None:
    text = judged(
        tmp_path,
        TRIGGER + 'name = "gate-brake"\nwhen = "becomes"\nbecomes = "GateBrake"\n',
        padded({10: "Gate_Brake"}, "idle"),
    )
    assert 'marker 1: E was never "GateBrake", and it was "Gate_Brake", which no [[marker]] lists. ' in text.faults[1]
    assert text.faults[1].endswith('Is "GateBrake" meant to be "Gate_Brake"?')
    number = judged(
        tmp_path, TRIGGER + 'when = "changes"\nnames = { 11 = "gate-brake", 21 = "side-gust" }\n',
        padded({10: "11", 30: "12"}, "0"),
    )  # fmt: skip
    assert 'marker 1: E was never "21", and it was "12", which no [[marker]] lists.' in number.faults
    right = judged(
        tmp_path, TRIGGER + 'when = "changes"\nnames = { 11 = "gate-brake", 12 = "side-gust" }\n',
        padded({10: "11", 30: "12.0"}, "0"),
    )  # fmt: skip
    assert right.faults == []
    assert came(right) == (2, [1.0, 3.0])


@pytest.mark.parametrize(
    ("marker", "cells", "said"),
    [
        (
            'when = "rises"\nname = "gate-brake"\n',
            padded({10: "gate"}, "idle"),
            "rises needs numbers, and E holds texts",
        ),
        ('when = "counts up"\nname = "gate-brake"\n', padded({10: "gate"}, "idle"), "counts up needs numbers"),
        ('when = "changes"\nname = "gate-brake"\n', [str(i / 7) for i in range(80)], "more than 64 different values"),
    ],
)
def test_a_rule_that_does_not_fit_its_column(tmp_path: Path, marker: str, cells: list[str], said: str) -> None:
    report = judged(tmp_path, TRIGGER + marker, cells)
    assert any(said in fault for fault in report.faults), report.faults


def spoilt(tmp_path: Path, change: tuple[str, str], file: tuple[str, str] | None = None) -> DryReport:
    ridge.write_csv(tmp_path / "drive.csv")
    if file is not None:
        text = (tmp_path / "drive.csv").read_text(encoding="utf-8")
        (tmp_path / "drive.csv").write_text(text.replace(*file), encoding="utf-8")
    assert change[0] in EXAMPLE
    return judge_file(PastDrive(parse_map(EXAMPLE.replace(*change), "map.toml"), tmp_path / "drive.csv"), STUDY)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('unit = "ms"', 'unit = "s"'), 'Simulation time looks like ms. In the channel map: [time] unit = "ms"'),
        (('decimal = ","', 'decimal = "."'), '[source] decimal = ","'),
        (("constant = 4.6", "constant = 4600"), "length looks like mm: a car of 4600 m is hardly meant"),
        (
            ("ROAD = 1, MIRROR = 1, TASK = 0", "AHEAD = 1, DOWN = 0"),
            "which the table `values` of eyes_on_road does not",
        ),
        (('1 = "chime"', '7 = "chime"'), 'AlertCode is "1", which [run.groups] does not list'),
        (('from = "EgoSpeed", unit = "km/h"', 'from = "EgoSpeed"'), "speed looks like km/h"),
    ],
)
def test_a_wrong_unit_of_time_decimal_mark_length_or_table_is_a_fault(
    tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    faults = spoilt(tmp_path, change).faults
    assert any(said in fault for fault in faults), faults


def test_a_right_file_has_no_fault_and_the_first_verdicts(tmp_path: Path) -> None:
    report = spoilt(tmp_path, ("rate_hz = 20", "rate_hz = 20"))
    assert (report.ok, report.faults, report.lacking) == (True, [], [])
    assert [(one.id, one.verdict) for one in report.trials] == [
        ("1/gate-brake/1", "valid"),
        ("1/side-gust/1", "valid"),
    ]
    assert came(report, 0)[0] == 2
    count, times = came(report, 6)
    assert count == 6
    assert times == pytest.approx([28.55, 29.05, 29.55, 30.05, 30.55, 31.05])


def test_import_refuses_what_cannot_be_right_unless_told(tmp_path: Path) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    (tmp_path / "map.toml").write_text(EXAMPLE.replace("12 = ", "21 = "), encoding="utf-8")
    drive = ("import", str(tmp_path / "drive.csv"), "--map", str(tmp_path / "map.toml"), "--participant", "Q11")
    told = (*drive, "--study", str(CONFIGS / "dusk-road.toml"), "--records", str(tmp_path / "records"))
    refused = call(*told)
    assert refused.returncode == 2
    assert 'EventCode was never "21", and it was "12"' in refused.stdout
    assert "nothing was imported" in refused.stderr
    assert list(tmp_path.glob("records/*.run")) == []
    taken = call(*told, "--despite-faults")
    assert taken.returncode == 1
    assert len(list(tmp_path.glob("records/*.run"))) == 1


def test_what_is_refused_leaves_no_record(tmp_path: Path) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    wrong = parse_map(EXAMPLE.replace('unit = "ms"', 'unit = "s"'), "map.toml")
    with pytest.raises(CannotBeRight) as caught:
        import_drive(PastDrive(wrong, tmp_path / "drive.csv"), STUDY, Driving("Q11", None), tmp_path / "records")
    assert len(caught.value.report.faults) == 1
    assert not (tmp_path / "records").exists()


def test_a_blind_study_shows_nothing_of_the_response(tmp_path: Path) -> None:
    """Least speed and brake come after the fire, and stay hidden; so do the ranges of the feed's channels."""
    ridge.write_csv(tmp_path / "drive.csv")
    text = STUDY.text.replace("blind = false", "blind = true")
    (tmp_path / "blind.toml").write_text(text, encoding="utf-8")
    report = judge_file(PastDrive(parse_map(EXAMPLE), tmp_path / "drive.csv"), load_study(tmp_path / "blind.toml"))
    brake = next(one for one in report.columns if one.startswith("BrakeForce"))
    assert brake.startswith("BrakeForce → own brake: 0 to 0,")
    assert report.channels == []
    assert all(trial.response_hidden for trial in report.trials if trial.fired_at is not None)


def test_a_missing_file_is_status_2_everywhere(tmp_path: Path) -> None:
    study, none = str(CONFIGS / "dusk-road.toml"), str(tmp_path / "none")
    example = str(CONFIGS / "channels-example.toml")
    for command in (
        ("check", "--study", none),
        ("check", "--study", study, "--map", none),
        ("check", "--study", study, "--map", example, "--csv", none),
        ("check", "--study", study, "--csv", none, "--propose", str(tmp_path / "first.toml")),
        ("import", none, "--map", example, "--study", study, "--participant", "Q11"),
        ("import", none, "--map", none, "--study", study, "--participant", "Q11"),
        ("bridge", "--map", none, "--bind", "tcp://127.0.0.1:*"),
        ("bridge", "--map", example, "--csv", none, "--bind", "tcp://127.0.0.1:*"),
    ):
        done = call(*command)
        assert (done.returncode, "cannot be read" in done.stderr) == (2, True), (command, done)


def test_trials_that_never_fired_are_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    text = STUDY.text.replace("expected = 1 ", "expected = 12 ")
    (tmp_path / "twelve.toml").write_text(text, encoding="utf-8")
    ridge.write_csv(tmp_path / "drive.csv", "not-reached")
    report = judge_file(PastDrive(parse_map(EXAMPLE), tmp_path / "drive.csv"), load_study(tmp_path / "twelve.toml"))
    numbers = [trial.occurrence for trial in report.trials if trial.trigger == "gate-brake"]
    assert numbers == list(range(1, 13))
