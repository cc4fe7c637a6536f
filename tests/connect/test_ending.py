"""What ends, and when: a bridge that is told to stop, and whoever follows a bridge whose source just stops."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.commands.running import call, the_record
from tests.connect import ridge, udp_sender
from tests.connect.conftest import CONFIGS, Processes, free_udp_port
from tests.waiting import wait_for

UDP_MAP = CONFIGS / "channels-udp.toml"
STUDY = str(CONFIGS / "dusk-road.toml")
LISTENER = """
import sys
import zmq
listener = zmq.Context().socket(zmq.SUB)
listener.rcvhwm = 0
listener.subscribe(b"frame")
listener.subscribe(b"marker")
listener.connect(sys.argv[1])
listener.recv_multipart()
print("hears", flush=True)
sys.stdin.readline()
count = 1
while listener.poll(1500):
    listener.recv_multipart()
    count += 1
print(count, flush=True)
"""
LITTLE_ROOM = """
import sys
from monitor.commands.shared import interrupting
from monitor.commands.main import main
from monitor.feed import publisher
from monitor.simulation import publishing
publisher.SEND_QUEUE = int(sys.argv[1])
publishing.AT_THE_END_S = float(sys.argv[2])
real = interrupting.asked_to_stop.end_a_wait

def end_a_wait(asked):
    print("waits for a listener", flush=True)
    real(asked)

