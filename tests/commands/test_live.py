"""Live runs over real sockets between real processes, with real kills."""

from __future__ import annotations

import json
import os
import signal
import socket
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import zmq

from monitor.recorder.running import find_running
from tests.commands.running import STUDY, call, run, simulator, the_record, trials, watching
from tests.waiting import wait_for

GATE = "1/gate-brake/1"


def last_line(text: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text.strip().splitlines()[-1])
    return document


def reviewed(records: Path) -> dict[str, Any]:
    (document,) = json.loads(call("review", "--json", str(the_record(records))).stdout)
    return dict(document)


def recorder_pid(records: Path) -> int:
    running = wait_for(lambda: find_running(records))
    return running[0].pid


def record_bytes(records: Path) -> int:
    return sum(part.stat().st_size for part in records.glob("*.run/part-*.twr"))


@pytest.mark.slow
def test_watch_prints_findings_as_they_come_and_the_whole_last(tmp_path: Path) -> None:
    with (
        simulator("--scenario", "gap-too-long", speed=8.0) as endpoint,
        watching(endpoint, tmp_path, "--until-end") as watch,
    ):
        out, err = watch.communicate(timeout=120)
    assert watch.returncode == 0, err
    lines = [json.loads(line) for line in out.splitlines()]
    assert all("type" in line for line in lines)
    stages = [line["stage"] for line in lines if line["type"] == "trial" and line["id"] == GATE]
    assert stages[0] == "fired"
    assert stages[-1] == "final"
    whole = lines[-1]
    assert whole["type"] == "review"
    assert whole["group"] == "chime"  # not planned: as the simulator says
    assert trials(whole)[GATE]["verdict"] == "invalid"
    again = reviewed(tmp_path)
    assert {name: value for name, value in whole.items() if name != "type"} == {
        name: again[name] for name in whole if name != "type"
    }


@pytest.mark.slow
def test_after_a_lost_trial_the_tally_of_the_earlier_runs_says_who_is_needed(tmp_path: Path) -> None:
    for participant, scenario, group in (("Q01", "clean", "chime"), ("Q02", "gap-too-long", "chime")):
        drive = ("--scenario", scenario, "--participant", participant, "--group", group)
        with simulator(*drive, speed=20.0) as endpoint:
            more = ("--until-end", "--participant", participant, "--group", group, "--group-words", "by hand")
            with watching(endpoint, tmp_path, *more) as watch:
                out, err = watch.communicate(timeout=120)
        assert watch.returncode == 0, err
    lines = [json.loads(line) for line in out.splitlines()]
    how_far = "Valid gate-brake: chime 1 of 12, seat-pulse 0 of 12, light-strip 0 of 12, no-alert 0 of 12."
    assert err.splitlines()[-1] == how_far  # with this run, after it was closed; the next group stays concealed
    said = trials(lines[-1])[GATE]["what_now"]
    assert said == (
        "Stop and replace: the hazard showed itself; the next participant takes the place in group chime; "
        "group chime has 1 of 12 valid and needs 11 more."
    )
    told = [line["what_now"] for line in lines if line["type"] == "trial" and line["id"] == GATE and line["what_now"]]
    assert all("group chime has 1 of 12 valid and needs 11 more" in one for one in told)  # with the first word already
    (again,) = json.loads(call("review", "--json", str(next(tmp_path.glob("Q02-*.run")))).stdout)
    assert again["trials"] == lines[-1]["trials"]


@pytest.mark.slow
def test_killing_the_watcher_loses_nothing_and_attach_goes_on_with_the_same_trials(tmp_path: Path) -> None:
    with simulator("--rate", "60") as endpoint, watching(endpoint, tmp_path) as watch:
        wait_for(lambda: record_bytes(tmp_path) > 500_000)
        os.kill(watch.pid, signal.SIGKILL)
        watch.wait()
        size = record_bytes(tmp_path)
        wait_for(lambda: record_bytes(tmp_path) > size + 100_000)
        attached = run("attach", "--records", str(tmp_path), "--headless", "--json", timeout=120)
    assert attached.returncode == 0, attached.stderr
    whole = last_line(attached.stdout)
    assert whole["feed"]["lost"] == 0
    assert trials(whole)[GATE]["verdict"] == "valid"
    assert reviewed(tmp_path)["trials"] == whole["trials"]


@pytest.mark.slow(seconds=20)
def test_killing_the_recorder_opens_a_new_part_and_a_trigger_in_the_hole_is_undecided(tmp_path: Path) -> None:
    with simulator("--rate", "60", speed=4.0) as endpoint, watching(endpoint, tmp_path, "--until-end") as watch:
        # the trigger comes at 30 s of the drive: 7.5 s of wall time; the hole is some two seconds of wall time wide
        wait_for(lambda: record_bytes(tmp_path) > 1_700_000)
        os.kill(recorder_pid(tmp_path), signal.SIGKILL)
        out, err = watch.communicate(timeout=120)
    assert watch.returncode == 0, err
    whole = last_line(out)
    assert len(list(the_record(tmp_path).glob("part-*.twr"))) == 2
    assert whole["feed"]["lost"] > 60
    gate = trials(whole)[GATE]
    assert gate["verdict"] == "undecided", gate["findings"]
    assert "witness-gap" in {finding["code"] for finding in gate["findings"]}
    assert any("started again" in line for line in out.splitlines())
    assert reviewed(tmp_path)["trials"] == whole["trials"]
    verified = call("verify", "--json", str(the_record(tmp_path)))
    assert verified.returncode == 0, verified.stdout


