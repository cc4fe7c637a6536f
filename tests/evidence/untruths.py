"""One thing made untrue in what a feed tells of a scene: a fault of any class, at a random size and instant.

Each function draws where and how large, changes what is told (or sends), and notes what truly was in the scene's truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from tests.evidence.drives import Room, Told
from tests.evidence.scenes import FIRE_S, Scene, draw_scene

Spoiler = Callable[[Scene, np.random.Generator], None]


def _channel(scene: Scene, rng: np.random.Generator, options: list[tuple[str, str]]) -> tuple[Told, str, str]:
    """A channel of own car or the van that the feed has."""
    there = [(whose, name) for whose, name in options if name in (scene.own if whose == "own" else scene.van).channels]
    whose, name = there[int(rng.integers(len(there)))]
    scene.truth.fault += f" {whose}.{name}"
    return (scene.own if whose == "own" else scene.van), whose, name


NUMBERS = [
    ("own", "speed"), ("own", "accel"), ("own", "station"), ("own", "lane_offset"), ("own", "yaw_rate"),
    ("own", "heading"), ("van", "speed"), ("van", "accel"), ("van", "station"), ("van", "heading"),
]  # fmt: skip


def _begin(rng: np.random.Generator) -> float:
    """From when on a fault is there: all along, or from somewhere in the run-up."""
    return -1.0 if rng.random() < 0.5 else float(rng.uniform(8.0, FIRE_S - 0.3))


def scale(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, NUMBERS)
    scene.truth.size = size = float(rng.choice([0.1, 0.3, 0.5, 0.8, 0.85, 0.9, 0.95, 1.05, 1.1, 1.25, 1.6, 2.0]))
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
        "heading": (0.02, 1.5),
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


UNITS = {
    "speed": [3.6, 2.237, 3.281],
    "accel": [1 / 9.80665, 3.281],
    "station": [3.281, 0.001],
    "yaw_rate": [57.2958],
    "heading": [57.2958],
    "lane_offset": [100.0, 3.281],
}
"""How many of another unit are one of ours."""


def unit(scene: Scene, rng: np.random.Generator) -> None:
    told, _, name = _channel(scene, rng, [one for one in NUMBERS if one[1] in UNITS])
    factors = UNITS[name]
    scene.truth.size = size = float(rng.choice(factors))
    told.channels[name] = told.channels[name] * size


def gone(scene: Scene, rng: np.random.Generator) -> None:
    """A channel is not measured, for a while or from then on."""
    told, _, name = _channel(scene, rng, [*NUMBERS, ("own", "length"), ("van", "length")])
    begin = _begin(rng)
    lasts = float(rng.choice([0.5, 3.0, 100.0]))
    if rng.random() < 0.1:
        scene.truth.fault = "gone eyes"
        scene.eyes = np.where((told.t >= begin) & (told.t < begin + lasts), math.nan, scene.eyes)
        return
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
    size = {"speed": 2.0, "accel": 3.0, "station": 3.0, "lane_offset": 0.6, "yaw_rate": 0.1, "heading": 0.2}[name]
    scene.truth.size = size = size * float(rng.uniform(0.2, 1.0))
    told.channels[name] = told.channels[name] + rng.normal(0.0, size, len(told.t))


def feigned(scene: Scene, rng: np.random.Generator) -> None:
    """The van's acceleration tells of a braking, or of none, that speed and place know nothing of."""
    scene.truth.size = size = float(rng.choice([-6.0, 0.0]))
    since = FIRE_S + float(rng.uniform(0.0, 0.3))
    until = since + float(rng.choice([2.0, 100.0]))
    told = scene.van
    told.channels["accel"] = np.where((told.t >= since) & (told.t < until), size, told.channels["accel"])


def axes(scene: Scene, rng: np.random.Generator) -> None:
    """Places in another unit, or with y to the right: of both bodies, as an interface would."""
    factor, turned = ((1.0, True), (100.0, False), (3.281, False))[int(rng.integers(3))]
    scene.truth.fault += " mirrored" if turned else " unit"
    scene.truth.size = factor
    for told in (scene.own, scene.van, scene.beside):
        told.channels["x"] = factor * told.channels["x"]
        told.channels["y"] = (-1.0 if turned else factor) * told.channels["y"]


def exchange(scene: Scene, rng: np.random.Generator) -> None:
    """The van and the car beside change their ids."""
    there = scene.van.t >= rng.uniform(10.0, FIRE_S + 0.6)
    first, second = scene.van_ids, scene.beside_ids
    scene.van_ids, scene.beside_ids = np.where(there, second, first), np.where(there, first, second)


def vanish(scene: Scene, rng: np.random.Generator) -> None:
    """The van is not sent for a while, or from then on."""
    begin = float(rng.uniform(10.0, FIRE_S + 0.5))
    until = begin + float(rng.choice([0.15, 1.0, 100.0]))
    scene.van_ids = np.where((scene.van.t >= begin) & (scene.van.t < until), -1, scene.van_ids)


