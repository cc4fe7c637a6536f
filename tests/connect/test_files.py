"""Files of past days from other layers: an .xdf session of several streams, OSI traces; damage, limits and pins."""

from __future__ import annotations

import json
import os
import socket
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from mcap_protobuf.writer import Writer

from monitor.connect.channel_map.loading import parse_map
from monitor.connect.sources.opening import open_source
from monitor.connect.sources.osi import OsiReader
from monitor.connect.sources.parsed import ParsedFile
from monitor.errors import WitnessError
from tests.commands.running import STUDY, call
from tests.connect import ridge
from tests.connect.conftest import CONFIGS, free_udp_port
from tests.connect.foreign.osi_messages import HOST, Lanes, view_of
from tests.connect.foreign.xdf_writer import Stream, write_xdf

CAR = ("x", "y", "heading", "speed", "accel", "yaw_rate", "station", "lane_offset", "accelerator", "brake")
VAN = ("van_x", "van_y", "van_heading", "van_speed", "van_accel")
AHEAD_S = 5000.0
"""The tracker's machine is so far ahead of the recorder's; the file has that as measured offsets, which drift."""

CAR_MAP = """
[feed]
source = "hall"
rate_hz = 20
[source]
kind = "lsl"
stream = "Car"
[time]
from = "lsl_time"
[run]
group = "chime"
scenario = "dusk-road"
[own]
length = { constant = 4.6 }
width = { constant = 1.84 }
""" + "".join(f'{name} = "{name}"\n' for name in CAR)
CAR_MAP += "[[vehicle]]\nid = 1\nlength = { constant = 5.9 }\nwidth = { constant = 2.0 }\n"
CAR_MAP += "".join(f'{name.removeprefix("van_")} = "{name}"\n' for name in VAN)

GAZE_MAP = """
[feed]
source = "gaze"
rate_hz = 100
[source]
kind = "lsl"
stream = "Gaze"
[time]
from = "lsl_time"
[signals]
eyes_on_road = "on_road"
"""

EVENTS_MAP = """
[feed]
source = "events"
rate_hz = 20
[source]
kind = "lsl"
stream = "Events"
[time]
from = "lsl_time"
""" + "".join(
    f'[[marker]]\nkind = "{kind}"\nwhen = "received"\ntopic = "text"\nfrom = "kind"\nbecomes = "{kind}"\n'
    + 'name_from = "name"\n'
    + ('modality = ["sound"]\n' if kind == "alert_on" else "")
    for kind in ("trigger", "alert_on", "task_start", "task_item", "task_end")
)


def session_streams(scenario: str = "clean") -> list[Stream]:
    """A drive as three streams of three machines: the car, gaze at 100 Hz, and events as texts."""
    car: list[tuple[float, list[float]]] = []
    events: list[tuple[float, str]] = []
    eyes: list[tuple[float, float]] = []
    for step in ridge.drive(scenario, 20.0):
        van = ridge.van_of(step)
        values = [step.own[name] for name in CAR]
        values += [float("nan")] * 5 if van is None else [van[name.removeprefix("van_")] for name in VAN]
        car.append((step.t, values))
        eyes.append((step.t, step.signals["eyes_on_road"]))
        events += [(one.t, f"{one.kind} {one.name}") for one in step.markers]
    gaze = []
    for index in range(int(car[-1][0] * 100)):
        at = index / 100
        state = eyes[min(int(at * 20), len(eyes) - 1)][1]
        gaze.append((at + AHEAD_S + 1e-5 * at, [state]))
    offsets = [(AHEAD_S + 5.0 * k * (1 + 1e-5), -AHEAD_S - 5.0 * k * 1e-5 + 2e-4 * (-1) ** k) for k in range(15)]
    zero = [(5.0 * k, 0.0) for k in range(15)]
    return [
        Stream("Car", (*CAR, *VAN), car, zero, rate_hz=20.0, source_id="car"),
        Stream("Gaze", ("on_road",), gaze, offsets, rate_hz=100.0, source_id="gaze"),
        Stream("Events", (), events, zero, texts=True, source_id="engine"),
    ]


