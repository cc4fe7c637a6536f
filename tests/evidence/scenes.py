"""A surprise event whose truth is known, told by a feed in which one thing may be untrue, as the entries of a record.

An own car follows a van; at the fire the van brakes. Whether each condition of the study truly holds is drawn, clear of
the band's edges; then one fault of any class, at a random size and instant, is put into what the feed tells. The
monitor sees the entries; the truth stays here.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import msgpack
import numpy as np

from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, pack_map, pack_opening
from monitor.study.loading import parse_study
from monitor.study.model import Study
from tests.evidence.drives import (
    GRID_HZ,
    LANE_M,
    OWN_LENGTH,
    VAN_LENGTH,
    Array,
    Course,
    Room,
    Told,
    move,
    road_line,
    stamps,
    tell,
)
from tests.evidence.manoeuvres import smooth

FIRE_S, END_S = 20.0, 27.0
GAP_BAND, SPEED_BAND, OFFSET_BAND, DECEL = (1.3, 1.9), (19.5, 24.5), 0.6, 4.0

STUDY = """
[study]
name = "scenes"
participant_pattern = "Q[0-9]+"
[groups.chime]
alert = ["sound"]
[groups.no-alert]
alert = []
[signals.eyes_on_road]
source = "driver"
[[trigger]]
name = "gate-brake"
surprise_class = "rear-end"
{rule}
[[trigger.condition]]
name = "time gap"
measure = "time_gap"
role = "lead"
at_least = 1.3
at_most = 1.9
[[trigger.condition]]
name = "own speed"
measure = "speed"
during = [-3.0, 0.0]
at_least = 19.5
at_most = 24.5
{offset}
[[trigger.condition]]
name = "van braking"
measure = "lead.accel"
at_most = -4.0
within_s = 1.0
held_s = 0.5
[[trigger.condition]]
name = "eyes off road"
measure = "eyes_on_road"
at_most = 0.5
[trigger.alert]
earliest_s = 0.1
latest_s = 0.6
[trigger.before]
brake_at_most = 0.03
[trigger.hazard]
role = "lead"
decel_at_least_mps2 = 2.0
within_s = 2.5
[trigger.response]
origin = "hazard onset"
horizon_s = 3.0
"""
RULE = '[[trigger.fires_when]]\nmeasure = "station"\nat_least = {station}\nedge = "rising"'
OFFSET = """
[[trigger.condition]]
name = "lane offset"
measure = "lane_offset"
during = [-3.0, 0.0]
at_least = -0.6
at_most = 0.6
"""


@dataclass
class Truth:
    """What was so. `violated`: conditions and rules that truly did not hold; `values`: true numbers by condition."""

    violated: set[str] = field(default_factory=set)
    values: dict[str, float] = field(default_factory=dict)
    fault: str = "none"
    size: float = 0.0
    whole_body: bool = False
    """A fault of which nothing in a feed can tell: all channels of a body by one wrong state."""


@dataclass
class Scene:
    """A drive as it is told, before it is packed."""

    room: Room
    course: Course
    own: Told
    van: Told
    eyes: Array
    markers: list[tuple[float, str, str, dict[str, Any]]]
    truth: Truth
    van_ids: Array
    station: float
    group: str
    road: dict[str, Any] | None


def draw_scene(seed: int, room: Room, *, clean: bool = False) -> Scene:
    """An event: motions of both bodies, eyes, markers, and what truly holds."""
    rng = np.random.default_rng([seed, 99])
    course = (
        Course() if rng.random() < 0.6 else Course(float(rng.uniform(120.0, 500.0)), 200.0, 200.0, rng.random() < 0.5)
    )
    t = np.arange(0.0, END_S + 1.0, 1.0 / GRID_HZ)
    truth = Truth()
    names = ["time gap", "own speed", "van braking", *(["lane offset"] if room.lanes or room.road else [])]
    wrong = "" if clean or rng.random() < 0.5 else str(rng.choice(names))
    base = 22.0 + float(rng.uniform(-0.8, 0.8))
    if wrong == "own speed":
        base = float(rng.choice([17.5, 26.8]))
    speed = base + 0.25 * np.sin(2.0 * math.pi * t / rng.uniform(7.0, 15.0) + rng.uniform(0, 6))
    respond = FIRE_S + float(rng.uniform(0.9, 1.6))
    slowing = 5.0 * smooth(t, respond, 0.4)
    own_speed = np.maximum(speed - np.concatenate([[0.0], np.cumsum(slowing[1:] / GRID_HZ)]), 1.0)
    time_gap = float(rng.uniform(1.48, 1.72))
    if wrong == "time gap":
        time_gap = float(rng.choice([1.0, 2.25]))
    at_fire = int(FIRE_S * GRID_HZ)
    van_wave = 0.15 * np.sin(2.0 * math.pi * t / rng.uniform(8.0, 15.0) + rng.uniform(0, 6))
    decel = (2.4 if wrong == "van braking" else float(rng.uniform(5.0, 7.0))) * smooth(t, FIRE_S + 0.05, 0.35)
    van_speed = base + van_wave
    van_speed = np.maximum(van_speed - np.concatenate([[0.0], np.cumsum(decel[1:] / GRID_HZ)]), 3.0)
    window = np.hanning(25)
    own_speed, van_speed = (
        np.convolve(np.pad(one, 12, mode="edge"), window / window.sum(), mode="valid") for one in (own_speed, van_speed)
    )
    aside = 0.0
    if wrong == "lane offset":
        aside = float(rng.choice([-0.95, 0.95]))
    wave_m = float(rng.uniform(120.0, 220.0))

    def offset(s: Array) -> Array:
        return np.asarray(-0.5 * LANE_M + aside + 0.1 * np.sin(2.0 * math.pi * s / wave_m))

    own = move(course, t, own_speed, offset, 0.0)
    behind = np.interp(FIRE_S, t, own.s)
    moved = np.concatenate([[0.0], np.cumsum(0.5 * (van_speed[1:] + van_speed[:-1]) / GRID_HZ)])
    ahead = time_gap * own.speed[at_fire] + 0.5 * (OWN_LENGTH + VAN_LENGTH)
    van = move(course, t, van_speed, lambda s: np.full(len(s), -0.5 * LANE_M), behind + ahead - moved[at_fire])
    if wrong:
        truth.violated.add(wrong)
    begin = int((FIRE_S - 3.0) * GRID_HZ)
    lane = own.d + 0.5 * LANE_M
    gap = van.s[at_fire] - own.s[at_fire] - 0.5 * (OWN_LENGTH + VAN_LENGTH)
    truth.values = {
        "time gap": float(gap / own.speed[at_fire]),
        "own speed": _furthest(own.speed[begin : at_fire + 1], SPEED_BAND),
        "lane offset": _furthest(lane[begin : at_fire + 1], (-OFFSET_BAND, OFFSET_BAND)),
        "van braking": float(van.accel[at_fire : at_fire + int(GRID_HZ)].min()),
    }
    frames = stamps(room, END_S, rng, rising=False)
    told_own, told_van = tell(own, room, frames, rng, own=True), tell(van, room, frames, rng, own=False)
    told_own.channels["accelerator"] = np.clip(told_own.channels.get("accelerator", np.zeros(len(frames[0]))), 0, 1)
    looked = _glances(rng, t)
    eyes = looked[np.clip(np.searchsorted(t, frames[1]), 0, len(t) - 1)]
    x, y = road_line(course, float(van.s.max()) + 60.0)
    group = "chime" if rng.random() < 0.75 else "no-alert"
    markers: list[tuple[float, str, str, dict[str, Any]]] = [
        (0.0, "run_start", "run", {}),
        (FIRE_S, "trigger", "gate-brake", {}),
    ]
    if group == "chime":
        on = FIRE_S + 0.3
        markers += [(on, "alert_on", "a", {"modality": "sound"}), (on + 0.8, "alert_off", "a", {"modality": "sound"})]
    return Scene(
        room, course, told_own, told_van, eyes, markers, truth, np.full(len(frames[0]), 1), float(behind), group,
        {"x": x, "y": y, "lane_width": LANE_M, "lanes": 2} if room.road else None,
    )  # fmt: skip


def _furthest(values: Array, band: tuple[float, float]) -> float:
    """The value that lies furthest out of a band, or nearest to its edge."""
    margin = np.minimum(values - band[0], band[1] - values)
    return float(values[int(np.argmin(margin))])


def _glances(rng: np.random.Generator, t: Array) -> Array:
    """Eyes on the road (1) with glances away, and away from 1.2 s before the fire on."""
    eyes = np.ones(len(t))
    at = float(rng.uniform(0.5, 3.0))
    while at < FIRE_S - 3.0:
        lasts = float(rng.uniform(0.3, 1.5))
        eyes[(t >= at) & (t < at + lasts)] = 0.0
        at += lasts + float(rng.uniform(0.8, 5.0))
    eyes[(t >= FIRE_S - 1.2) & (t < FIRE_S + 0.8)] = 0.0
    return eyes


def study_for(scene: Scene) -> Study:
    """The study: a rule where stations are sent, the lane offset where something tells it."""
    return study_of(scene.room.lanes, scene.room.road, scene.station)


def study_of(lanes: bool, road: bool, station: float) -> Study:
    """A study for a room."""
    rule = RULE.format(station=round(station, 6)) if lanes else ""
    text = STUDY.format(rule=rule, offset=OFFSET if lanes or road else "")
    return parse_study(text, "scenes.toml")


def opening_of(scene: Scene, study: Study) -> Opening:
    """The opening of the run."""
    return Opening("Q01", scene.group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {})


def entries_of(scene: Scene, study: Study) -> list[Entry]:
    """The drive as a record's entries, by the encoding that the room uses."""
    entries = [Entry(EntryKind.OPENING, 1, 0, 0, pack_opening(opening_of(scene, study)))]

    def add(topic: bytes, fields: dict[str, Any], t: float) -> None:
        ns = round(t * 1e9)
        frames = pack_frames([topic, msgpack.packb(fields)])
        entries.append(Entry(EntryKind.MESSAGE, len(entries) + 1, ns, 1_700_000_000_000_000_000 + ns, frames))

    marks = [
        {"v": 1, "run": "r", "n": n, "t": t, "kind": kind, "name": name, "data": data}
        for n, (t, kind, name, data) in enumerate(sorted(scene.markers, key=lambda one: one[0]), start=1)
    ]
    hello = {"v": 1, "run": "r", "source": "scenes", "rate_hz": scene.room.rate_hz, "signals": {"eyes_on_road": "1"}}
    if scene.road is not None:
        hello["road"] = scene.road
    own, van = scene.own.channels, scene.van.channels
    optional = ("yaw_rate", "station", "lane", "lane_offset", "lane_width", "accelerator", "brake")
    names = [name for name in ("x", "y", "heading", "speed", "accel", "length", "width", *optional) if name in own]
    if not scene.room.pedals:
        names = [name for name in names if name not in ("accelerator", "brake")]
    van_names = [
        name for name in ("x", "y", "heading", "speed", "accel", "length", "width", "station", "lane") if name in van
    ]
    columns = {name: own[name].tolist() for name in names}
    others = {name: van[name].tolist() for name in van_names}
    sent, hello_due = 0, -1.0
    for i, (t, seq, true_t) in enumerate(
        zip(scene.own.t.tolist(), scene.own.seq.tolist(), scene.own.true_t.tolist(), strict=True)
    ):
        if true_t >= hello_due:
            add(b"hello", {**hello, "recent": marks[max(sent - 32, 0) : sent]}, true_t)
            hello_due = true_t + 0.5
        while sent < len(marks) and marks[sent]["t"] <= true_t + 1e-9:
            sent += 1
            add(b"marker", marks[sent - 1], true_t)
        row: dict[str, list[Any]] = {
            "id": [int(scene.van_ids[i])],
            **{name: [column[i]] for name, column in others.items()},
        }
        packed = row if not scene.room.packed else {
            name: array("q" if name == "id" else "d", column).tobytes() for name, column in row.items()
        }  # fmt: skip
        add(
            b"frame",
            {
                "v": 1, "run": "r", "seq": seq, "t": t, "markers": sent, "others": packed,
                "own": {name: column[i] for name, column in columns.items()},
                "signals": {"eyes_on_road": bool(scene.eyes[i])} if math.isfinite(scene.eyes[i]) else {},
            },
            true_t,
        )  # fmt: skip
    entries.append(Entry(EntryKind.CLOSE, len(entries) + 1, 0, 0, pack_map({"why": "test"})))
    return entries