interrupting.asked_to_stop.end_a_wait = end_a_wait
main(sys.argv[3:])
"""
NOT_TAKEN = "has not taken all that was sent, and may not know that the drive is over"
SHORT_OF_PATIENCE = """
import sys
from monitor.commands.shared import live_run
from monitor.commands.main import main
live_run.SILENCE_S = 3.0
main(sys.argv[1:])
"""


def test_a_bridge_that_is_told_to_stop_hands_on_what_has_come_in(processes: Processes) -> None:
    """300 datagrams wait in its socket while it stands; then it is told to stop and goes on: none is lost with it."""
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"127.0.0.1:{port}")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(udp_sender.packet(0, 3), ("127.0.0.1", port))
        bridge.process.send_signal(signal.SIGSTOP)
        for frame in range(1, 301):
            sender.sendto(udp_sender.packet(frame, 3), ("127.0.0.1", port))
    bridge.process.send_signal(signal.SIGTERM)
    bridge.process.send_signal(signal.SIGCONT)
    out, err = bridge.process.communicate(timeout=120)
    assert bridge.process.returncode == 143, err
    last = json.loads(out.splitlines()[-1])
    assert (last["frames"], last["refused"], last["lost"]) == (301, 0, 0)


@pytest.mark.parametrize("command", ["watch", "rehearse"])
@pytest.mark.slow
def test_whoever_follows_ends_behind_a_bridge_whose_source_just_stops(
    command: str, processes: Processes, tmp_path: Path
) -> None:
    """The source sends 300 frames and is gone without a word; the bridge goes on and says hello."""
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"127.0.0.1:{port}", "--wait", "30")
    told = [command, "--study", STUDY, "--feed", bridge.endpoint, "--records", str(tmp_path)]
    told += ["--headless", "--until-end", "--participant", "Q07"] if command == "watch" else ["--group", "chime"]
    follower = processes.start(sys.executable, "-c", SHORT_OF_PATIENCE, *told)
    subprocess.run([sys.executable, udp_sender.__file__, "127.0.0.1", str(port), "300", "3", "0.004", "0"], check=True)
    out, err = follower.communicate(timeout=120)
    assert bridge.process.poll() is None
    assert follower.returncode == 1, err
    if command == "watch":
        assert "No frame for 3 s, while hellos still come: the source behind them has stopped." in err
        record = the_record(tmp_path)
        wait_for(lambda: call("verify", str(record)).returncode == 0)
        (review,) = json.loads(call("review", str(record), "--json").stdout)
        assert review["feed"]["frames"] == 300
    else:
        assert "The feed fell silent before the rehearsal was over." in out


# A listener that stands still, over a local socket, whose buffers are small


@pytest.fixture
def endpoint() -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="end-", dir="/tmp") as directory:
        yield f"ipc://{directory}/feed"


def stopped_listener(processes: Processes, endpoint: str) -> subprocess.Popen[str]:
    """It has heard one message, and then stands still, so that the system's buffers fill. Once it goes on it has room
    for all: one whose own queue is full when the other side goes loses what lies in those buffers."""
    listener = processes.python(LISTENER, endpoint)
    assert listener.stdout is not None
    assert listener.stdout.readline() == "hears\n"
    listener.send_signal(signal.SIGSTOP)
    return listener


def with_room_for(processes: Processes, messages: int, wait_s: float, *words: str) -> subprocess.Popen[str]:
    return processes.python(LITTLE_ROOM, str(messages), str(wait_s), *words)


def until_it_says(process: subprocess.Popen[str], what: str) -> None:
    assert process.stdout is not None
    while what not in (line := process.stdout.readline()):
        assert line, "it ended without a word"


def simulate(processes: Processes, endpoint: str, messages: int, wait_s: float) -> subprocess.Popen[str]:
    drive = ("--short", "--speed", "200", "--rate", "60", "--vehicles", "20", "--wait", "30", "--json")
    return with_room_for(processes, messages, wait_s, "simulate", "--bind", endpoint, *drive)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_one_signal_ends_a_bridge_that_waits_for_a_listener(
    number: signal.Signals, processes: Processes, endpoint: str, tmp_path: Path
) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    words = ("--map", str(CONFIGS / "channels-example.toml"), "--csv", str(tmp_path / "drive.csv"), "--speed", "0")
    bridge = with_room_for(processes, 10, 20.0, "bridge", *words, "--bind", endpoint, "--wait", "30", "--json")
    stopped_listener(processes, endpoint)
    until_it_says(bridge, "waits for a listener")
    bridge.send_signal(number)
    out, err = bridge.communicate(timeout=120)
    assert bridge.returncode == 128 + number, err
    assert f"A listener at {endpoint} {NOT_TAKEN}" in err
    assert json.loads(out.splitlines()[-1])["type"] == "ended"


def test_a_bridge_that_waits_for_a_listener_loses_nothing_of_a_file(
    processes: Processes, endpoint: str, tmp_path: Path
) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    words = ("--map", str(CONFIGS / "channels-example.toml"), "--csv", str(tmp_path / "drive.csv"), "--speed", "0")
    bridge = with_room_for(processes, 10, 20.0, "bridge", *words, "--bind", endpoint, "--wait", "30", "--json")
    listener = stopped_listener(processes, endpoint)
    until_it_says(bridge, "waits for a listener")
    listener.send_signal(signal.SIGCONT)
    heard = int(listener.communicate("\n", timeout=120)[0].splitlines()[-1])
    out, err = bridge.communicate(timeout=120)
    last = json.loads(out.splitlines()[-1])
    assert (bridge.returncode, heard) == (0, last["frames"] + last["markers"])
    assert NOT_TAKEN not in err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_one_signal_ends_a_simulator_whose_listener_stands_still(
    number: signal.Signals, processes: Processes, endpoint: str
) -> None:
    simulator = simulate(processes, endpoint, 32_768, 3600.0)
    stopped_listener(processes, endpoint)
    until_it_says(simulator, "has ended")
    with pytest.raises(subprocess.TimeoutExpired):
        simulator.wait(timeout=1.5)  # it is past its last hellos, and waits for what is still to be sent
    simulator.send_signal(number)
    err = simulator.communicate(timeout=120)[1]
    assert simulator.returncode == 128 + number
    assert err.count(NOT_TAKEN) == 1


@pytest.mark.parametrize("messages", [32_768, 10])
def test_an_end_that_a_listener_has_not_taken_is_said(messages: int, processes: Processes, endpoint: str) -> None:
    """With room for ten messages the rest is dropped for it, its end among that; it goes on before the simulator ends,
    which is then not kept waiting by it."""
    simulator = simulate(processes, endpoint, messages, 1.0)
    listener = stopped_listener(processes, endpoint)
    until_it_says(simulator, "has ended")
    if messages == 10:
        listener.send_signal(signal.SIGCONT)
        listener.communicate("\n", timeout=120)
    err = simulator.communicate(timeout=120)[1]
    assert simulator.returncode == 0
    assert f"A listener at {endpoint} {NOT_TAKEN}: it stands still or is overloaded" in err
    assert "close its run by hand" in err


def test_nothing_is_said_where_all_was_taken_or_nobody_is_there_any_more(processes: Processes, endpoint: str) -> None:
    simulator = simulate(processes, endpoint, 32_768, 20.0)
    listener = processes.python(LISTENER, endpoint)
    assert listener.stdout is not None
    assert listener.stdout.readline() == "hears\n"
    gone = stopped_listener(processes, endpoint)
    until_it_says(simulator, "has ended")
    gone.kill()
    listener.communicate("\n", timeout=120)
    assert simulator.communicate(timeout=120)[1] == ""
    assert simulator.returncode == 0
