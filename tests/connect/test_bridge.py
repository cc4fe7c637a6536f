"""The bridge as its own process, over real sockets: datagrams, multicast, foreign ZeroMQ, files."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgpack
import numpy as np
import pytest
import zmq

from tests.commands.running import call, command, the_record
from tests.connect import ridge, udp_sender
from tests.connect.conftest import CONFIGS, Listener, Processes, free_udp_port
from tests.waiting import wait_for

UDP_MAP = CONFIGS / "channels-udp.toml"
Listen = Callable[[str], Listener]


def send(host: str, port: int, frames: int, cars: int = 3, every_s: float = 1 / 240, first: int = 0) -> None:
    """Runs the sender to its end, as a program of its own."""
    sent = [str(one) for one in (host, port, frames, cars, every_s, first)]
    subprocess.run([sys.executable, udp_sender.__file__, *sent], check=True)


def check_frames(listener: Listener, frames: int, cars: int) -> None:
    """The frames that udp_sender.py sent, in the feed's units."""
    assert listener.refused == []
    assert [frame.seq for frame in listener.frames] == list(range(1, frames + 1))
    frame = listener.frames[100]
    assert frame.t == 100 / 240
    own = frame.own
    assert own["x"] == 22.0 * (100 / 240)
    assert own["y"] == -1.75
    assert own["speed"] == pytest.approx(22.0, rel=1e-7)  # sent as float32
    assert own["yaw_rate"] == pytest.approx(0.01, rel=1e-7)
    assert own["steering_angle"] == pytest.approx(0.02, rel=1e-7)
    assert own["accelerator"] == 0.3125
    assert frame.signals == {"eyes_on_road": 1.0}
    ids = np.frombuffer(frame.ids, "<i8")
    assert ids.tolist() == list(range(100, 100 + cars))
    x = np.frombuffer(frame.columns["x"], "<f8")
    np.testing.assert_array_equal(x, [40.0 + 10 * n + 22.0 * (100 / 240) for n in range(cars)])
    assert [(one.n, one.kind, one.name) for one in listener.markers] == [
        (1, "run_start", ""),
        (2, "task_start", "arrow-grid"),
        (3, "trigger", "gate-brake"),
        (4, "alert_on", "chime"),
        (5, "task_end", "arrow-grid"),
    ]
    assert listener.markers[2].t == 60 / 240
    assert [listener.frames[index].markers for index in (29, 30, 59, 60, 120)] == [1, 2, 2, 3, 5]


@pytest.mark.parametrize("host", ["127.0.0.1", "239.192.7.41"], ids=["unicast", "multicast"])
def test_datagrams_written_by_struct_alone_in_another_process(processes: Processes, listen: Listen, host: str) -> None:
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"{host}:{port}", "--wait", "30")
    assert bridge.source == f"udp {host}:{port}"
    listener = listen(bridge.endpoint)
    sender = threading.Thread(target=send, args=(host, port, 240))
    sender.start()
    listener.until(lambda: len(listener.frames) == 240)
    sender.join()
    check_frames(listener, 240, 3)
    last = bridge.stop()
    assert (last["frames"], last["refused"], last["lost"], last["out_of_order"]) == (240, 0, 0, 0)


def test_the_map_stands_in_the_hello_and_so_does_what_was_refused(processes: Processes, listen: Listen) -> None:
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"127.0.0.1:{port}", "--wait", "30")
    listener = listen(bridge.endpoint)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(b"not one of ours", ("127.0.0.1", port))
        sender.sendto(udp_sender.packet(0, 3)[:-1], ("127.0.0.1", port))
        sender.sendto(udp_sender.packet(0, 3).replace(b"GDIR", b"GDIS"), ("127.0.0.1", port))
    send("127.0.0.1", port, 480)
    listener.until(lambda: listener.hellos and msgpack.unpackb(listener.raw_hellos[-1]).get("bridge"))
    hellos = [msgpack.unpackb(raw) for raw in listener.raw_hellos]
    assert hellos[0]["channel_map"] == UDP_MAP.read_text(encoding="utf-8")
    assert sum("channel_map" in hello for hello in hellos) < len(hellos)
    assert hellos[-1]["bridge"]["refused"] == 3
    assert "unnumbered" not in hellos[-1], "the source has a counter"
    assert all(hello["markers_by_frames"] for hello in hellos)
    last = bridge.stop()
    assert last["refused"] == 3
    assert last["last_refusal"].startswith("`magic` is ")
    assert last["frames"] == 480


