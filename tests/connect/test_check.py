"""What `check` says of a feed: units and signs told from the movement, what is lacking, what to write in the map."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import Event, Thread
from typing import Any

import msgpack
import numpy as np
import pytest
import zmq

from monitor.archive.review import review_record
from monitor.commissioning.check.feed import FeedHeard, conclude
from monitor.commissioning.check.listening import Listened
from monitor.commissioning.importing import PastDrive, import_drive
from monitor.commissioning.propose.guesses import guess_names, unit_in, words_of
from monitor.commissioning.propose.proposal import propose_from_csv
from monitor.connect.channel_map.loading import parse_map
from monitor.feed.composing import FeedComposer
from monitor.feed.decode import decode_message
from monitor.feed.publisher import FeedPublisher
from monitor.feed.schema import Frame, Hello
from monitor.following.beginning import Driving
from monitor.judging.case.columns import build_block
from monitor.simulation.steps import SIGNALS
from monitor.study.loading import load_study
from tests.commands.running import call
from tests.connect import ridge
from tests.connect.conftest import CONFIGS

STUDY = load_study(CONFIGS / "dusk-road.toml")
RATE_HZ = 60
Change = Callable[[dict[str, float]], dict[str, float]]


def swaying(seconds: float = 8.0, change: Change = dict, **columns: Any) -> tuple[Hello, list[Frame]]:
    """A car that sways in its lane, turns left and then right, and speeds up and slows down; a van ahead of it.

    `change` spoils the own channels; `columns` replace keys of the frame.
    """
    composer = FeedComposer(run="r", source="s", rate_hz=RATE_HZ, signals=SIGNALS, group="chime", scenario="dusk-road")
    hello = decode_message([b"hello", composer.hello()])
    frames = []
    x = y = heading = aside = 0.0
    for step in range(int(seconds * RATE_HZ)):
        t = step / RATE_HZ
        speed = 22.0 + 1.5 * math.sin(t)
        yaw_rate = 0.03 * math.sin(0.8 * t)
        own = {
            "x": x,
            "y": y,
            "heading": heading,
            "speed": speed,
            "accel": 1.5 * math.cos(t),
            "length": 4.6,
            "width": 1.84,
        }
        own |= {"yaw_rate": yaw_rate, "station": 100 + 22 * t - 1.5 * math.cos(t), "lane_offset": aside}
        own |= {"steering_angle": 5 * yaw_rate, "accelerator": 0.2 + 0.1 * math.sin(t), "brake": 0.0, "lane_width": 3.5}
        van = {
            "x": x + 40.0,
            "y": y,
            "heading": heading,
            "speed": speed,
            "accel": 1.5 * math.cos(t),
            "length": 5.4,
            "width": 2.0,
            "id": 7,
        }
        signals = {name: 0.1 * math.sin(t) if "platform" in name else 1.0 for name in SIGNALS}
        others = {name: [value] for name, value in van.items()}
        fields: dict[str, Any] = {"own": change(own), "others": others, "signals": signals} | columns
        frame = decode_message([b"frame", composer.frame(t, fields["own"], fields["others"], fields["signals"])])
        composer.frame_sent()
        assert isinstance(frame, Frame)
        frames.append(frame)
        x += speed * math.cos(heading + yaw_rate / RATE_HZ / 2) / RATE_HZ
        y += speed * math.sin(heading + yaw_rate / RATE_HZ / 2) / RATE_HZ
        aside = y  # the lane is straight along x
        heading += yaw_rate / RATE_HZ
    assert isinstance(hello, Hello)
    return hello, frames


def heard(hello: Hello, frames: list[Frame]) -> FeedHeard:
    return conclude(STUDY, listened(hello, frames))


def listened(hello: Hello, frames: list[Frame]) -> Listened:
    return Listened("tcp://here:1", 8.0, hello, frames, [frame.t for frame in frames], by_map=True)


def faults(change: Change = dict, **columns: Any) -> list[str]:
    return heard(*swaying(change=change, **columns)).faults


def test_a_right_feed_has_no_fault_and_says_what_could_be_told() -> None:
    found = heard(*swaying())
    assert found.faults == []
    assert found.rate_hz == pytest.approx(60.0)
    channels = {one.name: one for one in found.channels}
    told = ("speed", "accel", "yaw_rate", "station", "lane_offset", "length", "width", "accelerator", "others.speed")
    assert [name for name in told if channels[name].unit != "plausible"] == []
    signs = ("accel", "yaw_rate", "station", "lane_offset", "steering_angle")
    assert [name for name in signs if channels[name].sign != "plausible"] == []
    assert channels["brake"].state == "constant"
    assert channels["speed"].needed_by[0] == "time gap"
    assert channels["speed"].fresh_hz == pytest.approx(60.0, rel=0.01)


def test_km_h_and_a_right_positive_lane_offset_are_called_so() -> None:
    def change(own: dict[str, float]) -> dict[str, float]:
        return own | {"speed": own["speed"] * 3.6, "lane_offset": -own["lane_offset"]}

    assert faults(change) == [
        "speed looks like km/h: it is 3.6 times the distance that the car moves in a second. "
        'In the channel map: speed = { from = "…", unit = "km/h" }',
        "lane_offset looks like right-positive: it falls while the car moves to the left. "
        'In the channel map: in [axes] lane_offset = "right"',
    ]


@pytest.mark.parametrize(
    ("name", "factor", "looks_like", "change"),
    [
        ("speed", 1 / 0.44704, "mph", 'speed = { from = "…", unit = "mph" }'),
        ("speed", 1 / 0.3048, "ft/s", 'speed = { from = "…", unit = "ft/s" }'),
        ("accel", 1 / 9.80665, "g", 'accel = { from = "…", unit = "g" }'),
        ("accel", -1, "braking counted as positive", 'accel = { from = "…", scale = -1 }'),
        ("yaw_rate", 180 / math.pi, "deg/s", 'yaw_rate = { from = "…", unit = "deg/s" }'),
        ("yaw_rate", -1, "right-positive", 'in [axes] yaw_rate = "right"'),
        ("steering_angle", -1, "right-positive", 'in [axes] steering_angle = "right"'),
        ("steering_angle", 20 * 180 / math.pi, "degrees", 'steering_angle = { from = "…", unit = "deg" }'),
        ("station", 1 / 0.3048, "ft", 'station = { from = "…", unit = "ft" }'),
        ("station", -1, "a distance that counts down", 'station = { from = "…", scale = -1 }'),
        ("lane_offset", 100, "cm", 'lane_offset = { from = "…", unit = "cm" }'),
        ("accelerator", 100, "percent", 'accelerator = { from = "…", unit = "%" }'),
        ("accelerator", 2048, "a force or a raw count", 'accelerator = { from = "…", scale = …, offset = … }'),
        ("width", 1 / 0.3048, "ft", 'width = { from = "…", unit = "ft" }'),
        ("length", 100, "cm", 'length = { from = "…", unit = "cm" }'),
    ],
)
def test_other_units_and_signs_are_told_one_at_a_time(name: str, factor: float, looks_like: str, change: str) -> None:
    (fault,) = faults(lambda own: own | {name: own[name] * factor})
    assert fault.startswith(f"{name} looks like {looks_like}: ")
    assert fault.endswith(change)


@pytest.mark.parametrize(
    ("given", "looks_like"),
    [
        (math.degrees, "degrees"),
        (lambda h: -h, "clockwise angles"),
        (lambda h: math.pi / 2 - h, "angles clockwise from north"),
        (lambda h: 90 - math.degrees(h), "degrees clockwise from north"),
        (lambda h: -math.degrees(h), "clockwise angles in degrees"),
    ],
)
def test_conventions_of_the_heading(given: Callable[[float], float], looks_like: str) -> None:
    """The car is turned to the north-west first, so that no two conventions agree by chance."""

    def change(own: dict[str, float]) -> dict[str, float]:
        x, y, turn = own["x"], own["y"], 2.2
        place = {"x": x * math.cos(turn) - y * math.sin(turn), "y": x * math.sin(turn) + y * math.cos(turn)}
        return own | place | {"heading": given(own["heading"] + turn)}

    found = [fault for fault in faults(change) if fault.startswith("heading")]
    assert [fault.split(": ")[0] for fault in found] == [f"heading looks like {looks_like}"]


def test_positions_in_feet_beside_a_speed_in_km_h() -> None:
    """Their ratio is 1.097, near enough to 1 to be overlooked."""

    def change(own: dict[str, float]) -> dict[str, float]:
        return own | {"x": own["x"] / 0.3048, "y": own["y"] / 0.3048, "speed": own["speed"] * 3.6}

    found = [fault.split(": ")[0] for fault in faults(change)]
    assert found[:3] == ["speed looks like km/h where x and y are in ft", "x looks like ft", "y looks like ft"]


def test_what_the_study_needs_and_lacks_with_what_to_change() -> None:
    def change(own: dict[str, float]) -> dict[str, float]:
        return {name: value for name, value in own.items() if name != "lane_offset"} | {"brake": math.nan}

    found = faults(change, others={}, signals={"platform_x": 0.0})
    assert "lane_offset is not given, but lane offset needs it. In the channel map: [own] lane_offset" in found
    assert "eyes_on_road is not given, but eyes off road needs it. In the channel map: [signals.eyes_on_road]" in found
    assert any(one.startswith("brake is not given, but the look back before gate-brake") for one in found)
    assert any(one.startswith("No other vehicle is sent, but time gap, ") for one in found)


def test_a_frozen_channel_and_a_slower_one() -> None:
    frozen = [fault for fault in faults(lambda own: own | {"speed": 22.0}) if "stands" in fault]
    assert frozen == ["speed stands at 22 while the positions say that the speed changes: is it the right name?"]
    step = iter(range(10_000))
    found = heard(*swaying(change=lambda own: own | {"accelerator": (next(step) // 4) % 7 / 10}))
    slow = next(one for one in found.channels if one.name == "accelerator")
    assert slow.fresh_hz == pytest.approx(15.0, rel=0.05)
    assert "changes 15 times a second" in slow.sentence()


def straight(speed_mps: float, accel_mps2: float, seconds: float = 5.0) -> FeedHeard:
    """A straight drive at constant acceleration, with pedals that keep still."""
    composer = FeedComposer(run="r", source="s", rate_hz=RATE_HZ, signals=SIGNALS)
    hello = decode_message([b"hello", composer.hello()])
    assert isinstance(hello, Hello)
    frames = []
    for step in range(int(seconds * RATE_HZ)):
        t = step / RATE_HZ
        x, speed = speed_mps * t + accel_mps2 * t * t / 2, speed_mps + accel_mps2 * t
        own = {"x": x, "y": 0.0, "heading": 0.0, "speed": speed, "accel": accel_mps2, "length": 4.6, "width": 1.8}
        own |= {"station": x, "lane_offset": 0.0, "yaw_rate": 0.0, "accelerator": 0.2, "brake": 0.0}
        van = {**own, "id": 7, "x": x + 40.0}
        others = {name: [van[name]] for name in ("id", "x", "y", "heading", "speed", "accel", "length", "width")}
        frame = decode_message([b"frame", composer.frame(t, own, others, dict.fromkeys(SIGNALS, 1.0))])
        composer.frame_sent()
        assert isinstance(frame, Frame)
        frames.append(frame)
    return heard(hello, frames)


@pytest.mark.parametrize(("speed", "accel"), [(22.0, 0.0), (22.0, -2.0), (8.0, 1.5)])
def test_constant_speed_and_constant_braking_are_right_and_called_so(speed: float, accel: float) -> None:
    found = straight(speed, accel)
    assert found.faults == []
    assert "accelerator kept 0.2 all the time; press it once while check listens." in found.look_at


def test_a_station_that_stands_and_an_acceleration_that_stands_are_frozen() -> None:
    late = [one for one in faults(lambda own: own | {"station": min(own["station"], 220.0)}) if "stands" in one]
    assert late == ["station stands at 220 while the car moves: is it the right name?"]
    (never,) = [one for one in faults(lambda own: own | {"station": 100.0}) if "stands" in one]
    assert never.startswith("station looks like a channel that stands still")
    assert [one for one in faults(lambda own: own | {"accel": 0.1}) if "stands" in one] == [
        "accel stands at 0.1 while the speed says that it changes: is it the right name?"
    ]


def test_a_feed_without_a_map_is_told_what_to_send() -> None:
    hello, frames = swaying(
        change=lambda own: {
            name: value * (3.6 if name == "speed" else -1.0 if name == "lane_offset" else 1.0)
            for name, value in own.items()
            if name != "yaw_rate"
        }
    )
    came = listened(hello, frames)
    came.by_map = False
    found = conclude(STUDY, came).faults
    assert not any("channel map" in fault for fault in found)
    assert found[0].endswith("At its publisher: send speed in m/s")
    assert found[1].endswith("At its publisher: send lane_offset left-positive")
    assert "yaw_rate is not given, but yaw rate needs it. At its publisher: own.yaw_rate" in found


def test_a_gaze_source_whose_clock_the_bridge_does_not_know_is_named() -> None:
    hello, frames = swaying()
    signals = {name: 1.0 for name in SIGNALS if name != "eyes_on_road"}
    unknown = {"eyes_on_road": math.nan, "gaze_clock_offset": math.nan, "gaze_clock_uncertainty": math.nan}
    frames = [frame._replace(signals=signals | unknown) for frame in frames]
    hello = replace(hello, signals={**hello.signals, "gaze_clock_offset": "s", "gaze_clock_uncertainty": "s"})
    (fault,) = heard(hello, frames).faults
    assert fault.startswith("The clock of gaze is not known to the bridge, so that what it gives is not measured: ")


def test_time_in_milliseconds_a_wrong_group_and_lost_frames() -> None:
    hello, frames = swaying()
    slow = [frame._replace(t=frame.t * 1000) for frame in frames]
    came = listened(replace(hello, group="bells", scenario="noon"), slow)
    came.arrivals, came.lost = [frame.t for frame in frames], 3
    found = conclude(STUDY, came)
    assert any(
        one.endswith('Simulation time looks like ms. In the channel map: [time] unit = "ms"') for one in found.faults
    )
    assert any(one.startswith("The simulator says group bells") for one in found.faults)
    assert any("scenario noon" in one for one in found.faults)
    assert "3 frames were lost in 8 s." in found.faults


def test_a_paused_simulator_is_called_so() -> None:
    hello, frames = swaying(seconds=2.0)
    stands = [frame._replace(t=1.0) for frame in frames]
    assert heard(hello, stands).faults[0] == "Simulation time did not go on in 119 of 120 frames; is it paused?"
    half = heard(hello, frames[:60] + stands[60:])
    assert half.faults[0].startswith("Simulation time did not go on in 59 of 120 frames")


@pytest.fixture
def spoilt_feed() -> Any:
    """A feed on a real socket, in km/h and with a right-positive lane offset."""
    stop = Event()
    publisher = FeedPublisher("tcp://127.0.0.1:*", run="r-1", source="spoilt", rate_hz=RATE_HZ, signals=SIGNALS)
    _, frames = swaying(seconds=60.0)

    def send() -> None:
        with publisher:
            publisher.wait_for_subscriber(30)
            for frame in frames:
                if stop.wait(1 / 240):
                    return
                own = frame.own | {"speed": frame.own["speed"] * 3.6, "lane_offset": -frame.own["lane_offset"]}
                others = {name: np.frombuffer(column, "<f8").tolist() for name, column in frame.columns.items()}
                publisher.frame(frame.t, own, {"id": [7], **others}, frame.signals)

    thread = Thread(target=send)
    thread.start()
    yield publisher.endpoint
    stop.set()
    thread.join()


def test_the_command_calls_it_so_and_leaves_with_status_1(spoilt_feed: str) -> None:
    done = call(
        *("check", "--study", str(CONFIGS / "dusk-road.toml"), "--feed", spoilt_feed, "--seconds", "2", "--json")
    )
    assert done.returncode == 1, done.stderr
    feed = json.loads(done.stdout)["feed"]
    doubts = {(one["channel"], one["looks_like"]) for one in feed["doubts"]}
    assert {("speed", "km/h"), ("lane_offset", "right-positive")} <= doubts
    assert feed["arrival_jitter_s"] is not None
    assert feed["frames"] > 100


# Proposals.


@pytest.mark.parametrize(
    ("name", "words", "unit"),
    [
        ("EgoPosX", ["ego", "pos", "x"], None),
        ("ego.speed_kmh", ["ego", "speed", "kmh"], "km/h"),
        ("Speed [mph]", ["speed"], "mph"),
        ("GasPct", ["gas", "pct"], "%"),
        ("SVHeading(deg)", ["sv", "heading"], "deg"),
        ("lane_dev", ["lane", "dev"], None),
        ("Note (see manual)", ["note"], None),
    ],
)
def test_the_words_and_the_unit_in_a_name(name: str, words: list[str], unit: str | None) -> None:
    assert (words_of(name), unit_in(name)) == (words, unit)


def test_names_are_sorted_to_channels_and_vehicles() -> None:
    guesses = guess_names(
        [
            "time_s",
            "ego.x",
            "ego.y",
            "ego.yaw",
            "ego.yaw_rate",
            "ego.vel",
            "lead.x",
            "lead.y",
            "lead.vel",
            "throttle",
            "note",
        ],
        "time_s",
    )
    assert guesses.time is not None
    assert {channel: guess.name for channel, guess in guesses.own.items()} == {
        "x": "ego.x",
        "y": "ego.y",
        "heading": "ego.yaw",
        "yaw_rate": "ego.yaw_rate",
        "speed": "ego.vel",
        "accelerator": "throttle",
    }
    assert set(guesses.vehicles["lead"]) == {"x", "y", "speed"}
    assert guesses.left == ["note"]


def test_a_first_map_of_a_file_has_the_units_that_the_movement_tells(tmp_path: Path) -> None:
    ridge.write_csv(tmp_path / "drive.csv")
    text = propose_from_csv(STUDY, tmp_path / "drive.csv")
    channels = parse_map(text)
    assert channels.own is not None
    own = channels.own.channels
    assert {name: own[name].scale for name in ("x", "y", "heading", "speed", "accel", "station", "accelerator")} == {
        "x": 0.3048,
        "y": 0.3048,
        "heading": math.pi / 180,
        "speed": pytest.approx(1 / 3.6),
        "accel": 9.80665,
        "station": 0.3048,
        "accelerator": 0.01,
    }
    assert (channels.rate_hz, channels.time.scale) == (20.0, 0.001)
    assert [(one.name, one.parts.channels["speed"].name) for one in channels.vehicles] == [("van", "VanSpeed")]
    assert "#   EventCode: 0, 11, 12" in text
    # it is enough to import the file with, and the drive comes out right
    (tmp_path / "first.toml").write_text(text, encoding="utf-8")
    made = import_drive(
        PastDrive(channels, tmp_path / "drive.csv"),
        STUDY,
        Driving("Q11", "chime"),
        tmp_path / "records",
        despite_faults=True,
    )
    frames = review_record(made.record).session.drives[0].log.blocks[-1].frames
    truth = {round(step.t, 6): step.own for step in ridge.drive()}
    for index in range(0, len(frames), 100):
        assert frames.own["speed"][index] == pytest.approx(truth[round(float(frames.t[index]), 6)]["speed"], abs=1e-9)


@pytest.mark.parametrize("written", ["msgpack", "json"])
def test_a_first_map_of_a_zmq_source_and_nothing_is_overwritten(
    written: str, tmp_path: Path, context: zmq.Context[zmq.Socket[bytes]]
) -> None:
    foreign = context.socket(zmq.PUB)
    foreign.linger = 0
    port = foreign.bind_to_random_port("tcp://127.0.0.1")
    stop = Event()

    def send() -> None:
        step = 0
        while not stop.wait(0.002):
            t = step / 60
            ego = {"pos": {"x": 20 * t, "y": 0.1 * math.sin(t)}, "speed_kmh": 72.0, "yaw": 0.0}
            state = {"simTime": t, "ego": ego, "cars": [{"id": 1}]}
            foreign.send_multipart(
                [b"state", json.dumps(state).encode() if written == "json" else msgpack.packb(state)]
            )
            step += 1

    thread = Thread(target=send)
    thread.start()
    study = str(CONFIGS / "dusk-road.toml")
    try:
        asked = ("check", "--study", study, "--feed", f"tcp://127.0.0.1:{port}", "--seconds", "1")
        done = call(*asked, "--propose", str(tmp_path / "first.toml"))
        assert done.returncode == 0, done.stderr
    finally:
        stop.set()
        thread.join()
    ridge.write_csv(tmp_path / "drive.csv")
    again = call(
        "check", "--study", study, "--csv", str(tmp_path / "drive.csv"), "--propose", str(tmp_path / "first.toml")
    )
    assert again.returncode == 2
    assert "nothing is overwritten" in again.stderr
    text = (tmp_path / "first.toml").read_text(encoding="utf-8")
    channels = parse_map(text)
    assert channels.own is not None
    assert ('format = "json"' in text) == (written == "json")
    assert channels.own.channels["x"].name == "ego.pos.x"
    assert channels.own.channels["speed"].scale == pytest.approx(1 / 3.6)
    assert channels.rate_hz == pytest.approx(60.0, rel=0.01)
    assert '#: rows = "cars"' in text


def test_our_own_feed_needs_no_map(spoilt_feed: str, tmp_path: Path) -> None:
    done = call(
        *("check", "--study", str(CONFIGS / "dusk-road.toml"), "--feed", spoilt_feed, "--seconds", "1"),
        *("--propose", str(tmp_path / "first.toml")),
    )
    assert done.returncode == 2
    assert "speaks our feed already" in done.stderr
    assert not (tmp_path / "first.toml").exists()


def test_the_swaying_car_is_what_it_says() -> None:
    """The car of these tests moves as its own channels say: otherwise the doubts above would mean nothing."""
    _, frames = swaying()
    block = build_block(frames, range(len(frames)))
    moved = np.hypot(np.diff(block.own["x"]), np.diff(block.own["y"])) * RATE_HZ
    np.testing.assert_allclose(moved, block.own["speed"][:-1], rtol=1e-9)
