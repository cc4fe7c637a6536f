"""A drive written by hand, message by message, as the entries of a record."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

import msgpack
import numpy as np
import numpy.typing as npt

from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, pack_map, pack_opening
from monitor.study.loading import parse_study
from monitor.study.model import Study

STUDY = """
[study]
name = "hand"
title = "Written by hand"
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
[[trigger.fires_when]]
measure = "station"
at_least = 300.0
edge = "rising"
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
at_least = 19.0
at_most = 21.0
[[trigger.condition]]
name = "van braking"
measure = "lead.accel"
at_most = -4.0
within_s = 1.0
held_s = 0.5
[trigger.alert]
earliest_s = 0.1
latest_s = 0.6
[trigger.hazard]
role = "lead"
decel_at_least_mps2 = 2.0
within_s = 3.0
[trigger.response]
origin = "fire"
horizon_s = 3.0
"""

DEBRIEF = """
[[debrief]]
name = "expected"
ask = "Had you expected it?"
answers = ["no", "yes"]
expected = ["yes"]
[[debrief]]
name = "own words"
ask = "What happened?"
"""

Mark = tuple[float, str, str, dict[str, Any]]
"""A marker's time, kind, name and data."""
Floats = npt.NDArray[np.float64]

SPEED, GAP, OWN_LENGTH, VAN_LENGTH = 20.0, 30.0, 4.6, 5.9
FIRE_T = 10.0
"""The own car is at station 300 at t = 10 s: it begins at 100 m and drives 20 m/s."""