@pytest.mark.slow
def test_a_run_left_behind_on_the_same_feed_is_said(tmp_path: Path) -> None:
    with simulator("--rate", "60", speed=1.0) as endpoint, watching(endpoint, tmp_path) as left:
        wait_for(lambda: record_bytes(tmp_path) > 50_000)
        left.kill()
        left.wait()
        name = the_record(tmp_path).name
        with watching(endpoint, tmp_path) as watch:
            assert watch.stderr is not None
            said = next(line for line in iter(watch.stderr.readline, "") if "still being recorded" in line)
            assert said.startswith(f"{name} is still being recorded from {endpoint} and will take in this drive, too")
    for running in find_running(tmp_path):
        os.kill(running.pid, signal.SIGTERM)


@pytest.mark.slow
def test_an_interrupt_closes_the_record_and_tells_the_signal(tmp_path: Path) -> None:
    with simulator() as endpoint, watching(endpoint, tmp_path) as watch:
        wait_for(lambda: record_bytes(tmp_path) > 100_000)
        watch.send_signal(signal.SIGTERM)
        out, _ = watch.communicate(timeout=120)
    assert watch.returncode == 128 + signal.SIGTERM
    assert last_line(out)["type"] == "review"
    assert json.loads(call("verify", "--json", str(the_record(tmp_path))).stdout)[0]["state"] == "closed"


@pytest.mark.slow
def test_a_lost_terminal_ends_no_run(tmp_path: Path) -> None:
    """The recorder ignores the signal, and nobody may end the run on its account either."""
    with simulator() as endpoint, watching(endpoint, tmp_path) as watch:
        wait_for(lambda: record_bytes(tmp_path) > 100_000)
        watch.send_signal(signal.SIGHUP)
        watch.communicate(timeout=120)
        size = record_bytes(tmp_path)
        wait_for(lambda: record_bytes(tmp_path) > size + 50_000, "the recorder going on alone")
        os.kill(recorder_pid(tmp_path), signal.SIGTERM)
    assert watch.returncode == 128 + signal.SIGHUP


def wait_for_line(watch: Any, words: str) -> str:
    """Reads lines of health until one has the words."""
    while True:
        line = watch.stdout.readline()
        assert line, watch.stderr.read()
        sentence = json.loads(line).get("sentence", "")
        if words in sentence:
            return str(sentence)


@pytest.mark.slow
def test_a_missing_endpoint_a_wrong_topic_and_a_foreign_port_each_get_a_plain_sentence(tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with watching(f"tcp://127.0.0.1:{port}", tmp_path / "missing") as watch:
        assert str(port) in wait_for_line(watch, "nothing answers")
    with socket.socket() as foreign:
        foreign.bind(("127.0.0.1", 0))
        foreign.listen()
        port = foreign.getsockname()[1]
        with watching(f"tcp://127.0.0.1:{port}", tmp_path / "foreign") as watch:
            wait_for_line(watch, "not")
    context = zmq.Context()
    other = context.socket(zmq.PUB)
    try:
        port = other.bind_to_random_port("tcp://127.0.0.1")
        with watching(f"tcp://127.0.0.1:{port}", tmp_path / "topic") as watch:
            assert watch.stdout is not None
            output = watch.stdout.fileno()
            os.set_blocking(output, False)
            said = b""

            def heard() -> bool:
                nonlocal said
                other.send_multipart([b"telemetry", b"x"])
                with suppress(BlockingIOError):
                    said += os.read(output, 65536)
                return b"telemetry" in said

            wait_for(heard)
    finally:
        context.destroy(0)
    for directory in ("missing", "foreign", "topic"):
        for running in find_running(tmp_path / directory):
            os.kill(running.pid, signal.SIGTERM)


def test_bad_words_on_the_command_line_are_one_sentence_and_status_2(tmp_path: Path) -> None:
    base = ["watch", "--headless", "--study", str(STUDY), "--records", str(tmp_path)]
    for more, words in (
        (["--feed", "tcp://127.0.0.1:1", "--participant", "Ann"], "pattern"),
        (["--feed", "tcp://127.0.0.1:1", "--participant", "Q07", "--group", "bell"], "no group"),
        (["--feed", "somewhere", "--participant", "Q07"], "somewhere"),
    ):
        done = call(*base, *more)
        assert done.returncode == 2, done.stderr
        assert words in done.stderr
        assert "Traceback" not in done.stderr
    assert call("review", str(tmp_path / "none")).returncode == 2
