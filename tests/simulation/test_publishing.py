"""Publishing over real sockets, the simulator in a process of its own; and its pace, on a clock of the test's own."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgpack
import pytest
import zmq

from monitor.errors import WitnessError
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Marker
from monitor.simulation import SimulationPlan, drive_messages, run_simulation
from monitor.simulation.publishing import Pace
from tests.commands.running import command

DEADLINE_S = 60.0

PROGRAM = """
import json
import sys
from pathlib import Path
from monitor.simulation import SimulationPlan, run_simulation
fields = json.loads(sys.argv[1])
fields["truth_path"] = Path(fields["truth_path"]) if "truth_path" in fields else None
run_simulation(SimulationPlan(wait_for_subscriber_s=30.0, **fields), lambda text: print(text, flush=True), print)
"""


@contextmanager
def simulator(**fields: object) -> Iterator[subprocess.Popen[str]]:
    """A simulator process; its lines are what it announces."""
    command = [sys.executable, "-c", PROGRAM, json.dumps(fields)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def received(process: subprocess.Popen[str]) -> list[list[bytes]]:
    """All messages of a drive, to the last hello after its `run_end`."""
    assert process.stdout is not None
    endpoint = process.stdout.readline().strip()
    messages: list[list[bytes]] = []
    context = zmq.Context()
    try:
        socket = context.socket(zmq.SUB)
        socket.setsockopt(zmq.RCVHWM, 0)
        socket.subscribe(b"")
        socket.connect(endpoint)
        deadline = time.monotonic() + DEADLINE_S
        while process.poll() is None or socket.poll(0):
            if socket.poll(50):
                messages.append(socket.recv_multipart())
            assert time.monotonic() < deadline, "the simulator does not end"
    finally:
        context.destroy(linger=0)
    return messages


def test_at_high_speed_nothing_is_lost_and_every_number_arrives_as_modelled(tmp_path: Path) -> None:
    truth_path = tmp_path / "truth.json"
    plan = SimulationPlan(seed=7, speed=80.0)
    with simulator(seed=7, speed=80.0, truth_path=str(truth_path)) as process:
        decoded = [decode_message(message) for message in received(process)]
        assert process.wait(DEADLINE_S) == 0
    assert {type(one) for one in decoded} == {Frame, Hello, Marker}
    steps = list(drive_messages(plan))
    frames = [one for one in decoded if isinstance(one, Frame)]
    assert [frame.seq for frame in frames] == list(range(1, len(steps) + 1))
    sent = 0
    for frame, step in zip(frames, steps, strict=True):
        sent += len(step.markers)
        assert (frame.t, frame.own, frame.wall, frame.markers) == (step.t, step.own, step.wall, sent)
        assert frame.signals == step.signals
        assert frame.names == tuple(step.others["name"])
    markers = [one for one in decoded if isinstance(one, Marker)]
    told = [(one.kind, one.name, one.t, one.data) for one in markers]
    assert told == [(one.kind, one.name, one.t, one.data or {}) for step in steps for one in step.markers]
    assert [marker.n for marker in markers] == list(range(1, len(markers) + 1))
    assert isinstance(decoded[0], Hello)
    last = [one for one in decoded if isinstance(one, Hello)][-1]
    assert last.recent == tuple(markers)
    assert (last.participant, last.group, last.scenario) == (None, "chime", "dusk-road")
    assert last.run == "dusk-road-clean-seed7"
    assert set(last.signals) == set(steps[0].signals)
    assert last.road is not None
    assert (last.road.lane_width, last.road.lanes) == (3.5, 2)

    truth = json.loads(truth_path.read_text())
    assert truth["ended"] is True
    assert truth["injected"] == {}
    assert [fire["trigger"] for fire in truth["fires"]] == ["gate-brake", "side-gust"]
    fired = next(marker for marker in markers if marker.kind == "trigger")
    assert truth["fires"][0]["t"] == fired.t


def test_two_runs_of_a_seed_send_the_same_bytes() -> None:
    def sent(speed: float) -> list[list[bytes]]:
        with simulator(seed=3, speed=speed, rate_hz=20.0) as process:
            return [message for message in received(process) if message[0] != b"hello"]

    first = sent(150.0)
    assert first == sent(90.0)
    assert len(first) > 1300


def test_frames_and_markers_that_are_lost_on_the_wire_are_counted_and_repeated_by_hellos() -> None:
    with simulator(scenario="marker-lost", seed=3, speed=150.0, rate_hz=20.0) as process:
        decoded = [decode_message(message) for message in received(process)]
    heard = {one.n for one in decoded if isinstance(one, Marker)}
    repeated = {one.n: one.kind for hello in decoded if isinstance(hello, Hello) for one in hello.recent}
    assert sorted(repeated[number] for number in set(repeated) - heard) == ["alert_off", "alert_on"]
    assert max(frame.markers for frame in decoded if isinstance(frame, Frame)) == max(repeated)

    with simulator(scenario="late-start", seed=3, speed=150.0, rate_hz=20.0) as process:
        decoded = [decode_message(message) for message in received(process)]
    first = next(one for one in decoded if isinstance(one, Frame))
    assert first.own["station"] >= 680.0
    assert first.seq == round(first.t * 20.0) + 1
    assert first.markers > 0


class Clock:
    """A clock that stands still between sleeps; each sleep and each step takes longer than it should."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.slept: list[float] = []

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds + 0.0007