@dataclass
class HandDrive:
    """A straight drive at 60 Hz: own car at 20 m/s, a van 30.0 m ahead (1.5 s) that brakes at 5 m/s² from the fire on.

    Everything that a test wants to be otherwise is a field or a function of time. It ends six seconds after the fire,
    when everything about that is decided: what is to happen later wants a later end.
    """

    run: str = "run-a"
    rate_hz: float = 60.0
    end_t: float = 16.0
    fire_t: float | None = FIRE_T
    group: str | None = "chime"
    participant: str | None = None
    scenario: str | None = None
    own: Callable[[float], Mapping[str, float]] = lambda t: {}
    van: Callable[[float], Mapping[str, Any]] = lambda t: {}
    signals: Callable[[float], Mapping[str, Any]] = lambda t: {}
    markers: list[Mark] = field(
        default_factory=lambda: [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True})]
    )
    lost_frames: frozenset[int] = frozenset()
    lost_markers: frozenset[int] = frozenset()
    brake_mps2: float = 5.0
    wall: Callable[[float], float | None] = lambda t: None
    more_vehicles: Callable[[float], list[dict[str, Any]]] = lambda t: []
    ends: bool = True
    road: dict[str, Any] | None = None
    unnumbered: bool | None = None
    markers_by_frames: bool | None = None
    warp: Callable[[float], float] = lambda t: t
    """Simulated time at each step of the drive: where it jumps, the picture does."""
    stamp: Callable[[float], float] = lambda t: t
    """The time that a frame or marker of a true time says."""
    number: Callable[[int], int] = lambda seq: seq
    """The sequence number that a frame says."""
    own_speed: Callable[[float], float] | None = None
    """Own car's speed, with place, station and acceleration to go with it: a drive in which all channels agree."""
    van_decel: Callable[[float], float] | None = None
    """The van's deceleration in m/s², with speed and place to go with it."""
    _tables: dict[str, tuple[Floats, Floats, Floats, Floats]] = field(default_factory=dict, repr=False)

    def messages(self) -> Iterator[tuple[float, list[bytes]]]:
        """(time, frames of one message) in the order in which a simulator sends them."""
        marks = sorted(
            [
                (0.0, "run_start", "run", {}),
                *([(self.fire_t, "trigger", "gate-brake", {})] if self.fire_t is not None else []),
                *self.markers,
                *([(self.end_t, "run_end", "run", {})] if self.ends else []),
            ],
            key=lambda mark: mark[0],
        )
        packed = [
            {"v": 1, "run": self.run, "n": n, "t": self.stamp(t), "kind": kind, "name": name, "data": data}
            for n, (t, kind, name, data) in enumerate(marks, start=1)
        ]
        sent = 0
        for seq in range(round(self.end_t * self.rate_hz) + 1):
            t = self.warp(seq / self.rate_hz)
            if seq % round(self.rate_hz) == 0:
                yield t, [b"hello", msgpack.packb(self._hello(packed[max(sent - 32, 0) : sent]))]
            while sent < len(packed) and marks[sent][0] <= t + 1e-9:
                sent += 1
                if sent not in self.lost_markers:
                    yield t, [b"marker", msgpack.packb(packed[sent - 1])]
            if seq not in self.lost_frames:
                yield t, [b"frame", msgpack.packb(self._frame(seq, t, sent))]

    def _hello(self, recent: list[dict[str, Any]]) -> dict[str, Any]:
        hello: dict[str, Any] = {
            "v": 1,
            "run": self.run,
            "source": "hand",
            "rate_hz": self.rate_hz,
            "signals": {"eyes_on_road": "1"},
            "recent": recent,
        }
        for name in ("group", "participant", "scenario", "road", "unnumbered", "markers_by_frames"):
            if getattr(self, name) is not None:
                hello[name] = getattr(self, name)
        return hello

    def _frame(self, seq: int, t: float, markers: int) -> dict[str, Any]:
        station = 100.0 + SPEED * t
        braking, stop = self._braking(t)
        van_station = self.place_of_van(t)
        own = {
            "x": station,
            "y": 0.0,
            "heading": 0.0,
            "speed": SPEED,
            "accel": 0.0,
            "length": OWN_LENGTH,
            "width": 1.84,
            "station": station,
            "lane": 1,
            "lane_offset": 0.0,
            "lane_width": 3.5,
            "accelerator": 0.3,
            "brake": 0.0,
            "steering_angle": 0.0,
            "yaw_rate": 0.0,
            **self._driven(t),
            **self.own(t),
        }
        van = {
            "id": 1,
            "x": van_station,
            "y": 0.0,
            "heading": 0.0,
            "speed": SPEED - self.brake_mps2 * stop,
            "accel": -self.brake_mps2 if 0 < braking and stop == braking else 0.0,
            "length": VAN_LENGTH,
            "width": 2.0,
            "station": van_station,
            "lane": 1,
            **self._braked(t),
            **self.van(t),
        }
        more = self.more_vehicles(t)
        frame: dict[str, Any] = {
            "v": 1,
            "run": self.run,
            "seq": self.number(seq),
            "t": self.stamp(t),
            "own": own,
            "others": {
                name: [value, *(vehicle[name] for vehicle in more)] if more else [value] for name, value in van.items()
            },
            "signals": {"eyes_on_road": not abs(t - (self.fire_t or FIRE_T)) < 1.5, **self.signals(t)},
            "markers": markers,
        }
        if self.wall(t) is not None:
            frame["wall"] = self.wall(t)
        return frame

    def _braking(self, t: float) -> tuple[float, float]:
        """For how long the van has been scripted to brake, and for how long it did until it stood."""
        braking = max(t - (self.fire_t if self.fire_t is not None else 1e9), 0.0)
        return braking, min(braking, SPEED / self.brake_mps2) if self.brake_mps2 else braking

    def place_of_van(self, t: float) -> float:
        """The van's centre along the road."""
        braking, stop = self._braking(t)
        place = 100.0 + GAP + (OWN_LENGTH + VAN_LENGTH) / 2 + SPEED * t
        return place - (SPEED * braking - (SPEED * stop - self.brake_mps2 * stop * stop / 2))

    def _driven(self, t: float) -> dict[str, float]:
        if self.own_speed is None:
            return {}
        if "own" not in self._tables:
            grid, speed, way = self._integrated(self.own_speed)
            self._tables["own"] = grid, speed, way, np.gradient(speed, grid)
        grid, speed, way, accel = self._tables["own"]
        place = 100.0 + float(np.interp(t, grid, way))
        own = {"speed": float(np.interp(t, grid, speed)), "accel": float(np.interp(t, grid, accel))}
        return {"x": place, "station": place, **own}

    def _braked(self, t: float) -> dict[str, float]:
        if self.van_decel is None:
            return {}
        if "van" not in self._tables:
            grid, decel, lost = self._integrated(self.van_decel)
            speed = np.maximum(SPEED - lost, 0.0)
            way = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(grid))])
            self._tables["van"] = grid, speed, way, decel
        grid, speed, way, decel = self._tables["van"]
        place = 100.0 + GAP + (OWN_LENGTH + VAN_LENGTH) / 2 + float(np.interp(t, grid, way))
        van_speed = float(np.interp(t, grid, speed))
        accel = 0.0 if van_speed <= 0.0 else -float(np.interp(t, grid, decel))
        return {"x": place, "station": place, "speed": van_speed, "accel": accel}

    def _integrated(self, rate: Callable[[float], float]) -> tuple[Floats, Floats, Floats]:
        """A fine grid of times, a rate on it, and its integral."""
        grid = np.arange(0.0, self.end_t + 1.0, 1.0 / 960.0)
        values = np.array([rate(float(t)) for t in grid])
        integral = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(grid))])
        return grid, values, integral


