"""How a run stands, for whoever listens: what is announced tells nothing to act on, and names nobody."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import zmq

from monitor.errors import WitnessError
from monitor.following.processes import process_state
from monitor.following.status_stream import FAULTS, StatusStream, WriterWatch, announced, full, status_endpoint
from monitor.following.view import LiveView
from monitor.judging.case.trial import Ruling
from monitor.recorder.running import make_sockets_directory
from tests.following.test_heading import APPLIES, WORDS, trial, view
from tests.waiting import wait_for


@pytest.fixture
def sockets() -> Iterator[Path]:
    folder = make_sockets_directory()
    yield folder
    for left in folder.glob("*"):
        left.unlink()
    if folder.is_dir():
        folder.rmdir()


def heard(endpoint: str, stream: StatusStream, seen: LiveView) -> dict[str, Any]:
    """The next message there."""
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket = context.socket(zmq.SUB)
    socket.subscribe(b"")
    socket.connect(endpoint)
    try:
        for _ in range(200):
            stream._told_at = float("-inf")  # a second has passed
            stream.tell(seen)
            if socket.poll(50):
                return dict(json.loads(socket.recv()))
        raise AssertionError("nothing was heard")
    finally:
        context.destroy(0)


@pytest.mark.parametrize("name", APPLIES)
def test_only_faults_and_trials_that_wait_are_announced_in_words_of_a_fixed_list(name: str) -> None:
    told = announced(view(**APPLIES[name]))
    assert set(told) == {"v", "study", "valid_for_s", "faults", "waiting"}
    assert all(fault["words"] == FAULTS[fault["code"]] for fault in told["faults"])
    assert [fault["code"] for fault in told["faults"]][:1] == ([name] if name in FAULTS else [])
    text = json.dumps(told)
    assert "READY" not in text
    assert "Q01" not in text
    assert "Q13" not in text
    assert WORDS[name] not in text or name in ("verdict", "to rule")


def test_until_a_blind_trial_is_ruled_on_nothing_is_announced_that_driving_decides() -> None:
    fired = {"trials": (trial("valid", revealed=False, blind=True),), "blind": True}
    lost = view(**{**APPLIES["losing"], **fired})
    assert [one["code"] for one in announced(replace(lost, blind=False))["faults"]] == ["losing"]
    assert announced(lost)["faults"] == []
    ruled = replace(lost.trials[0], rulings=(Ruling("valid", "", "", "ann", 50.0, 0.0),), stage="ruled")
    assert [one["code"] for one in announced(replace(lost, trials=(ruled,)))["faults"]] == ["losing"]
    left_open = replace(ruled, rulings=(replace(ruled.rulings[0], verdict="undecided"),))
    assert left_open.response_hidden
    assert announced(replace(lost, trials=(left_open,)))["faults"] == []
    stopped = announced(view(**{**APPLIES["stop"], **fired}))
    assert [one["code"] for one in stopped["faults"]] == ["stop"]


def test_nor_where_no_marker_told_of_its_fire() -> None:
    """The next trigger's rows come of how the car is driven, as after a fire that was told."""
    untold = trial("undecided", revealed=False, blind=True, fired_at=None, untold_at=90.0)
    lost = view(**{**APPLIES["losing"], "trials": (untold,), "blind": True})
    assert (announced(lost)["faults"], full(lost)["withheld"], full(lost)["next"]) == ([], True, None)
    ruled = replace(untold, rulings=(Ruling("invalid", "", "", "ann", 50.0, 0.0),), stage="ruled")
    assert [one["code"] for one in announced(replace(lost, trials=(ruled,)))["faults"]] == ["losing"]


def test_trials_that_wait_are_announced_by_id_and_word() -> None:
    told = announced(view(**APPLIES["verdict"]))
    assert told["waiting"] == [{"trial": "1/gate-brake/1", "word": "INVALID"}]


