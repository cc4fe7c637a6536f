"""The drive as a whole: the plan of its events, its physics, and that a seed says everything."""

from __future__ import annotations

import math
from itertools import combinations, pairwise

import pytest
from shapely import LineString, Point, Polygon

from monitor.simulation import SCENARIOS, SimulationPlan, drive_messages
from monitor.simulation.course import Course
from monitor.simulation.own_car import drag, pedal_accel
from tests.simulation.conftest import data_of, driven

CLEAN_SEEDS = range(1, 5)
GROUPS = ("chime", "seat-pulse", "light-strip", "no-alert")


def test_a_seed_gives_the_same_messages_again_and_another_seed_does_not() -> None:
    first, again = (list(drive_messages(SimulationPlan(seed=7))) for _ in range(2))
    assert first == again
    assert (
        list(drive_messages(SimulationPlan(seed=7, speed=20.0, bind="tcp://127.0.0.1:1", participant="Q02"))) == first
    )
    assert list(drive_messages(SimulationPlan(seed=8)))[500:] != first[500:]


def test_the_time_plan() -> None:
    drive = driven(seed=5)
    markers = drive.markers()
    assert (markers[0].kind, markers[0].t) == ("run_start", 0.0)
    assert markers[-1].kind == "run_end"
    assert drive.steps[-1].markers[-1] is markers[-1]
    assert 68.0 <= markers[-1].t <= 74.0
    (start,), (end,), items = (drive.markers(kind) for kind in ("task_start", "task_end", "task_item"))
    gate, gust = drive.markers("trigger")
    assert (start.name, gate.name, gust.name) == ("arrow-grid", "gate-brake", "side-gust")
    assert start.t == pytest.approx(28.5, abs=0.3)
    assert gate.t - start.t == pytest.approx(1.5, abs=0.1)
    assert end.t - start.t == pytest.approx(3.0)
    assert [item.t - start.t for item in items] == pytest.approx([0.0, 0.5, 1.0, 1.5, 2.0, 2.5])
    (on,), (off,) = drive.markers("alert_on"), drive.markers("alert_off")
    assert on.t - gate.t == pytest.approx(0.30)
    assert off.t - on.t == pytest.approx(0.8)
    assert on.data == {"modality": "sound", "measured": True}


def test_triggers_fire_on_the_first_frame_whose_sent_station_is_there() -> None:
    for seed in CLEAN_SEEDS:
        drive = driven(seed=seed)
        for trigger, station in zip(drive.markers("trigger"), (700.0, 1300.0), strict=True):
            reached = next(step.t for step in drive.steps if step.own["station"] >= station)
            assert trigger.t == reached


@pytest.mark.parametrize("group", GROUPS)
def test_a_clean_event_is_clean_for_every_group_and_seed(group: str) -> None:
    modality = {"chime": "sound", "seat-pulse": "vibration", "light-strip": "light", "no-alert": None}[group]
    for seed in range(20, 22):
        drive = driven(seed=seed, group=group)
        fire = drive.fire()
        t = fire["t"]
        assert 1.5 <= fire["time_gap_s"] <= 1.7
        assert abs(fire["closing_mps"]) < 0.5
        assert t < 31.0
        for step in drive.between(t - 3.0, t):
            assert 20.5 <= step.own["speed"] <= 24.0
            assert abs(step.own["lane_offset"]) < 0.35
            assert step.own["brake"] == 0.0
            assert step.own["accelerator"] > 0.1
        assert [data["modality"] for data in data_of(drive.markers("alert_on"))] == ([modality] if modality else [])
        assert not drive.markers("collision")
        response = drive.truth.response
        assert response["accelerator_release_s"] < response["brake_onset_s"]
        assert 0.5 < response["brake_onset_s"] < 2.2


def test_eyes_are_off_the_road_from_the_task_until_the_driver_looks_up() -> None:
    for group, first_s, last_s in (("chime", 0.3 + 0.45, 0.3 + 0.70), ("no-alert", 0.5, 1.5)):
        drive = driven(seed=6, group=group)
        off = [step.t for step in drive.steps if step.signals["eyes_on_road"] == 0.0]
        start, gate = drive.markers("task_start")[0].t, drive.markers("trigger")[0].t
        assert off[0] == start
        assert first_s - 0.02 <= off[-1] + 1 / 60 - gate <= last_s + 0.02
        assert len(off) == round((off[-1] - off[0]) * 60) + 1