def test_losses_before_the_bridge_and_a_sender_that_begins_again(processes: Processes, listen: Listen) -> None:
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"127.0.0.1:{port}", "--wait", "30")
    listener = listen(bridge.endpoint)
    send("127.0.0.1", port, 100, every_s=0.001)
    send("127.0.0.1", port, 500, every_s=0.001, first=110)
    listener.until(lambda: len(listener.frames) == 600)
    send("127.0.0.1", port, 50, every_s=0.001)
    listener.until(lambda: len(listener.frames) == 650)
    runs = list(dict.fromkeys(frame.run for frame in listener.frames))
    assert len(runs) == 2
    first = [frame.seq for frame in listener.frames if frame.run == runs[0]]
    assert first == [*range(1, 101), *range(111, 611)]
    assert [frame.seq for frame in listener.frames if frame.run == runs[1]] == list(range(1, 51))
    last = bridge.stop()
    assert (last["drives"], last["lost"]) == (2, 10)


def zmq_state(step: int, van_id: str = "van-1") -> dict[str, Any]:
    """A message as configs/channels-zmq.toml describes it: east and north, degrees from north, parts of velocities."""
    t = step / 60
    own = {"key": "ego", "pos": [100.0, 200.0 + 20 * t], "compass": 0.0, "vel": [0.0, 20.0], "acc": [0.0, -1.5]}
    own |= {
        "size": [4.6, 1.8],
        "lane_dev": 25.0,
        "yaw_rate": 0.0,
        "road_pos": 20 * t,
        "pedals": {"gas": 0.25, "brake": 0.0},
    }
    van = {"key": van_id, "pos": [100.0, 232.6 + 20 * t], "compass": 0.0, "vel": [0.0, 15.0], "acc": [0.0, -3.0]}
    return {
        "clock": {"sim": t, "day": 1.7e9 + t},
        "session": 1,
        "who": "Q07",
        "alert_kind": "AUDIO",
        "ego": own,
        "vehicles": [own, van | {"size": [4.6, 1.8]}],
        "gaze": {"on_road": step < 30},
    }


def bound_again(context: zmq.Context[zmq.Socket[bytes]], port: int) -> zmq.Socket[bytes]:
    """A publisher on a port that another one has just let go of, which takes ZeroMQ a moment."""
    publisher = context.socket(zmq.PUB)
    publisher.linger = 0

    def bind() -> bool:
        try:
            publisher.bind(f"tcp://127.0.0.1:{port}")
        except zmq.ZMQError:
            return False
        return True

    wait_for(bind)
    return publisher