def test_the_private_stream_has_what_heads_the_screen(sockets: Path) -> None:
    stream = StatusStream(sockets, "ann", "tcp://127.0.0.1:*")
    try:
        told = heard(status_endpoint(sockets), stream, view(**APPLIES["losing"]))
        assert (told["headings"][0]["word"], told["ladder"], told["by"], told["pid"]) == (
            "LOSING",
            "LOSING",
            "ann",
            os.getpid(),
        )
        assert told["valid_for_s"] == 2.0
        assert {name: told[name] for name in full(view(**APPLIES["losing"]))} == full(view(**APPLIES["losing"]))
    finally:
        stream.close()
    assert not sockets.is_dir(), "nothing is left where the recorder has left, too"


def test_what_is_announced_goes_over_its_own_socket(sockets: Path) -> None:
    stream = StatusStream(sockets, "ann", "tcp://127.0.0.1:*")
    try:
        assert stream._public is not None
        endpoint = stream._public.get_string(zmq.LAST_ENDPOINT).rstrip("\0")
        told = heard(endpoint, stream, view(**APPLIES["stop"]))
        assert told["faults"][0] == {"code": "stop", "words": "The participant is stopped"}
        assert "headings" not in told
        assert told["seq"] > 0
    finally:
        stream.close()


def test_an_endpoint_that_cannot_be_bound_is_one_sentence(sockets: Path) -> None:
    with pytest.raises(WitnessError, match=r"tcp://192\.0\.2\.1:5580: nothing can be announced there"):
        StatusStream(sockets, "ann", "tcp://192.0.2.1:5580")


def test_a_listener_that_does_not_read_holds_nothing_up(sockets: Path) -> None:
    stream = StatusStream(sockets, "ann")
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    deaf = context.socket(zmq.SUB)
    deaf.rcvhwm = 1
    deaf.subscribe(b"")
    deaf.connect(status_endpoint(sockets))
    try:
        for _ in range(3000):
            stream._told_at = float("-inf")
            stream.tell(view(**APPLIES["stop"]))
    finally:
        context.destroy(0)
        stream.close()


WRITER = """
import sys, time
from pathlib import Path
from monitor.following.status_stream import StatusStream
from tests.following.test_heading import view
stream = StatusStream(Path(sys.argv[1]), "ann")
for line in iter(sys.stdin.readline, "leave\\n"):
    stream.tell(view())
stream.close()
"""


@pytest.mark.parametrize(
    ("how", "says"),
    [("stop", "ann) is stopped: it is there"), ("kill", "ann) has died"), ("leave", "ann) was closed")],
)
@pytest.mark.slow
def test_a_screen_that_only_reads_is_told_what_became_of_the_one_that_writes(
    sockets: Path, how: str, says: str
) -> None:
    root = Path(__file__).parents[2]
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(sockets)], stdin=subprocess.PIPE, text=True, cwd=root)
    watch = WriterWatch(sockets)

    def say(line: str) -> None:
        assert writer.stdin is not None
        writer.stdin.write(line)
        writer.stdin.flush()

    def is_heard() -> bool:
        say("tell\n")
        watch.look()
        return watch._last is not None

    try:
        wait_for(is_heard, "the writer's word")
        assert watch.look() == ""
        if how == "leave":
            say("leave\n")
        else:
            writer.send_signal(signal.SIGSTOP if how == "stop" else signal.SIGKILL)
        wait_for(lambda: says in watch.look())
    finally:
        writer.send_signal(signal.SIGCONT)
        writer.kill()
        writer.wait()
        watch.close()


def test_where_nobody_ever_wrote_that_is_said(sockets: Path) -> None:
    watch = WriterWatch(sockets)
    try:
        assert watch.look() == ""
        watch._heard_at -= 3.1
        assert watch.look() == "No screen of an operator is on this run: nobody enters notes."
    finally:
        watch.close()


def test_a_process_is_gone_stopped_or_there() -> None:
    assert process_state(os.getpid()) == "there"
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        child.send_signal(signal.SIGSTOP)
        wait_for(lambda: process_state(child.pid) == "stopped")
        child.send_signal(signal.SIGKILL)
        wait_for(lambda: process_state(child.pid) == "gone")  # a zombie until somebody asks
    finally:
        child.kill()
        child.wait()
    assert process_state(child.pid) == "gone"