@cache
@lru_cache(maxsize=32)
def study_of(text: str = STUDY) -> Study:
    """The study, which must have no fault. It is read once: nothing in it can be changed."""
    return parse_study(text, "hand.toml")


def opening_of(study: Study, *, group: str | None = "chime", participant: str = "Q01", **more: Any) -> Opening:
    """The opening of a participant's run."""
    return Opening(participant, group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {}, **more)


def dips(to: float, begin_t: float, end_t: float, ramp_s: float = 0.1) -> Callable[[float], float]:
    """A speed that is 20 m/s, goes down (or up) to `to` between two times, and comes back."""

    def speed(t: float) -> float:
        into = min(max((t - begin_t + ramp_s) / ramp_s, 0.0), 1.0)
        out = min(max((t - end_t) / ramp_s, 0.0), 1.0)
        return SPEED + (to - SPEED) * (into - out)

    return speed


def entries_of(*drives: HandDrive, operator: list[dict[str, Any]] = [], close: bool = True) -> list[Entry]:  # noqa: B006
    """The drives as a record's entries; the receive times are those of the simulation, 1 ms a message apart."""
    study = study_of()
    entries = [Entry(EntryKind.OPENING, 1, 0, 0, pack_opening(opening_of(study)))]
    for drive in drives:
        for t, frames in drive.messages():
            ns = round(t * 1e9)
            entries.append(
                Entry(EntryKind.MESSAGE, len(entries) + 1, ns, 1_700_000_000_000_000_000 + ns, pack_frames(frames))
            )
    for fields in operator:
        entries.append(Entry(EntryKind.OPERATOR, len(entries) + 1, 0, 0, pack_map(fields)))
    if close:
        entries.append(Entry(EntryKind.CLOSE, len(entries) + 1, 0, 0, pack_map({"why": "test"})))
    return entries


def judged(*drives: HandDrive, study: Study | None = None, group: str | None = "chime", **more: Any) -> Session:
    """The session after all entries of the drives, in one block."""
    study = study or study_of()
    session = Session(study, opening_of(study, group=group, **more))
    session.take(entries_of(*drives))
    return session


def live(*drives: HandDrive, study: Study | None = None, group: str | None = "chime", **more: Any) -> Session:
    """The session as a screen has it while the record is still open."""
    study = study or study_of()
    session = Session(study, opening_of(study, group=group, **more))
    session.take(entries_of(*drives, close=False))
    return session


def first_trial(drive: HandDrive, text: str = STUDY) -> Trial:
    """The first trial of a drive, after all of it."""
    return judged(drive, study=study_of(text)).trials()[0]


def only_trial(drive: HandDrive, text: str = STUDY) -> Trial:
    """The one trial of a drive, after all of it."""
    (trial,) = judged(drive, study=study_of(text)).trials()
    return trial


def found_codes(trial: Trial) -> list[str]:
    """The codes of what was found about a trial."""
    return [one.code for one in trial.findings]