@pytest.mark.parametrize("speed", [1.0, 8.0, 0.5])
def test_the_pace_does_not_drift(speed: float) -> None:
    clock = Clock()
    pace = Pace(speed, clock, clock.sleep)
    for index in range(3600):
        pace.wait_until(index / 60)
        late = clock.now - 1000.0 - index / 60 / speed
        assert 0.0 <= late <= 0.0007 + 1e-9
        clock.now += 0.0003  # the work of a step


def test_a_late_step_is_caught_up_and_never_waited_for_again() -> None:
    clock = Clock()
    pace = Pace(1.0, clock, clock.sleep)
    pace.wait_until(0.0)
    clock.now += 0.5
    for index in range(1, 30):
        pace.wait_until(index / 60)
    assert clock.slept == []
    pace.wait_until(1.0)
    assert clock.slept == pytest.approx([0.5])


def test_an_endpoint_in_use_is_told_in_a_sentence() -> None:
    context = zmq.Context()
    try:
        taken = context.socket(zmq.PUB)
        port = taken.bind_to_random_port("tcp://127.0.0.1")
        said: list[str] = []
        with pytest.raises(WitnessError, match=rf"cannot be bound to tcp://127.0.0.1:{port} \(.*\); give an endpoint"):
            run_simulation(SimulationPlan(bind=f"tcp://127.0.0.1:{port}"), said.append, said.append)
        assert said == []
    finally:
        context.destroy(linger=0)


class Stopped(Exception):
    """Stands for the operator's stop."""


def test_a_stopped_drive_leaves_a_truth_file_that_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    truth_path = tmp_path / "truth.json"

    def stop(self: Pace, due_s: float) -> None:
        if due_s > 31.0:
            raise Stopped

    monkeypatch.setattr(Pace, "wait_until", stop)
    plan = SimulationPlan(scenario="drifting", rate_hz=20.0, truth_path=truth_path)
    said: list[str] = []
    with pytest.raises(Stopped):
        run_simulation(plan, said.append, said.append)
    assert said[0].startswith("tcp://127.0.0.1:")
    truth = json.loads(truth_path.read_text())
    assert truth["ended"] is False
    assert truth["injected"] == {"drift_m": -0.85}
    assert [fire["trigger"] for fire in truth["fires"]] == ["gate-brake"]


def test_a_truth_file_that_cannot_be_written_is_told_before_the_drive(tmp_path: Path) -> None:
    said: list[str] = []
    with pytest.raises(
        WitnessError, match=r"truth\.json cannot be written \(No such file or directory\); give another"
    ):
        run_simulation(SimulationPlan(truth_path=tmp_path / "nowhere" / "truth.json"), said.append, said.append)
    assert said == []


@pytest.mark.slow
def test_a_listener_that_lags_behind_is_told_that_the_drive_has_ended() -> None:
    """It reads nothing until three seconds after the end, when more stands between it and the end than the system's own
    buffers hold."""
    options = ("--json", "--wait", "60", "--short", "--speed", "1000", "--rate", "120", "--vehicles", "80")
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    listener = context.socket(zmq.SUB)
    listener.rcvhwm = 1
    listener.setsockopt(zmq.RCVBUF, 4096)
    listener.subscribe(b"")
    process = subprocess.Popen(command("simulate", *options), stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        listener.connect(json.loads(process.stdout.readline())["endpoint"])
        while "has ended" not in (line := process.stdout.readline()):
            assert line, "it ended without a word"
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(timeout=4.0)  # it waits for what is still to be sent
        kinds: list[str] = []
        while "run_end" not in kinds:
            assert listener.poll(5000), "the rest was thrown away"
            topic, payload = listener.recv_multipart()
            kinds += [msgpack.unpackb(payload)["kind"]] if topic == b"marker" else []
    finally:
        process.kill()
        process.wait()
        context.destroy(linger=0)