def test_the_van_brakes_at_the_trigger_with_the_stated_ramp() -> None:
    drive = driven(seed=5)
    t = drive.fire()["t"]
    accel = {round((step.t - t) * 60): drive.other(step, 1)["accel"] for step in drive.between(t - 0.1, t + 3.0)}
    assert accel[0] == 0.0
    assert accel[12] == pytest.approx(-2.5, abs=1e-3)
    assert all(accel[frame] == pytest.approx(-5.0, abs=1e-3) for frame in range(24, 130))
    speeds = [drive.other(step, 1)["speed"] for step in drive.between(t, t + 6.0)]
    assert min(speeds) == pytest.approx(10.0, abs=1.2)


def test_the_gust_pushes_half_a_metre_and_steering_brings_the_car_back() -> None:
    for seed in CLEAN_SEEDS:
        drive = driven(seed=seed)
        t = drive.fire("side-gust")["t"]
        before = drive.between(t, t)[0].own["lane_offset"]
        least = min(step.own["lane_offset"] for step in drive.between(t, t + 2.0))
        assert -0.75 < least - before < -0.3
        assert max(step.own["steering_angle"] for step in drive.between(t, t + 2.0)) > 0.06
        assert abs(drive.between(t + 5.0, t + 5.0)[0].own["lane_offset"] - before) < 0.3
        assert next(step.t for step in drive.steps if step.signals["gust"] == 1.0) == t


@pytest.mark.parametrize("scenario", ["clean", "curve", "intruder"])
def test_speeds_and_positions_belong_together(scenario: str) -> None:
    drive = driven(scenario, seed=3)
    step_s = 1 / 60
    for now, after in pairwise(drive.steps):
        own, later = now.own, after.own
        assert later["speed"] - own["speed"] == pytest.approx(own["accel"] * step_s, abs=4e-5)
        way = (own["speed"] + later["speed"]) / 2 * step_s
        moved = math.dist((own["x"], own["y"]), (later["x"], later["y"]))
        if now.signals["gust"]:
            assert moved == pytest.approx(way, abs=0.002)
        else:
            assert moved == pytest.approx(way, abs=2e-4)
            course = math.atan2(later["y"] - own["y"], later["x"] - own["x"])
            assert course == pytest.approx((own["heading"] + later["heading"]) / 2, abs=0.003)
        assert later["heading"] - own["heading"] == pytest.approx(own["yaw_rate"] * step_s, abs=4e-5)
        for vehicle in set(now.others["id"]) & set(after.others["id"]):
            one, two = drive.other(now, vehicle), drive.other(after, vehicle)
            assert two["speed"] - one["speed"] == pytest.approx(one["accel"] * step_s, abs=4e-5)
            moved = math.dist((one["x"], one["y"]), (two["x"], two["y"]))
            sideways = 0.15 if vehicle == 9 else 0.002
            assert moved == pytest.approx((one["speed"] + two["speed"]) / 2 * step_s, abs=sideways)


@pytest.mark.parametrize("scenario", ["clean", "curve"])
def test_station_and_lane_offset_are_those_of_the_position_on_the_road_line(scenario: str) -> None:
    drive = driven(scenario, seed=3)
    reference = LineString(Course(2300.0, SCENARIOS[scenario].bend_at_m).vertices())
    for step in drive.steps[::7]:
        for vehicle in (step.own, *(drive.other(step, one) for one in (1, 2) if one in step.others["id"])):
            point = Point(vehicle["x"], vehicle["y"])
            station = reference.project(point)
            assert station == pytest.approx(vehicle["station"], abs=0.02)
            on, ahead = reference.interpolate(station), reference.interpolate(station + 0.1)
            left = (ahead.x - on.x) * (point.y - on.y) - (ahead.y - on.y) * (point.x - on.x)
            offset = math.copysign(on.distance(point), left)
            assert vehicle["lane"] == 0.0
            if vehicle is step.own:
                assert offset == pytest.approx(vehicle["lane_offset"] - 1.75, abs=0.01)