def lost(scene: Scene, rng: np.random.Generator) -> None:
    """Frames that do not arrive."""
    begin = float(rng.uniform(10.0, FIRE_S + 2.0))
    scene.truth.size = size = math.exp(rng.uniform(math.log(0.1), math.log(4.0)))
    scene.frames_sent = ~((scene.own.true_t >= begin) & (scene.own.true_t < begin + size))


def clock(scene: Scene, rng: np.random.Generator) -> None:
    """Times in another unit, by a clock that is slow or fast, or that jumps in mid-drive; numbers that are set back."""
    kind = str(rng.choice(["ms", "slow", "jump", "back", "number"]))
    scene.truth.fault += f" {kind}"
    at = float(rng.uniform(6.0, FIRE_S + 2.0))
    if kind == "number":
        first = int(np.searchsorted(scene.own.t, at))
        scene.number = lambda seq: seq if seq < first else seq - first
        return
    if kind == "ms":
        scene.stamp = lambda t: 1000.0 * t
    elif kind == "slow":
        scene.truth.size = size = float(rng.choice([0.5, 0.8, 0.9, 1.1, 2.0]))
        scene.stamp = lambda t: size * t
    else:
        scene.truth.size = size = 3600.0 * float(rng.choice([1.0, 1.0 / 720.0]))
        step = size if kind == "jump" else -size
        scene.stamp = lambda t: t + (step if t >= at else 0.0)


def slow_motion(scene: Scene, rng: np.random.Generator) -> None:
    """The simulation runs at half speed, or a fifth slower, and says so nowhere: who drives sees slow motion."""
    scene.pace = scene.truth.size = float(rng.choice([0.5, 0.8]))
    scene.truth.violated.add("pace")


def resting_foot(scene: Scene, rng: np.random.Generator) -> None:
    """A brake pedal that is not zero at rest, or stands, or is scaled; an accelerator that stands."""
    channels = scene.own.channels
    if "brake" not in channels:
        return
    kind = str(rng.choice(["rest", "stands", "scaled", "accelerator"]))
    scene.truth.fault += f" {kind}"
    if kind == "rest":
        scene.truth.size = size = float(rng.choice([0.02, 0.05, 0.2]))
        channels["brake"] = np.clip(channels["brake"] + size, 0.0, 1.0)
    elif kind == "stands":
        scene.truth.size = size = float(rng.choice([0.0, 0.3, 1.0]))
        channels["brake"] = np.where(scene.own.t >= _begin(rng), size, channels["brake"])
    elif kind == "scaled":
        channels["brake"] = 100.0 * channels["brake"]
    else:
        channels["accelerator"] = np.where(scene.own.t >= _begin(rng), 0.25, channels["accelerator"])


def lane_number(scene: Scene, rng: np.random.Generator) -> None:
    """Own car, the van or the car beside is said to be in the next lane."""
    told = (scene.own, scene.van, scene.beside)[int(rng.integers(3))]
    if "lane" not in told.channels:
        return
    by = 1.0 if told is not scene.beside else -1.0
    told.channels["lane"] = told.channels["lane"] + np.where(told.t >= _begin(rng), by, 0.0)


def stated_rate(scene: Scene, rng: np.random.Generator) -> None:
    """The hello says another rate than the feed has."""
    scene.truth.size = size = float(rng.choice([0.25, 0.5, 2.0, 4.0]))
    scene.stated_hz = size * scene.room.rate_hz


def broad(scene: Scene, rng: np.random.Generator) -> None:
    """A body that is said to be as broad as a road, or as a pencil: more or fewer vehicles are in the way."""
    told = (scene.own, scene.van, scene.beside)[int(rng.integers(3))]
    told.channels["width"] = np.full(len(told.t), float(rng.choice([0.1, 10.0])))


def no_pedals(scene: Scene, rng: np.random.Generator) -> None:
    """Pedals that are sent and not measured."""
    for name in ("brake", "accelerator"):
        scene.own.channels[name] = np.full(len(scene.own.t), math.nan)


def marker_gone(scene: Scene, rng: np.random.Generator) -> None:
    """A marker that never arrives, or that was never sent: the trigger's, or the alert's."""
    names = ["trigger", "alert_on"] if scene.group == "chime" else ["trigger"]
    kind = str(rng.choice(names))
    scene.truth.fault += f" {kind}"
    order = sorted(scene.markers, key=lambda one: one[0])
    at = next(place for place, one in enumerate(order) if one[1] == kind)
    if rng.random() < 0.5:
        scene.lost_markers = frozenset((at + 1,))
        scene.truth.fault += " lost"
    else:
        scene.markers = [one for place, one in enumerate(order) if place != at]


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
    kind = rng.integers(4)
    if kind == 3:
        begin = FIRE_S - float(rng.uniform(2.5, 9.0))
        name = str(rng.choice(["sound", "light"]))
        scene.markers += [(begin, "alert_on", "b", {"modality": name}), (begin + 0.8, "alert_off", "b", {})]
    elif kind == 0:
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
        *(alert, wrong_id, late_body, feigned, axes, exchange, vanish, lost, clock, slow_motion, resting_foot),
        *(no_pedals, marker_gone, lane_number, stated_rate, broad),
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
        single=bool(rng.random() < 0.2),
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
