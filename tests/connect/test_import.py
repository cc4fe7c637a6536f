"""From a foreign file to a judged record: the three commands of the README, and what the record says of its origin."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.review import review_record
from monitor.commands.shared.printing import reading_line
from monitor.commissioning.importing import Imported, PastDrive, import_drive
from monitor.connect.channel_map.loading import load_map, parse_map
from monitor.errors import WitnessError
from monitor.following.beginning import Driving
from monitor.judging.document import session_json
from monitor.judging.session import Session
from monitor.measures.columns import join_blocks
from monitor.record.entries import EntryKind, unpack_map
from monitor.record.reader import RecordReading
from monitor.study.loading import load_study
from tests.commands.running import call
from tests.connect import ridge
from tests.connect.conftest import CONFIGS
from tests.connect.maps import map_text

EXAMPLE = CONFIGS / "channels-example.toml"
STUDY = load_study(CONFIGS / "dusk-road.toml")
Q11 = Driving("Q11", None)
BEGAN = datetime(2026, 5, 4, 8, 30, tzinfo=UTC)


def imported(tmp_path: Path, scenario: str = "clean", change: Any = None) -> tuple[Imported, Session]:
    file = tmp_path / f"{scenario}.csv"
    ridge.write_csv(file, scenario)
    if change is not None:
        file.write_text(change(file.read_text(encoding="utf-8")), encoding="utf-8")
    made = import_drive(PastDrive(load_map(EXAMPLE), file, began=BEGAN), STUDY, Q11, tmp_path / "records")
    return made, review_record(made.record).session


def test_three_commands_from_a_file_to_a_verdict(tmp_path: Path) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    study, records = str(CONFIGS / "dusk-road.toml"), tmp_path / "records"
    first = call("check", "--study", study, "--map", str(EXAMPLE))
    assert first.returncode == 0, first.stdout
    assert "marker rules, no fault" in first.stdout
    second = call(
        *("import", str(tmp_path / "drive.csv"), "--map", str(EXAMPLE), "--study", study, "--participant", "Q11"),
        *("--records", str(records), "--began", "2026-05-04T10:30+02:00", "--json"),
    )
    assert second.returncode == 0, second.stderr
    document = json.loads(second.stdout)
    assert (document["frames"], document["lost"], document["refused"], document["drives"]) == (1402, 0, 0, 1)
    third = call("review", document["record"], "--json")
    (review,) = json.loads(third.stdout)
    trials = {trial["id"]: trial for trial in review["trials"]}
    gate = trials["1/gate-brake/1"]
    assert (gate["verdict"], gate["timing"]["result"], gate["alert"]["given"]) == ("valid", "on time", ["sound"])
    assert review["group"] == "chime"
    assert call("verify", document["record"], "--digest", document["digest"]).returncode == 0


@pytest.mark.parametrize("scenario", ["clean", "gap-too-long", "soft-braking", "silent-alert", "collision"])
def test_the_verdict_is_that_of_the_drive_in_its_own_units(tmp_path: Path, scenario: str) -> None:
    """The demo's verdicts for these scenarios, and its values to the rounding of what the simulator sends."""
    verdicts = {"clean": "valid", "collision": "valid"}
    _, session = imported(tmp_path, scenario)
    gate = next(trial for trial in session.trials() if trial.trigger == "gate-brake")
    assert gate.verdict == verdicts.get(scenario, "invalid")


def test_values_are_those_of_the_drive_before_it_was_written_in_other_units(tmp_path: Path) -> None:
    _, session = imported(tmp_path)
    frames = join_blocks([block.frames for block in session.drives[0].log.blocks])
    truth = {round(step.t, 6): step for step in ridge.drive()}
    checked = 0
    for index in range(0, len(frames), 50):
        step = truth[round(float(frames.t[index]), 6)]
        for name, column in frames.own.items():
            if name in ("lane", "lane_width", "width"):
                continue  # ridge-hall does not send these, or the map has them as a constant
            assert column[index] == pytest.approx(step.own[name], abs=1e-9), name
            checked += 1
        van = ridge.van_of(step)
        if van is not None:
            row = int(frames.others.start[index])
            for name in ("x", "y", "heading", "speed", "accel", "station"):
                assert frames.others.channels[name][row] == pytest.approx(van[name], abs=1e-9), name
    assert checked > 100


