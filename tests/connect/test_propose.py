"""A first map of tables written in ways of their own: what names the time, what is no vehicle, words of bits."""

from __future__ import annotations

import math
from pathlib import Path

from monitor.commissioning.propose.proposal import propose_from_csv
from monitor.commissioning.propose.words_of_bits import watched_lines
from monitor.connect.channel_map.loading import parse_map
from monitor.study.loading import load_study
from tests.connect.conftest import CONFIGS

STUDY = load_study(CONFIGS / "dusk-road.toml")


def steps() -> list[tuple[float, float, float, float]]:
    """Time, x, y and speed of ten seconds at 20 Hz."""
    return [(i / 20, 22 * i / 20, 0.5 * math.sin(i / 20), 22 + math.sin(i / 20)) for i in range(200)]


def proposed(path: Path, lines: list[str]) -> str:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = propose_from_csv(STUDY, path)
    parse_map(text)
    return text


def test_a_line_before_the_names_another_language_and_decimal_commas(tmp_path: Path) -> None:
    lines = ["written by hall 7;;;;", "ReactionTime;Zeit [ms];PosX;PosY;Geschwindigkeit [km/h];EyesOnRoad"]
    lines += [f"0.3;{1000 * t:.1f};{x:.3f};{y:.4f};{3.6 * v:.3f};1".replace(".", ",") for t, x, y, v in steps()]
    channels = parse_map(proposed(tmp_path / "a.csv", lines))
    assert (channels.time.name, channels.time.scale, channels.rate_hz) == ("Zeit [ms]", 0.001, 20.0)
    assert channels.own is not None
    own = {name: one.name for name, one in channels.own.channels.items() if one.name}
    assert own == {"x": "PosX", "y": "PosY", "speed": "Geschwindigkeit [km/h]"}
    assert channels.vehicles == ()
    assert channels.signals["eyes_on_road"].reading.name == "EyesOnRoad"


def test_a_line_of_units_below_the_names(tmp_path: Path) -> None:
    lines = ["time,x,y,speed,heading", "s,ft,ft,mph,deg"]
    lines += [f"{t},{x / 0.3048},{y / 0.3048},{v / 0.44704},0" for t, x, y, v in steps()]
    channels = parse_map(proposed(tmp_path / "a.csv", lines))
    assert channels.own is not None
    assert channels.own.channels["x"].scale == 0.3048
    assert channels.own.channels["speed"].scale == 0.44704
    assert channels.time.scale == 1.0


def test_a_time_is_what_rises_in_even_steps_whatever_it_is_called(tmp_path: Path) -> None:
    """A reaction time, a wall clock and a time that stands are no simulation time."""
    lines = ["WallTime,LapTime,stamp,x,y"]
    lines += [f"{1.7e9 + t + (i % 7) / 50},5,{t},{x * math.sin(t)},{y}" for i, (t, x, y, _) in enumerate(steps())]
    assert parse_map(proposed(tmp_path / "a.csv", lines)).time.name == "stamp"
    lines[0] = "Time,LapTime,SimTime,x,y"
    assert parse_map(proposed(tmp_path / "b.csv", lines)).time.name == "SimTime"


def test_a_word_of_bits_is_watched() -> None:
    """Bits 0 and 4 are up at the begin; bit 3 rises twice, bit 1 once."""
    words = [17, 17, 25, 17, 25, 27, 17]
    assert watched_lines("Status", words, [i / 10 for i in range(7)]) == [
        "Status: 17, 25, 27",
        "    bit 1 rose once at 0.50 s",
        "    bit 3 rose 2 times at 0.20, 0.40 s",
    ]
    assert watched_lines("Frame", list(range(1000, 1100)), [i / 10 for i in range(100)]) == ["Frame"]
    assert watched_lines("Code", [0, 11, 12], [0.0, 0.1, 0.2]) == ["Code: 0, 11, 12"]
    assert watched_lines("Speed", [21.5, 22.0, 64.0], [0.0, 0.1, 0.2]) == ["Speed: 21.5, 22, 64"]