Spoiler = Callable[[Scene, np.random.Generator], None]


def _channel(scene: Scene, rng: np.random.Generator, options: list[tuple[str, str]]) -> tuple[Told, str, str]:
    """A channel of own car or the van that the feed has."""
    there = [(whose, name) for whose, name in options if name in (scene.own if whose == "own" else scene.van).channels]
    whose, name = there[int(rng.integers(len(there)))]
    scene.truth.fault += f" {whose}.{name}"
    return (scene.own if whose == "own" else scene.van), whose, name


NUMBERS = [
    ("own", "speed"), ("own", "accel"), ("own", "station"), ("own", "lane_offset"), ("own", "yaw_rate"),
    ("van", "speed"), ("van", "accel"), ("van", "station"),
]  # fmt: skip


def _begin(rng: np.random.Generator) -> float:
    """From when on a fault is there: all along, or from somewhere in the run-up."""
    return -1.0 if rng.random() < 0.5 else float(rng.uniform(8.0, FIRE_S - 0.3))


def scale(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, NUMBERS)
    scene.truth.size = size = float(rng.choice([0.3, 0.5, 0.8, 0.9, 0.95, 1.05, 1.1, 1.25, 1.6, 2.0]))
    column = told.channels[name]
    anchor = column[0] if name == "station" else 0.0
    told.channels[name] = np.where(told.t >= _begin(rng), anchor + size * (column - anchor), column)


