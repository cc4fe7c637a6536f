"""A surprise event whose truth is known, told by a feed in which one thing may be untrue, as the entries of a record.

An own car follows a van; at the fire the van brakes. Whether each condition of the study truly holds is drawn, clear of
the band's edges; then one fault of any class, at a random size and instant, is put into what the feed tells. The
monitor sees the entries; the truth stays here.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import msgpack
import numpy as np

from monitor.measures.columns import BoolArray
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
name = "closing"
measure = "closing_speed"
role = "lead"
at_least = -2.0
at_most = 2.0
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
level_mps2 = 6.0
level_tolerance_mps2 = 1.5
reached_within_s = 1.0
held_s = 0.3
[trigger.response]
origin = "hazard onset"
horizon_s = 3.0
"""
RULE = '[[trigger.fires_when]]\nmeasure = "station"\nat_least = {station}\nedge = "rising"'
BRAKING = 'measure = "lead.accel"\nat_most = -4.0\nwithin_s = 1.0\nheld_s = 0.5'
SLOWING = 'measure = "lead.speed"\nat_most = 20.0\nwithin_s = 1.5\nheld_s = 0.5'
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
    beside: Told
    """A car in the next lane, nearer than the van."""
    beside_ids: Array
    frames_sent: BoolArray
    """Which frames reach the recorder."""
    stamp: Callable[[float], float] = lambda t: t
    """The time that a frame or a marker of a time says."""
    number: Callable[[int], int] = lambda seq: seq
    """The sequence number that a frame says."""
    van_slows: bool = False
    """The study tells the van's braking by its speed, because the room does not fill its acceleration."""
    accepted: str = ""
    """What a person accepted at a rehearsal, as tables of the study file."""
    stated_hz: float | None = None
    """The rate that the hello says; None: the room's."""
    pace: float = 1.0
    """How fast the simulation runs, times real time."""
    lost_markers: frozenset[int] = frozenset()
    """Numbers of markers that never arrive, neither by themselves nor in a hello."""


def draw_scene(seed: int, room: Room, *, clean: bool = False) -> Scene:
    """An event: motions of both bodies, eyes, markers, and what truly holds."""
    rng = np.random.default_rng([seed, 99])
    course = (
        Course() if rng.random() < 0.6 else Course(float(rng.uniform(120.0, 500.0)), 200.0, 200.0, rng.random() < 0.5)
    )
    t = np.arange(0.0, END_S + 1.0, 1.0 / GRID_HZ)
    truth = Truth()
    names = ["time gap", "own speed", "van braking", "eyes off road", "before"]
    names += ["lane offset"] if room.lanes or room.road else []
    wrong = "" if clean or rng.random() < 0.5 else str(rng.choice(names))
    base = 22.0 + float(rng.uniform(-0.8, 0.8))
    if wrong == "own speed":
        base = float(rng.choice([17.5, 26.8]))
    speed = base + 0.25 * np.sin(2.0 * math.pi * t / rng.uniform(7.0, 15.0) + rng.uniform(0, 6))
    respond = FIRE_S + float(rng.uniform(0.9, 1.6))
    slowing = 5.0 * smooth(t, respond, 0.4)
    if wrong == "before":
        # brakes for something else, and is off the brake again when the van brakes
        slowing = slowing + 2.6 * (smooth(t, FIRE_S - 0.9, 0.2) - smooth(t, FIRE_S - 0.4, 0.2))
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
        "closing": float(own.speed[at_fire] - van.speed[at_fire]),
        "own speed": _furthest(own.speed[begin : at_fire + 1], SPEED_BAND),
        "lane offset": _furthest(lane[begin : at_fire + 1], (-OFFSET_BAND, OFFSET_BAND)),
        "van braking": float(van.accel[at_fire : at_fire + int(GRID_HZ)].min()),
    }
    frames = stamps(room, END_S, rng, rising=False)
    told_own, told_van = tell(own, room, frames, rng, own=True), tell(van, room, frames, rng, own=False)
    looked = _glances(rng, t, at_fire=wrong != "eyes off road")
    eyes = looked[np.clip(np.searchsorted(t, frames[1]), 0, len(t) - 1)]
    x, y = road_line(course, float(van.s.max()) + 60.0)
    group = "chime" if rng.random() < 0.75 else "no-alert"
    markers: list[tuple[float, str, str, dict[str, Any]]] = [
        (0.0, "run_start", "run", {}),
        (FIRE_S, "trigger", "gate-brake", {}),
    ]
    if group == "chime":
        on = FIRE_S + float(rng.uniform(0.15, 0.55))
        markers += [(on, "alert_on", "a", {"modality": "sound"}), (on + 0.8, "alert_off", "a", {"modality": "sound"})]
    beside = move(course, t, own_speed, lambda s: np.full(len(s), 0.5 * LANE_M), float(rng.uniform(12.0, 22.0)))
    count = len(frames[0])
    scene = Scene(
        room, course, told_own, told_van, eyes, markers, truth, np.full(count, 1), float(behind), group,
        {"x": x, "y": y, "lane_width": LANE_M, "lanes": 2} if room.road else None,
        tell(beside, room, frames, rng, own=False), np.full(count, 7), np.ones(count, np.bool_),
    )  # fmt: skip
    _turn(scene, float(rng.uniform(-math.pi, math.pi)))
    return scene


