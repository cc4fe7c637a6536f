"""Each scenario's deviation is really in the messages, and has the size that it states."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import pytest

from monitor.simulation import SCENARIOS
from tests.simulation.conftest import data_of
from tests.simulation.conftest import driven as usual

SEED = 4
RATE_HZ = 30.0


driven = partial(usual, seed=SEED, rate_hz=RATE_HZ)
"""Drives at half the usual frame rate, which shows as much and takes half the time."""


def test_gap_too_long() -> None:
    assert driven("gap-too-long").fire()["time_gap_s"] == pytest.approx(2.6, abs=0.1)


def test_too_slow() -> None:
    fire = driven("too-slow").fire()
    assert fire["speed_mps"] == pytest.approx(65 / 3.6, abs=0.4)
    assert fire["time_gap_s"] == pytest.approx(1.6, abs=0.1)


def test_catching_up_closes_and_has_the_usual_gap() -> None:
    for seed in (1, 2, SEED):
        fire = driven("catching-up", seed=seed).fire()
        assert fire["closing_mps"] == pytest.approx(2.5, abs=0.3)
        assert fire["time_gap_s"] == pytest.approx(1.6, abs=0.15)


def test_curve() -> None:
    drive = driven("curve")
    t = drive.fire()["t"]
    for step in drive.between(t, t):
        assert step.own["yaw_rate"] == pytest.approx(step.own["speed"] / 400.0, abs=0.01)


def test_drifting_and_straddling() -> None:
    for name, least, most in (("drifting", -1.1, -0.6), ("lane-straddle", 1.0, 1.6)):
        drive = driven(name)
        t = drive.fire()["t"]
        assert all(least < step.own["lane_offset"] < most for step in drive.between(t - 1.5, t))
        assert drive.fire()["time_gap_s"] == pytest.approx(1.6, abs=0.1)


def test_eyes_up() -> None:
    assert {step.signals["eyes_on_road"] for step in driven("eyes-up").steps} == {1.0}


def test_soft_braking() -> None:
    drive = driven("soft-braking")
    t = drive.fire()["t"]
    assert min(drive.other(step, 1)["accel"] for step in drive.between(t, t + 4.0)) == pytest.approx(-1.5, abs=1e-3)


@pytest.mark.parametrize(("name", "shift_s"), [("early-fire", -0.5), ("late-fire", 0.25), ("clean", 0.0)])
def test_fires_early_and_late(name: str, shift_s: float) -> None:
    drive = driven(name)
    reached = next(step.t for step in drive.steps if step.own["station"] >= 700.0)
    assert drive.fire()["t"] - reached == pytest.approx(shift_s, abs=1.5 / RATE_HZ)


def test_never_fired_reaches_the_point_and_nothing_happens() -> None:
    drive = driven("never-fired")
    assert [marker.name for marker in drive.markers("trigger")] == ["side-gust"]
    assert not drive.markers("alert_on")
    reached = next(step.t for step in drive.steps if step.own["station"] >= 700.0)
    assert min(drive.other(step, 1)["accel"] for step in drive.between(reached, reached + 6.0)) > -1.0


def test_not_reached_ends_before_the_point() -> None:
    drive = driven("not-reached")
    assert drive.steps[-1].own["station"] < 600.0
    assert [marker.kind for marker in drive.markers()] == ["run_start", "run_end"]


def test_double_fire_brakes_again() -> None:
    drive = driven("double-fire")
    first, second, _ = drive.markers("trigger")
    assert (first.name, second.name) == ("gate-brake", "gate-brake")
    assert second.t - first.t == pytest.approx(4.0)
    braking = [step.t for step in drive.between(second.t, second.t + 2.0) if drive.other(step, 1)["accel"] < -4.5]
    assert len(braking) > 20


def test_practice_fires_nothing_and_says_so() -> None:
    drive = driven("practice")
    assert not drive.markers("trigger", "alert_on")
    assert {step.signals["gust"] for step in drive.steps} == {0.0}
    assert SCENARIOS["practice"].feed_scenario == "practice"
    assert {one.feed_scenario for one in SCENARIOS.values()} == {"practice", "dusk-road"}


@pytest.mark.parametrize(
    ("group", "assigned", "wrong"),
    [
        ("chime", ["sound"], ["vibration"]),
        ("seat-pulse", ["vibration"], ["light"]),
        ("light-strip", ["light"], ["sound"]),
        ("no-alert", [], ["sound"]),
    ],
)
def test_alerts(group: str, assigned: list[str], wrong: list[str]) -> None:
    def given(name: str) -> list[str]:
        return [data["modality"] for data in data_of(driven(name, group=group).markers("alert_on"))]

    assert given("clean") == assigned
    assert given("wrong-alert") == wrong
    assert given("silent-alert") == []


def test_alert_timing_and_evidence() -> None:
    late, doubled = driven("late-alert"), driven("doubled-alert")
    assert [marker.t - late.fire()["t"] for marker in late.markers("alert_on")] == pytest.approx([1.2])
    assert [marker.t - doubled.fire()["t"] for marker in doubled.markers("alert_on")] == pytest.approx([0.3, 1.2])
    commanded = driven("alert-commanded-only")
    assert [data["measured"] for data in data_of(commanded.markers("alert_on", "alert_off"))] == [False, False]


def test_task() -> None:
    def shape(name: str) -> tuple[int, float | None, float | None]:
        drive = driven(name)
        start, end, items = (drive.markers(kind) for kind in ("task_start", "task_end", "task_item"))
        spacing = {round(two.t - one.t, 6) for one, two in pairwise(items)}
        return len(items), spacing.pop() if spacing else None, round(end[0].t - start[0].t, 6) if start else None

    assert shape("clean") == (6, 0.5, 3.0)
    assert shape("task-missing") == (0, None, None)
    assert shape("task-four-items") == (4, 0.5, 3.0)
    assert shape("task-slow-items") == (6, 0.6, 3.0)
    assert shape("task-ended-early") == (6, 0.5, 2.6)


def test_clock_drift_shows_in_the_sync_marks() -> None:
    marks = driven("clock-drift").markers("sync")
    assert len(marks) == 14
    off = [data["clock_s"] - mark.t for mark, data in zip(marks, data_of(marks), strict=True)]
    assert off[-1] - off[0] == pytest.approx(0.002 * 65.0)


def test_pedals_before_the_hazard() -> None:
    braking, coasting, resting = (driven(name) for name in ("already-braking", "coasting", "two-footed"))
    t = braking.fire()["t"]
    assert [step.own["brake"] for step in braking.between(t - 0.7, t)] == pytest.approx([0.1] * 22, abs=1e-4)
    assert 1.3 < braking.fire()["time_gap_s"] < 1.9
    assert braking.fire()["speed_mps"] > 20.0
    t = coasting.fire()["t"]
    assert {(step.own["accelerator"], step.own["brake"]) for step in coasting.between(t - 1.0, t)} == {(0.0, 0.0)}
    t = resting.fire()["t"]
    assert all(0.01 < step.own["brake"] < 0.02 and step.own["accelerator"] > 0.1 for step in resting.between(0.5, t))


def test_collision_comes_before_any_response() -> None:
    for seed in range(1, 5):
        drive = driven("collision", seed=seed)
        (contact,) = drive.markers("collision")
        (data,) = data_of([contact])
        assert contact.name == "van"
        assert data["with"] == 1
        assert 5.0 < data["impact_mps"] < 14.0
        t = drive.fire()["t"]
        assert contact.t < t + 5.0
        before = drive.between(t, contact.t)
        assert {step.own["brake"] for step in before} == {0.0}
        assert max(step.own["accelerator"] for step in before) - min(step.own["accelerator"] for step in before) < 0.01


@pytest.mark.parametrize("name", ["no-response", "steers-only"])
def test_no_pedal_is_moved_and_nothing_is_hit(name: str) -> None:
    for seed in range(1, 3):
        drive = driven(name, seed=seed)
        t = drive.fire()["t"]
        after = drive.between(t, t + 5.5)
        assert {step.own["brake"] for step in after} == {0.0}
        assert max(step.own["accelerator"] for step in after) - min(step.own["accelerator"] for step in after) < 0.01
        assert not drive.markers("collision")
        assert sum(1 for step in after if drive.other(step, 1)["accel"] <= -4.5) > 0.6 * RATE_HZ
        steered = max(abs(step.own["steering_angle"]) for step in after)
        assert (steered > 0.1) == (name == "steers-only")
        gust_t = drive.fire("side-gust")["t"]
        assert max(step.own["steering_angle"] for step in drive.between(gust_t, gust_t + 2.0)) > 0.06


def test_anticipating() -> None:
    response = driven("anticipating").truth.response
    assert response["brake_onset_s"] == pytest.approx(0.25, abs=0.02)
    assert response["accelerator_release_s"] < 0.11


def test_intruder_is_the_nearest_at_the_fire_and_brakes_behind_the_van() -> None:
    for seed in (1, 2, SEED):
        drive = driven("intruder", seed=seed)
        fire = drive.fire()
        t = fire["t"]
        lanes = {round(step.t - t, 3): drive.other(step, 9)["lane"] for step in drive.between(t - 3.0, t)}
        assert lanes[-2.5] == -1.0
        assert lanes[-1.0] == lanes[0.0] == 0.0
        assert fire["ahead"] == 9
        assert 1.3 < fire["time_gap_s"] < 1.5
        assert drive.other(drive.between(t, t)[0], 9)["name"] == "hatchback"
        assert min(drive.other(step, 9)["accel"] for step in drive.between(t + 0.5, t + 1.0)) < -4.0
        assert drive.fire("side-gust")["speed_mps"] > 19.0


def test_lead_swap_puts_another_vehicle_into_the_vans_place() -> None:
    drive = driven("lead-swap")
    t = drive.fire()["t"]
    first = next(step.t for step in drive.steps if 8 in step.others["id"])
    assert t - first == pytest.approx(0.8, abs=0.06)
    assert drive.other(drive.between(t, t)[0], 8)["name"] == "estate"
    assert not any(1 in step.others["id"] for step in drive.between(t, 60.0))


def test_frames_lost() -> None:
    drive = driven("frames-lost")
    lost = [step.t for step in drive.steps if step.lost]
    assert len(lost) == 6
    assert lost[0] < drive.fire()["t"] < lost[-1]
    assert not any(marker.lost for marker in drive.markers())


def test_marker_lost_loses_the_alert_only() -> None:
    assert [one.kind for one in driven("marker-lost").markers() if one.lost] == ["alert_on", "alert_off"]


def test_late_start_begins_at_once_and_just_before_the_event() -> None:
    drive = driven("late-start")
    heard = [step for step in drive.steps if not step.lost]
    assert drive.fire()["t"] - heard[0].t == pytest.approx(0.9, abs=0.05)
    assert heard[0].due_s == 0.0
    assert {step.due_s for step in drive.steps if step.lost} == {0.0}
    assert [marker.kind for marker in drive.markers() if marker.lost][:2] == ["run_start", "task_start"]


def test_stutter_stands_still_once() -> None:
    drive, clean = driven("stutter"), driven()
    fire_t = drive.fire()["t"]
    for one, two in pairwise(drive.steps):
        expected = 1 / RATE_HZ + (0.25 if one.t == fire_t else 0.0)
        assert two.wall - one.wall == pytest.approx(expected, abs=1e-6)
        assert two.due_s - one.due_s == pytest.approx(expected, abs=1e-9)
        assert two.t - one.t == pytest.approx(1 / RATE_HZ)
        assert (two.own == one.own) == (one.t == fire_t)
    changed = [one.t for one, two in zip(drive.steps, clean.steps, strict=True) if one.own != two.own]
    assert changed == pytest.approx([fire_t + 1 / RATE_HZ])


def test_frozen_speed_stands_while_the_car_changes_speed_before_and_after_the_fire() -> None:
    for seed in range(1, 3):
        drive, clean = driven("frozen-speed", seed=seed), driven(seed=seed)
        t = drive.fire()["t"]
        assert len({step.own["speed"] for step in drive.steps if step.own["station"] >= 250.0}) == 1
        true = [step.own["speed"] for step in clean.between(t - 10.0, t)]
        assert max(true) - min(true) > 0.15
        assert min(step.own["accel"] for step in drive.between(t, t + 3.0)) < -4.0


def test_wrong_units_and_axes() -> None:
    clean = driven()
    for name, channel, factor in (("wrong-units", "speed", 3.6), ("mirrored-axes", "yaw_rate", -1.0)):
        for one, two in zip(driven(name).steps, clean.steps, strict=True):
            assert one.own[channel] == pytest.approx(two.own[channel] * factor, abs=2e-5)


def test_stuck_pedals_and_platform() -> None:
    def values(name: str, group: str, channel: str, station_m: float) -> set[float]:
        steps = [step for step in driven(name).steps if step.own["station"] >= station_m]
        return {getattr(step, group)[channel] for step in steps}

    assert len(values("pedal-stuck", "own", "accelerator", 250.0)) == 1
    assert values("pedal-saturated", "own", "accelerator", 250.0) == {1.0}
    assert min(values("pedal-offset", "own", "brake", 250.0)) == pytest.approx(0.05, abs=1e-4)
    assert values("platform-faded", "signals", "platform_x", 400.0) == {0.0}
    assert values("platform-limit", "signals", "platform_x", 640.0) == {2.0}


def test_a_resting_foot_is_never_still_and_an_offset_always_is() -> None:
    clean = driven().fire()["t"]
    resting = {step.own["brake"] for step in driven("two-footed").between(clean - 5.0, clean)}
    assert len(resting) > 50
    assert 0.01 < min(resting) < max(resting) < 0.02
    (offset,) = {step.own["brake"] for step in driven("pedal-offset").between(clean - 5.0, clean)}
    assert offset == pytest.approx(0.05, abs=2e-5)


def test_another_trigger_a_missing_hazard_and_an_abort() -> None:
    other = driven("wrong-trigger")
    assert [one.name for one in other.markers("trigger")] == ["gate-open", "side-gust"]
    quiet = driven("no-hazard")
    t = quiet.fire()["t"]
    assert min(quiet.other(step, 1)["accel"] for step in quiet.between(t, t + 3.0)) > -0.5
    aborted = driven("aborted")
    (mark,) = aborted.markers("abort")
    assert mark.t - aborted.fire()["t"] == pytest.approx(0.8, abs=1.0 / RATE_HZ + 1e-9)
    assert aborted.steps[-1].t == pytest.approx(mark.t)


def test_slow_motion_takes_longer_on_the_wall_clock() -> None:
    steps = driven("slow-motion").steps
    assert steps[-1].wall - steps[0].wall == pytest.approx((steps[-1].t - steps[0].t) / 0.9)
    assert steps[-1].due_s == pytest.approx(steps[-1].t / 0.9)