def test_the_record_says_where_it_comes_from(tmp_path: Path) -> None:
    made, session = imported(tmp_path)
    reading = RecordReading(made.record)
    entries = [entry for block in reading.blocks() for entry in block]
    assert entries[1].kind is EntryKind.INTAKE
    origin = unpack_map(entries[1].payload)
    assert origin["sentence"] == (
        "This drive was imported from the file clean.csv with the channel map channels-example.toml."
    )
    assert origin["channel_map"] == EXAMPLE.read_text(encoding="utf-8")
    assert session.opening.versions["channel_map_sha256"] == load_map(EXAMPLE).sha256
    assert (reading.state, reading.digest) == ("closed", made.digest)
    assert entries[0].wall_ns == int(BEGAN.timestamp() * 1e9)
    messages = [entry for entry in entries if entry.kind is EntryKind.MESSAGE]
    assert messages[-1].monotonic_ns - messages[0].monotonic_ns == pytest.approx(70.05e9, rel=1e-3)
    fired = next(trial for trial in session.trials() if trial.trigger == "gate-brake")
    assert fired.wall == pytest.approx(BEGAN.timestamp() + 30.05, abs=0.1)
    # equal files give equal trials
    again = import_drive(
        PastDrive(load_map(EXAMPLE), tmp_path / "clean.csv", began=BEGAN), STUDY, Driving("Q12", None), tmp_path / "two"
    )
    other = session_json(review_record(again.record).session, "")
    assert other["trials"] == session_json(session, "")["trials"]


def test_lines_that_are_damaged_are_counted_and_the_rest_is_judged(tmp_path: Path) -> None:
    def damaged(text: str) -> str:
        lines = text.splitlines(keepends=True)
        lines[100] = lines[100].replace(";", ",", 3)
        lines[200] = "\n"
        lines[300] = "x" + lines[300]
        lines[400], lines[401] = lines[401], lines[400]
        return "".join(lines)

    made, session = imported(tmp_path, change=damaged)
    assert (made.refused, made.counts.out_of_order) == (2, 1)
    assert made.counts.frames == 1402 - 4
    assert "line 101 has 25 columns where there are 28" in made.sentences()[-2]
    assert session.trials()[0].verdict == "valid"


def test_what_cannot_be_imported_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_text(";".join(ridge.COLUMNS) + "\n" + ";" * (len(ridge.COLUMNS) - 1) + "\n1;2\n")
    with pytest.raises(WitnessError, match=r"no line of it gives a frame \(line 3 has 2 columns where there are 28\)"):
        import_drive(PastDrive(load_map(EXAMPLE), tmp_path / "empty.csv"), STUDY, Q11, tmp_path / "records")
    with pytest.raises(WitnessError, match="cannot be read: No such file"):
        import_drive(PastDrive(load_map(EXAMPLE), tmp_path / "none.csv"), STUDY, Q11, tmp_path / "records")
    with pytest.raises(WitnessError, match="use the pseudonymous code"):
        import_drive(
            PastDrive(load_map(EXAMPLE), tmp_path / "empty.csv"), STUDY, Driving("Anna", None), tmp_path / "records"
        )
    udp = parse_map(map_text(source='kind = "udp"\nfields = ["f64 T", "f64[5] v"]', own=NO_OWN))
    with pytest.raises(WitnessError, match="is no map for files"):
        import_drive(PastDrive(udp, tmp_path / "empty.csv"), STUDY, Q11, tmp_path / "records")
    assert list((tmp_path / "records").glob("*")) == []


NO_OWN = "\n".join(
    f"{name} = {{ not_measured = true }}" for name in ("x", "y", "heading", "speed", "accel", "length", "width")
)


def test_a_long_file_tells_how_far_it_is_in_both_readings(tmp_path: Path) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    told: dict[str, list[tuple[float | None, int]]] = {}

    def telling(what: str) -> Callable[[float | None, int], None]:
        heard = told.setdefault(what, [])
        return lambda part, frames: heard.append((part, frames))

    import_drive(
        PastDrive(load_map(EXAMPLE), tmp_path / "drive.csv", began=BEGAN, telling=telling),
        STUDY,
        Q11,
        tmp_path / "records",
    )
    assert list(told) == ["judging", "writing the record"]
    for heard in told.values():
        parts = [part for part, _ in heard if part is not None]
        assert len(parts) == len(heard) == 3, "every 512 of 1402 lines"
        assert parts == sorted(parts)
        assert 0.0 < parts[0] < parts[-1] <= 1.0
        assert heard[-1][1] >= 1000


def test_how_far_it_is_stands_in_one_line_of_a_terminal_and_nowhere_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("monitor.commands.shared.printing.TELL_EVERY_S", 0.0)
    reading_line("judging")(0.5, 1200)
    assert capsys.readouterr().err == ""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    told = reading_line("judging")
    told(0.25, 600)
    told(None, 1200)
    assert capsys.readouterr().err == "\r\x1b[Kjudging: 25 %, 600 frames\r\r\x1b[Kjudging: 1200 frames\r"