def written_maps(tmp_path: Path) -> list[str]:
    for name, text in (("car", CAR_MAP), ("gaze", GAZE_MAP), ("events", EVENTS_MAP)):
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    also = ["--also", str(tmp_path / "gaze.toml"), "--also", str(tmp_path / "events.toml")]
    return ["--map", str(tmp_path / "car.toml"), *also]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scenario", "verdict"), [("clean", "valid"), ("eyes-up", "invalid"), ("gap-too-long", "invalid")]
)
def test_a_session_of_several_streams_is_judged_right(scenario: str, verdict: str, tmp_path: Path) -> None:
    write_xdf(tmp_path / "session.xdf", session_streams(scenario))
    maps = written_maps(tmp_path)
    done = call(
        *("import", str(tmp_path / "session.xdf"), *maps, "--study", str(STUDY), "--participant", "Q07", "--json"),
        *("--records", str(tmp_path / "records")),
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (review,) = json.loads(call("review", json.loads(done.stdout)["record"], "--json").stdout)
    trials = [(one["id"], one["verdict"]) for one in review["trials"]]
    assert trials == [("1/gate-brake/1", verdict), ("1/side-gust/1", "valid")], review["trials"][0]["findings"]
    failed = [one["name"] for one in review["trials"][0]["conditions"] if one["result"] == "not met"]
    assert failed == {"clean": [], "eyes-up": ["eyes off road"], "gap-too-long": ["time gap"]}[scenario]


def test_a_stream_that_the_map_does_not_mean_is_named(tmp_path: Path) -> None:
    streams = session_streams()
    write_xdf(tmp_path / "session.xdf", [streams[0], streams[0]])
    maps = written_maps(tmp_path)[:2]
    done = call("check", "--study", str(STUDY), *maps, "--csv", str(tmp_path / "session.xdf"))
    assert done.returncode == 2
    assert 'has 2 streams "Car" that the map means; it has "Car" (type "Gaze", source_id "car"' in done.stderr
    write_xdf(tmp_path / "session.xdf", streams[1:])
    done = call("check", "--study", str(STUDY), *maps, "--csv", str(tmp_path / "session.xdf"))
    assert 'has no stream "Car"' in done.stderr


@pytest.mark.parametrize("form", ["xdf", "osi", "mcap"])
def test_a_damaged_file_is_one_sentence_and_nothing_is_left_running(form: str, tmp_path: Path) -> None:
    path = tmp_path / f"damaged.{form}"
    if form == "xdf":
        write_xdf(path, session_streams())
        path.write_bytes(path.read_bytes()[:100])
    else:
        path.write_bytes(os.urandom(5000))
    asked: Any = [{"stream": "Car"}] if form == "xdf" else {"message": "GroundTruth", "host_id": None}
    parsed = ParsedFile("xdf" if form == "xdf" else "osi", path, asked)
    with pytest.raises(WitnessError) as said:
        list(parsed.samples())
    parsed.close()
    assert "\n" not in str(said.value)
    assert str(path) in str(said.value)


def test_what_parses_has_limits(tmp_path: Path) -> None:
    """A process that has taken its limits writes no file and gets no more memory than it was given."""
    code = (
        "from monitor.connect.sources.parsing.process import limit; limit()\n"
        "import sys\n"
        "try:\n    bytearray(20 << 30)\nexcept MemoryError:\n    print('memory')\n"
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"out = {str(tmp_path / 'out')!r}\n"
        "try:\n    open(out, 'wb', buffering=0).write(b'x')\nexcept OSError:\n    print('file')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["memory", "file"]


# ASAM OSI.


def osi_map(message: str) -> str:
    return (
        f'[feed]\nsource = "osi"\nrate_hz = 20\n[source]\nkind = "osi"\nmessage = "{message}"\n'
        '[run]\ngroup = "chime"\n[signals.eyes_on_road]\nconstant = 0\n'
    )


@pytest.mark.parametrize("form", ["osi", pytest.param("mcap", marks=pytest.mark.slow)])
def test_a_trace_is_imported_and_what_it_cannot_say_is_said(form: str, tmp_path: Path) -> None:
    path, lanes, count = tmp_path / f"trace.{form}", Lanes(), 0
    with path.open("wb") as file:
        writer = Writer(file) if form == "mcap" else None
        for step in ridge.drive("clean", 20.0):
            view = view_of(step, lanes)
            count += 1
            if writer is not None:
                writer.write_message("/view", view, round(step.t * 1e9), round(step.t * 1e9))
            else:
                packed = view.SerializeToString()
                file.write(struct.pack("<I", len(packed)) + packed)
        if writer is not None:
            writer.finish()
    (tmp_path / "map.toml").write_text(osi_map("SensorView"), encoding="utf-8")
    drive = ("import", str(path), "--map", str(tmp_path / "map.toml"), "--study", str(STUDY), "--participant", "Q07")
    told = (*drive, "--records", str(tmp_path / "records"), "--json")
    refused = call(*told)
    assert refused.returncode == 2
    assert any("ASAM OSI carries no triggers" in fault for fault in json.loads(refused.stdout)["dry"]["faults"])
    done = call(*told, "--despite-faults")
    assert done.returncode == 1, done.stderr
    document = json.loads(done.stdout)
    assert (document["frames"], document["refused"]) == (count, 0)
    assert not any("looks like" in fault for fault in document["dry"]["faults"])


BESIDE = """
[feed]
source = "engine"
rate_hz = 20
[source]
kind = "csv"
delimiter = ";"
decimal = ","
[time]
from = "SimTime"
unit = "ms"
[join]
same_clock = true
"""


@pytest.mark.slow
def test_a_trace_with_a_file_of_events_beside_it_is_judged_right(tmp_path: Path) -> None:
    """The events are the columns of the invented hall's own file, on the simulation's clock."""
    lanes = Lanes()
    with (tmp_path / "trace.osi").open("wb") as file:
        for step in ridge.drive("clean", 20.0):
            packed = view_of(step, lanes).SerializeToString()
            file.write(struct.pack("<I", len(packed)) + packed)
    ridge.write_csv(tmp_path / "events.csv")
    (tmp_path / "map.toml").write_text(osi_map("SensorView").split("[signals")[0], encoding="utf-8")
    example = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")
    rules = "".join(f"[[marker]]{part.split('# ---')[0]}" for part in example.split("[[marker]]")[1:])
    eyes = '[signals.eyes_on_road]\nfrom = "GazeZone"\nvalues = { ROAD = 1, TASK = 0 }\n'
    (tmp_path / "events.toml").write_text(BESIDE + eyes + rules, encoding="utf-8")
    also = ("--also", f"{tmp_path / 'events.toml'}={tmp_path / 'events.csv'}")
    told = ("--map", str(tmp_path / "map.toml"), *also, "--study", str(STUDY))
    checked = call("check", *told, "--csv", str(tmp_path / "trace.osi"), "--json")
    assert checked.returncode == 0, checked.stdout
    done = call(
        *("import", str(tmp_path / "trace.osi"), *told, "--participant", "Q07", "--json"),
        *("--records", str(tmp_path / "records")),
    )
    assert done.returncode == 0, done.stderr
    (review,) = json.loads(call("review", json.loads(done.stdout)["record"], "--json").stdout)
    trials = [(one["id"], one["verdict"]) for one in review["trials"]]
    assert trials == [("1/gate-brake/1", "valid"), ("1/side-gust/1", "valid")], review["trials"][0]
    same = ("--also", str(tmp_path / "events.toml"), *told[4:], "--csv", str(tmp_path / "trace.osi"))
    without = call("check", "--map", told[1], *same)
    assert "write --also MAP=FILE for a file of its own beside it" in without.stderr


def test_the_standard_s_definitions_by_numbers_written_by_hand() -> None:
    """Box centres 32.6 m apart, both 4.6 m long: a gap of 28.0 m. A lane along (1, 1), its centre line listed
    backwards; the host is 0.5·√2 m left of it."""
    from osi3.osi_sensorview_pb2 import SensorView

    view = SensorView()
    view.timestamp.seconds, view.timestamp.nanos = 12, 345_000_000
    truth = view.global_ground_truth
    truth.host_vehicle_id.value = 7
    for number, x in ((7, 100.0), (8, 132.6)):
        one = truth.moving_object.add()
        one.id.value, one.type = number, 2
        one.base.position.x, one.base.position.y = x, 101.0
        one.base.dimension.length, one.base.dimension.width = 4.6, 1.8
        one.base.orientation.yaw = 0.0
        one.base.velocity.x, one.base.velocity.y = 3.0, 4.0
    truth.moving_object[0].base.acceleration.x = -2.0
    truth.moving_object[0].base.acceleration.y = 9.0
    truth.moving_object[0].moving_object_classification.assigned_lane_id.add(value=3)
    lane = truth.lane.add()
    lane.id.value = 3
    for along in (200.0, 150.0, 100.0, 50.0):
        lane.classification.centerline.add(x=along, y=along)
    lane.classification.centerline_is_driving_direction = False
    for number, shift in ((31, 2.0), (32, -1.0)):
        boundary = truth.lane_boundary.add()
        boundary.id.value = number
        for along in (0.0, 300.0):
            boundary.boundary_line.add().position.x = along
            boundary.boundary_line[-1].position.y = along + shift * 2**0.5
        (lane.classification.left_lane_boundary_id if shift > 0 else lane.classification.right_lane_boundary_id).add(
            value=number
        )
    values = OsiReader("SensorView", None).read(view.SerializeToString())
    own, (lead,) = values["own"], values["others"]
    assert values["t"] == pytest.approx(12.345)
    assert lead["x"] - own["x"] - (lead["length"] + own["length"]) / 2 == pytest.approx(28.0)
    assert (own["speed"], own["accel"]) == (5.0, -2.0)
    for one in truth.moving_object:
        one.base.orientation.yaw = 2.5  # the same way over ground, backwards
    assert OsiReader("SensorView", None).read(view.SerializeToString())["own"]["speed"] == -5.0
    assert own["lane_offset"] == pytest.approx(0.5 * 2**0.5)
    assert own["lane_width"] == pytest.approx(3.0)
    assert "station" not in own
    assert "brake" not in own
    with pytest.raises(ValueError, match="no moving object with the host vehicle's id 9"):
        OsiReader("SensorView", 9).read(view.SerializeToString())


def test_lanes_that_come_in_the_first_message_only_are_kept() -> None:
    reader, lanes = OsiReader("GroundTruth", HOST), Lanes()
    offsets = []
    for step, _ in zip(ridge.drive("clean", 20.0), range(40), strict=False):
        own = reader.read(view_of(step, lanes, "GroundTruth").SerializeToString())["own"]
        offsets.append(own["lane_offset"] - step.own["lane_offset"])
    assert max(map(abs, offsets)) < 1e-3


def test_messages_come_as_datagrams_too() -> None:
    """Two of the standard's messages and one of nonsense between them, by a socket of this machine."""
    port = free_udp_port()
    channels = parse_map(osi_map("GroundTruth").replace('message = "', f'listen = "127.0.0.1:{port}"\nmessage = "'))
    source = open_source(channels, at=None, csv=None, speed=None, keys=None)
    lanes, steps = Lanes(), list(zip(ridge.drive("clean", 20.0), range(2), strict=False))
    lanes.sent = True  # the road alone would be larger than a datagram
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for step, _ in steps:
            sender.sendto(view_of(step, lanes, "GroundTruth").SerializeToString(), ("127.0.0.1", port))
            sender.sendto(b"nonsense", ("127.0.0.1", port))
    found: list[Any] = []
    while len(found) < 2:
        found += source.samples(1.0) or ()
    source.close()
    assert [one.values["t"] for one in found] == pytest.approx([step.t for step, _ in steps])
    assert found[0].values["own"]["x"] == steps[0][0].own["x"]
    assert source.refused == 2


@pytest.mark.parametrize("payload", [b"", b"\xff" * 40, b"\x12\x04\x08\x01", bytes(range(256))])
def test_bytes_that_are_no_message_are_refused_in_one_sentence(payload: bytes) -> None:
    with pytest.raises(ValueError) as refused:
        OsiReader("SensorView", None).read(payload)
    assert "\n" not in str(refused.value)


def test_a_map_of_osi_needs_a_source_of_markers() -> None:
    from monitor.commissioning.check.map_and_study import compare
    from monitor.study.loading import load_study

    study = load_study(STUDY)
    alone = compare(study, parse_map(osi_map("GroundTruth")))
    assert [fault for fault in alone.faults if "carries no triggers" in fault]
    events = parse_map(EVENTS_MAP)
    assert compare(study, parse_map(osi_map("GroundTruth")), [events]).faults == []