def test_a_foreign_zmq_publisher_that_goes_away_and_comes_back(
    processes: Processes, listen: Listen, context: zmq.Context[zmq.Socket[bytes]]
) -> None:
    foreign = context.socket(zmq.PUB)
    foreign.linger = 0
    port = foreign.bind_to_random_port("tcp://127.0.0.1")
    bridge = processes.bridge(CONFIGS / "channels-zmq.toml", "--source", f"tcp://127.0.0.1:{port}", "--wait", "30")
    listener = listen(bridge.endpoint)
    step = 0

    def more() -> int:
        nonlocal step
        foreign.send_multipart([b"state", msgpack.packb(zmq_state(step))])
        step += 1
        listener.take(10)
        return len(listener.frames)

    listener.until(lambda: more() > 5)
    foreign.send_multipart([b"event", msgpack.packb({"code": "FIRE", "label": "gate-brake", "at": 0.5})])
    foreign.send_multipart([b"event", b"\xc1"])
    foreign.send_multipart([b"event", msgpack.packb([1, 2])])
    foreign.send_multipart([b"event", msgpack.packb({"code": "CHIME_HEARD", "at": 0.6})])
    listener.until(lambda: more() and len(listener.markers) == 3)
    foreign.close(0)
    foreign = bound_again(context, port)
    before = len(listener.frames)
    listener.until(lambda: more() > before + 20)
    foreign.close(0)

    hello = listener.hellos[0]
    assert (hello.participant, hello.group) == ("Q07", "chime")
    assert hello.unnumbered, "the source has no counter"
    assert [(one.kind, one.name, one.t, one.data) for one in listener.markers[1:]] == [
        ("trigger", "gate-brake", 0.5, {}),
        ("alert_on", "chime", 0.6, {"modality": "sound", "measured": True}),
    ]
    frame = listener.frames[0]
    assert frame.wall == pytest.approx(1.7e9 + frame.t)
    own = frame.own
    assert (own["heading"], own["speed"], own["lane_offset"]) == pytest.approx((np.pi / 2, 20.0, 0.25))
    assert own["accel"] == pytest.approx(-1.5)
    assert frame.names == ("van-1",)  # the own car's row is left out
    assert np.frombuffer(frame.columns["y"], "<f8")[0] - own["y"] == pytest.approx(32.6)
    assert np.frombuffer(frame.columns["accel"], "<f8")[0] == pytest.approx(-3.0)
    last = bridge.stop()
    assert (last["refused"], last["drives"]) == (2, 1)


@pytest.mark.slow
def test_a_file_at_its_pace_is_recorded_and_judged(processes: Processes, tmp_path: Path) -> None:
    lines = ridge.write_csv(tmp_path / "drive.csv")
    bridge = processes.bridge(
        CONFIGS / "channels-example.toml", "--csv", str(tmp_path / "drive.csv"), "--speed", "30", "--wait", "30"
    )
    watch = processes.start(
        *command("watch", "--headless", "--json", "--until-end", "--study", str(CONFIGS / "dusk-road.toml")),
        *("--feed", bridge.endpoint, "--participant", "Q07", "--records", str(tmp_path / "records")),
    )
    out, err = watch.communicate(timeout=120)
    assert watch.returncode == 0, err
    review = json.loads(out.splitlines()[-1])
    assert review["feed"]["frames"] == lines
    assert review["feed"]["lost"] == 0
    assert [(one["id"], one["verdict"]) for one in review["trials"]] == [
        ("1/gate-brake/1", "valid"),
        ("1/side-gust/1", "valid"),
    ]
    assert the_record(tmp_path / "records").is_dir()
    assert bridge.stop()["frames"] == lines


def test_what_cannot_be_bridged_is_one_sentence_and_status_2(tmp_path: Path) -> None:
    def refused(*more: str) -> str:
        done = call("bridge", "--bind", "tcp://127.0.0.1:*", *more)
        assert done.returncode == 2
        assert "Traceback" not in done.stderr
        return done.stderr.strip()

    example, udp = str(CONFIGS / "channels-example.toml"), str(UDP_MAP)
    assert refused("--map", example) == f"{example} is a map for files; say which with --csv FILE."
    assert "is no address to listen at" in refused("--map", udp, "--source", "here:80")
    (tmp_path / "other.csv").write_text("SimTime;EgoPosX;Ego_PosY\n1;2;3\n")
    said = refused("--map", example, "--csv", str(tmp_path / "other.csv"))
    assert 'uses the column "EgoPosY", which' in said
    assert 'did you mean "Ego_PosY"?' in said
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        assert "cannot be listened at: Address already in use" in refused(
            "--map", udp, "--source", f"127.0.0.1:{taken.getsockname()[1]}"
        )
