"""Five foreign simulators, each with an interface of its own, judged right by channel maps alone.

The drives are the demo's, so the verdicts are known: `clean` is valid twice, in `gap-too-long` the first trial is
invalid by its time gap. Each simulator is a program of its own; the maps beside them are all that is written for it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.commands.running import STUDY, call, command
from tests.connect.conftest import Bridged, Processes, free_udp_port
from tests.connect.foreign import simulators
from tests.connect.test_lsl import loopback_only  # noqa: F401 - the layer's own configuration for these tests, too

pytestmark = pytest.mark.slow

MAPS = Path(__file__).parent / "foreign" / "maps"
SPEED = "15"
VALID = [("1/gate-brake/1", "valid"), ("1/side-gust/1", "valid")]


def simulator(processes: Processes, kind: str, scenario: str, *more: str, speed: str = SPEED) -> Any:
    return processes.start(sys.executable, "-m", "tests.connect.foreign.simulators", kind, scenario, speed, *more)


def watched(processes: Processes, bridge: Bridged, tmp_path: Path, go: Callable[[], object]) -> dict[str, Any]:
    """The review of a run behind a bridge, followed to its end. `go` starts the simulator."""
    watch = processes.start(
        *command("watch", "--headless", "--json", "--until-end", "--study", str(STUDY), "--feed", bridge.endpoint),
        *("--participant", "Q07", "--records", str(tmp_path / "records")),
    )
    go()
    out, err = watch.communicate(timeout=120)
    assert watch.returncode == 0, err
    review: dict[str, Any] = json.loads(out.splitlines()[-1])
    return review


def verdicts(review: dict[str, Any]) -> list[tuple[str, str]]:
    return [(one["id"], one["verdict"]) for one in review["trials"]]


def not_met(review: dict[str, Any]) -> list[str]:
    return [one["name"] for one in review["trials"][0]["conditions"] if one["result"] == "not met"]


def weighty(review: dict[str, Any]) -> list[str]:
    """Why the first trial is not valid, in sentences."""
    return [one["sentence"] for one in review["trials"][0]["findings"] if one["severity"] != "note"]


@pytest.mark.parametrize(("scenario", "verdict"), [("clean", "valid"), ("gap-too-long", "invalid")])
def test_big_endian_datagrams_with_bits_and_slots(
    scenario: str, verdict: str, processes: Processes, tmp_path: Path
) -> None:
    port = free_udp_port()
    bridge = processes.bridge(MAPS / "words.toml", "--source", f"127.0.0.1:{port}", "--wait", "30")
    review = watched(processes, bridge, tmp_path, lambda: simulator(processes, "words", scenario, f"127.0.0.1:{port}"))
    assert verdicts(review) == [("1/gate-brake/1", verdict), VALID[1]], review["trials"]
    assert not_met(review) == ([] if verdict == "valid" else ["time gap"])
    assert (review["feed"]["lost"], review["feed"]["bad"]) == (0, 0)


def test_json_objects_inside_each_other(processes: Processes, tmp_path: Path) -> None:
    program = simulator(processes, "nested", "clean")
    bridge = processes.bridge(MAPS / "nested.toml", "--source", program.stdout.readline().strip(), "--wait", "30")
    review = watched(processes, bridge, tmp_path, lambda: None)
    assert verdicts(review) == VALID, review["trials"]
    assert bridge.stop()["refused"] == 0


@pytest.mark.parametrize(("scenario", "verdict"), [("clean", "valid"), ("gap-too-long", "invalid")])
def test_a_table_with_decimal_commas_and_cells_that_are_empty_between_events(
    scenario: str, verdict: str, tmp_path: Path
) -> None:
    lines = simulators.write_table(tmp_path / "drive.csv", scenario)
    checked = call(
        "check", "--study", str(STUDY), "--map", str(MAPS / "table.toml"), "--csv", str(tmp_path / "drive.csv")
    )
    assert checked.returncode == 0, checked.stdout
    done = call(
        *("import", str(tmp_path / "drive.csv"), "--map", str(MAPS / "table.toml"), "--study", str(STUDY)),
        *("--participant", "Q07", "--records", str(tmp_path / "records"), "--json"),
    )
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["frames"] == lines
    assert [(one["id"], one["verdict"]) for one in document["dry"]["trials"]] == [
        ("1/gate-brake/1", verdict),
        VALID[1],
    ]
    (review,) = json.loads(call("review", document["record"], "--json").stdout)
    clockless = [{**one, "wall": None} for one in review["trials"]]  # a dry judging has no clock of the day
    assert clockless == [{**one, "wall": None} for one in document["dry"]["trials"]]


@pytest.mark.slow(seconds=15)
@pytest.mark.parametrize(("scenario", "verdict"), [("clean", "valid"), ("eyes-up", "invalid")])
def test_a_stream_of_gaze_with_a_drifting_clock_beside_datagrams(
    scenario: str, verdict: str, processes: Processes, tmp_path: Path
) -> None:
    port = free_udp_port()
    program = simulator(processes, "gaze", scenario, f"127.0.0.1:{port}", speed="2.5")
    assert program.stdout.readline() == "ready\n"
    bridge = processes.bridge(
        MAPS / "without-eyes.toml",
        "--source",
        f"127.0.0.1:{port}",
        "--also",
        str(MAPS / "tracker.toml"),
        "--wait",
        "30",
    )

    def go() -> None:
        program.stdin.write("go\n")
        program.stdin.flush()

    review = watched(processes, bridge, tmp_path, go)
    assert verdicts(review) == [("1/gate-brake/1", verdict), VALID[1]], weighty(review)
    assert not_met(review) == ([] if verdict == "valid" else ["eyes off road"])


def test_asam_osi_with_its_events_apart(processes: Processes, tmp_path: Path) -> None:
    """OSI has no eyes, triggers, alerts or tasks: they come apart, on the simulation's clock."""
    program = simulator(processes, "osi", "clean", "SensorView")
    states, events = program.stdout.readline().strip(), program.stdout.readline().strip()
    (tmp_path / "events.toml").write_text(
        (MAPS / "osi-events.toml")
        .read_text(encoding="utf-8")
        .replace('kind = "zmq"', f'kind = "zmq"\nconnect = "{events}"'),
        encoding="utf-8",
    )
    also = ("--also", str(tmp_path / "events.toml"))
    bridge = processes.bridge(MAPS / "osi.toml", "--source", states, *also, "--wait", "30")
    review = watched(processes, bridge, tmp_path, lambda: None)
    assert verdicts(review) == VALID, review["trials"]
    conditions = {one["name"]: one["value"] for one in review["trials"][0]["conditions"]}
    assert conditions["time gap"] == pytest.approx(1.6, abs=0.02)
    assert bridge.stop()["refused"] == 0


@pytest.mark.slow(seconds=15)
def test_check_listens_to_a_source_itself_judges_it_dry(processes: Processes) -> None:
    """The map is checked before anything is bridged or recorded: by the source's own drive, faster than it drove. In
    twelve seconds, since a pace is told from three on: a loaded machine that lets check read late leaves fewer."""
    program = simulator(processes, "nested", "gap-too-long", speed="6")
    address = program.stdout.readline().strip()
    checking = processes.start(
        *command("check", "--json", "--study", str(STUDY), "--map", str(MAPS / "nested.toml"), "--source", address),
        *("--seconds", "60"),
    )
    out, err = checking.communicate(timeout=120)
    assert checking.returncode == 0, (out, err)
    told = json.loads(out)["dry"]
    assert [(one["id"], one["verdict"]) for one in told["trials"]] == [("1/gate-brake/1", "invalid"), VALID[1]]
    assert told["real_time"] > 3.0  # said, and no fault: at more than 1.5 nobody sits in the seat
    assert (told["faults"], told["lacking"], told["lost"]) == ([], [], 0)