def offset(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, NUMBERS)
    least, most = {
        "speed": (0.2, 4.0),
        "accel": (0.1, 4.0),
        "station": (0.3, 40.0),
        "lane_offset": (0.05, 1.5),
        "yaw_rate": (0.005, 0.2),
    }[name]
    scene.truth.size = size = float(rng.choice([-1.0, 1.0])) * math.exp(rng.uniform(math.log(least), math.log(most)))
    told.channels[name] = told.channels[name] + np.where(told.t >= _begin(rng), size, 0.0)


def delay(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, NUMBERS)
    scene.truth.size = size = math.exp(rng.uniform(math.log(0.03), math.log(1.0)))
    told.channels[name] = np.interp(told.t - size, told.t, told.channels[name])


def sign(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, [one for one in NUMBERS if one[1] != "station"])
    told.channels[name] = -told.channels[name]


def freeze(scene: Scene, rng: np.random.Generator) -> None:
    told, whose, name = _channel(scene, rng, [*NUMBERS, ("own", "x"), ("van", "x")])
    begin = float(rng.uniform(8.0, FIRE_S + (0.4 if whose == "van" else -0.1)))
    scene.truth.size = lasts = math.exp(rng.uniform(math.log(0.1), math.log(8.0)))
    first, last = np.searchsorted(told.t, [begin, begin + lasts])
    for one in (name, "y") if name == "x" else (name,):
        column = told.channels[one].copy()
        column[first : last + 1] = column[min(first, len(column) - 1)]
        told.channels[one] = column