def test_acceleration_is_what_the_pedals_give() -> None:
    for scenario in ("already-braking", "two-footed"):
        for step in driven(scenario, seed=3).steps:
            own = step.own
            assert own["accel"] == pytest.approx(pedal_accel(own["accelerator"], own["brake"], own["speed"]), abs=2e-4)
            assert scenario == "two-footed" or not (own["accelerator"] > 0.0 and own["brake"] > 0.0)
    assert drag(80 / 3.6) == pytest.approx(0.596, abs=1e-3)


MOVES_OTHERWISE = [
    name
    for name, scenario in SCENARIOS.items()
    if not name.startswith(("task-", "pedal-", "platform-"))
    and not {"channels", "lost_about_fire_s", "lost_markers", "starts_at_m", "clock_drift"} & set(scenario.deviations())
]
"""The others have the motions of `clean`: see test_scenarios.py, "nothing else deviates"."""


@pytest.mark.parametrize("scenario", MOVES_OTHERWISE)
def test_bodies_overlap_only_in_a_collision(scenario: str) -> None:
    drive = driven(scenario, seed=4, rate_hz=20.0)
    touching = set()
    for step in drive.steps:
        # only vehicles within 8 m along the road can touch: the longest are 5.9 m and 4.8 m
        stations = [(step.own["station"], 0), *zip(step.others["station"], step.others["id"], strict=True)]
        stations.sort()
        for (behind_m, one), (ahead_m, two) in combinations(stations, 2):
            if ahead_m - behind_m < 8.0:
                pair = [step.own if vehicle == 0 else drive.other(step, vehicle) for vehicle in (one, two)]
                if _box(pair[0]).intersects(_box(pair[1])):
                    touching.add(tuple(sorted((one, two))))
    assert touching == ({(0, 1)} if scenario == "collision" else set())


def _box(vehicle: dict[str, float]) -> Polygon:
    cos, sin = math.cos(vehicle["heading"]), math.sin(vehicle["heading"])
    along, across = vehicle["length"] / 2, vehicle["width"] / 2
    corners = ((along, across), (along, -across), (-along, -across), (-along, across))
    return Polygon([(vehicle["x"] + a * cos - b * sin, vehicle["y"] + a * sin + b * cos) for a, b in corners])


def test_the_platform_stays_inside_its_travel() -> None:
    for scenario in ("clean", "collision", "double-fire"):
        for step in driven(scenario, seed=4).steps:
            for axis, travel in (("x", 2.0), ("y", 2.0), ("z", 1.0)):
                assert abs(step.signals[f"platform_{axis}"]) < travel


@pytest.mark.parametrize("rate_hz", [30.0, 120.0])
def test_another_frame_rate_gives_the_same_plan(rate_hz: float) -> None:
    steps = list(drive_messages(SimulationPlan(seed=5, rate_hz=rate_hz)))
    assert steps[1].t == pytest.approx(1 / rate_hz)
    fired = [marker.t for step in steps for marker in step.markers if marker.kind == "trigger"]
    assert fired[0] == pytest.approx(30.0, abs=0.4)
    assert len(fired) == 2


def test_a_longer_drive_only_drives_on() -> None:
    usual, longer = driven(seed=5, rate_hz=20.0), driven(seed=5, rate_hz=20.0, duration_factor=2.0)
    assert longer.steps[-1].t == pytest.approx(136.0, abs=0.1)
    for one, two in zip(usual.steps[:-1], longer.steps, strict=False):
        assert (one.own, one.markers) == (two.own, two.markers)


def test_extra_vehicles_are_there_and_in_nobodys_way() -> None:
    drive = driven(seed=5, extra_vehicles=200, rate_hz=10.0)
    for step in drive.steps[::10]:
        assert sum(1 for one in step.others["id"] if one >= 1000) == 200
        assert len(set(step.others["id"])) == len(step.others["id"])
    assert [step.own for step in drive.steps] == [step.own for step in driven(seed=5, rate_hz=10.0).steps]
    stations = sorted(drive.other(drive.steps[100], one)["station"] for one in range(1000, 1200))
    assert min(two - one for one, two in pairwise(stations)) > 5.0