def _turn(scene: Scene, angle: float) -> None:
    """The world by other axes: a road need not run along x, and a heading goes over from π to −π."""
    cos, sin = math.cos(angle), math.sin(angle)
    for channels in (scene.own.channels, scene.van.channels, scene.beside.channels):
        x, y = channels["x"], channels["y"]
        channels["x"], channels["y"] = cos * x - sin * y, sin * x + cos * y
        channels["heading"] = np.remainder(channels["heading"] + angle + math.pi, 2.0 * math.pi) - math.pi
    if scene.road is not None:
        x, y = np.array(scene.road["x"]), np.array(scene.road["y"])
        scene.road["x"], scene.road["y"] = (cos * x - sin * y).tolist(), (sin * x + cos * y).tolist()


def _furthest(values: Array, band: tuple[float, float]) -> float:
    """The value that lies furthest out of a band, or nearest to its edge."""
    margin = np.minimum(values - band[0], band[1] - values)
    return float(values[int(np.argmin(margin))])


def _glances(rng: np.random.Generator, t: Array, *, at_fire: bool) -> Array:
    """Eyes on the road (1) with glances away, and away `at_fire`, from 1.2 s before it on."""
    eyes = np.ones(len(t))
    at = float(rng.uniform(0.5, 3.0))
    while at < FIRE_S - 3.0:
        lasts = float(rng.uniform(0.3, 1.5))
        eyes[(t >= at) & (t < at + lasts)] = 0.0
        at += lasts + float(rng.uniform(0.8, 5.0))
    if at_fire:
        eyes[(t >= FIRE_S - 1.2) & (t < FIRE_S + 0.8)] = 0.0
    return eyes


def study_for(scene: Scene) -> Study:
    """The study: a rule where stations are sent, the lane offset where something tells it."""
    lanes, road = scene.room.lanes, scene.room.road
    rule = RULE.format(station=round(scene.station, 6)) if lanes else ""
    text = STUDY.format(rule=rule, offset=OFFSET if lanes or road else "")
    if scene.van_slows:
        text = text.replace(BRAKING, SLOWING)
        first, rest = text.split("[trigger.hazard]")
        text = f"{first}[trigger.response]{rest.split('[trigger.response]')[1]}".replace("hazard onset", "fire")
    return parse_study(text + scene.accepted, "scenes.toml")


def opening_of(scene: Scene, study: Study) -> Opening:
    """The opening of the run."""
    return Opening("Q01", scene.group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {}, pace=1.0)


def entries_of(scene: Scene, study: Study) -> list[Entry]:
    """The drive as a record's entries, by the encoding that the room uses."""
    entries = [Entry(EntryKind.OPENING, 1, 0, 0, pack_opening(opening_of(scene, study)))]

    def add(topic: bytes, fields: dict[str, Any], t: float) -> None:
        ns = round(t / scene.pace * 1e9)
        frames = pack_frames([topic, msgpack.packb(fields)])
        entries.append(Entry(EntryKind.MESSAGE, len(entries) + 1, ns, 1_700_000_000_000_000_000 + ns, frames))

    marks = [
        (t, {"v": 1, "run": "r", "n": n, "t": scene.stamp(t), "kind": kind, "name": name, "data": data})
        for n, (t, kind, name, data) in enumerate(sorted(scene.markers, key=lambda one: one[0]), start=1)
    ]
    hello = {
        "v": 1,
        "run": "r",
        "source": "scenes",
        "rate_hz": scene.stated_hz or scene.room.rate_hz,
        "signals": {"eyes_on_road": "1"},
    }
    if scene.road is not None:
        hello["road"] = scene.road
    own = {name: column.tolist() for name, column in scene.own.channels.items()}
    others = [
        (ids, {name: column.tolist() for name, column in told.channels.items()})
        for ids, told in ((scene.van_ids, scene.van), (scene.beside_ids, scene.beside))
    ]
    sent, hello_due = 0, -1.0
    for i, (t, seq, true_t) in enumerate(
        zip(scene.own.t.tolist(), scene.own.seq.tolist(), scene.own.true_t.tolist(), strict=True)
    ):
        if true_t >= hello_due:
            recent = [mark for _, mark in marks[max(sent - 32, 0) : sent] if mark["n"] not in scene.lost_markers]
            add(b"hello", {**hello, "recent": recent}, true_t)
            hello_due = true_t + 0.5
        while sent < len(marks) and marks[sent][0] <= true_t + 1e-9:
            sent += 1
            if sent not in scene.lost_markers:
                add(b"marker", marks[sent - 1][1], true_t)
        if not scene.frames_sent[i]:
            continue
        there = [(int(ids[i]), columns) for ids, columns in others if ids[i] >= 0]
        row: dict[str, list[Any]] = {"id": [number for number, _ in there]}
        row |= {name: [columns[name][i] for _, columns in there] for name in others[0][1]}
        packed = row if not scene.room.packed else {
            name: array("q" if name == "id" else "d", column).tobytes() for name, column in row.items()
        }  # fmt: skip
        add(
            b"frame",
            {
                "v": 1, "run": "r", "seq": scene.number(seq), "t": scene.stamp(t), "markers": sent, "others": packed,
                "own": {name: column[i] for name, column in own.items()},
                "signals": {"eyes_on_road": bool(scene.eyes[i])} if math.isfinite(scene.eyes[i]) else {},
            },
            true_t,
        )  # fmt: skip
    entries.append(Entry(EntryKind.CLOSE, len(entries) + 1, 0, 0, pack_map({"why": "test"})))
    return entries