def step(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(
        scene, rng, [("own", "station"), ("own", "x"), ("van", "station"), ("van", "x"), ("own", "lane_offset")]
    )
    scene.truth.size = size = float(rng.choice([-1.0, 1.0])) * math.exp(rng.uniform(math.log(0.3), math.log(20.0)))
    told.channels[name] = told.channels[name] + np.where(told.t >= rng.uniform(8.0, FIRE_S - 0.2), size, 0.0)


def swap(scene: Scene, rng: np.random.Generator) -> None:
    """Another vehicle goes on under the van's id."""
    scene.truth.size = size = float(rng.choice([-1.0, 1.0])) * float(rng.uniform(2.0, 25.0))
    told = scene.van
    there = told.t >= rng.uniform(12.0, FIRE_S - 0.3)
    heading = told.channels["heading"]
    told.channels["x"] = told.channels["x"] + np.where(there, size * np.cos(heading), 0.0)
    told.channels["y"] = told.channels["y"] + np.where(there, size * np.sin(heading), 0.0)
    if "station" in told.channels:
        told.channels["station"] = told.channels["station"] + np.where(there, size, 0.0)
    if rng.random() < 0.5:
        told.channels["length"] = np.where(there, 4.2, told.channels["length"])


def unit(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(
        scene, rng, [one for one in NUMBERS if one[1] in ("speed", "accel", "station", "yaw_rate")]
    )
    factors = {"speed": [3.6, 2.237, 3.281], "accel": [1 / 9.80665], "station": [3.281, 0.001], "yaw_rate": [57.2958]}[
        name
    ]
    scene.truth.size = size = float(rng.choice(factors))
    told.channels[name] = told.channels[name] * size


def gone(scene: Scene, rng: np.random.Generator) -> None:
    """A channel is not measured, for a while or from then on."""
    told, _, name = _channel(scene, rng, [*NUMBERS, ("own", "length"), ("van", "length")])
    begin = _begin(rng)
    lasts = float(rng.choice([0.5, 3.0, 100.0]))
    told.channels[name] = np.where((told.t >= begin) & (told.t < begin + lasts), math.nan, told.channels[name])


def no_size(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, [("own", "length"), ("van", "length"), ("van", "width")])
    told.channels[name] = np.full(len(told.t), float(rng.choice([0.0, -1.0])))


def flicker(scene: Scene, rng: np.random.Generator) -> None:
    """Eyes that drop out at random, never change, or are off all along."""
    kind = rng.integers(3)
    if kind == 0:
        out = rng.random(len(scene.eyes)) < 0.15
        scene.eyes = np.where(out, 1.0 - scene.eyes, scene.eyes)
    elif kind == 1:
        scene.eyes = np.zeros(len(scene.eyes))
    else:
        # the driver looks up at the event and the tracker says off, as it has for a long time
        scene.eyes = np.where(scene.own.true_t > 6.0, 0.0, scene.eyes)
    if rng.random() < 0.5:
        scene.truth.violated.add("eyes off road")


def noisy(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, NUMBERS)
    size = {"speed": 2.0, "accel": 3.0, "station": 3.0, "lane_offset": 0.6, "yaw_rate": 0.1}[name]
    scene.truth.size = size = size * float(rng.uniform(0.2, 1.0))
    told.channels[name] = told.channels[name] + rng.normal(0.0, size, len(told.t))


def marker_time(scene: Scene, rng: np.random.Generator) -> None:
    """The trigger's marker is early or late against its rule; the conditions are asked when it says."""
    scene.truth.size = size = float(rng.choice([-1.0, 1.0])) * math.exp(rng.uniform(math.log(0.3), math.log(1.5)))
    scene.markers = [
        (t + size, kind, name, data) if kind == "trigger" else (t, kind, name, data)
        for t, kind, name, data in scene.markers
    ]
    if scene.room.lanes:
        scene.truth.violated.add("timing")


def alert(scene: Scene, rng: np.random.Generator) -> None:
    """An alert that was not meant: early and still on, of another kind, or none where one was meant."""
    kind = rng.integers(3)
    if kind == 0:
        begin = FIRE_S - float(rng.uniform(1.2, 6.0))
        modality = str(rng.choice(["sound", "light"]))
        scene.markers += [(begin, "alert_on", "b", {"modality": modality})]
        if rng.random() < 0.5:
            scene.markers += [(FIRE_S + 1.0, "alert_off", "b", {"modality": modality})]
    elif kind == 1:
        scene.markers += [(FIRE_S + 0.3, "alert_on", "b", {"modality": "light"})]
    else:
        scene.markers = [one for one in scene.markers if one[1] not in ("alert_on", "alert_off")]
        if scene.group == "no-alert":
            return
    scene.truth.violated.add("alert")


def wrong_id(scene: Scene, rng: np.random.Generator) -> None:
    """The van's id changes under way."""
    scene.van_ids = np.where(scene.van.t >= rng.uniform(10.0, FIRE_S + 1.0), 2, scene.van_ids)


def late_body(scene: Scene, rng: np.random.Generator) -> None:
    """All channels of the van are late: one wrong state, of which nothing in the feed tells."""
    scene.truth.size = size = float(rng.uniform(0.1, 0.6))
    for name, column in scene.van.channels.items():
        scene.van.channels[name] = np.interp(scene.van.t - size, scene.van.t, column)
    scene.truth.whole_body = True


FAULTS: dict[str, Spoiler] = {
    one.__name__: one
    for one in (
        *(scale, offset, delay, sign, freeze, step, swap, unit, gone, no_size, flicker, noisy, marker_time),
        *(alert, wrong_id, late_body),
    )
}
"""Every class of fault."""


def any_room(rng: np.random.Generator, **fixed: Any) -> Room:
    """A facility of any kind."""
    rate = float(rng.choice([10.0, 20.0, 30.0, 60.0, 120.0, 240.0], p=[0.2, 0.2, 0.25, 0.2, 0.1, 0.05]))
    clock = rng.random()
    level = int(rng.integers(3))
    speed_noise, place_noise = ((0.0, 0.0), (0.05, 0.03), (0.1, 0.1))[level]
    room = Room(
        rate_hz=rate,
        tick_s=float(rng.choice([0.01, 0.0156, 0.016])) if clock < 0.2 else 0.0,
        jitter_s=(0.002 if rate <= 100.0 else 0.001) if clock > 0.75 else 0.0,
        hold=int(rng.integers(1, 4)) if rate >= 30.0 else 1,
        speed_noise=speed_noise,
        place_noise=place_noise,
        road=bool(rng.random() < 0.6),
        lanes=bool(rng.random() < 0.7),
        yaw_rate=bool(rng.random() < 0.75),
        pedals=bool(rng.random() < 0.75),
        packed=bool(rng.random() < 0.5),
    )
    return replace(room, **fixed)


def untruthful(seed: int) -> Scene:
    """A drive with one fault of any class, in a room of any kind."""
    rng = np.random.default_rng([seed, 5])
    scene = draw_scene(seed, any_room(rng))
    name = str(rng.choice(list(FAULTS)))
    scene.truth.fault = name
    FAULTS[name](scene, rng)
    return scene
