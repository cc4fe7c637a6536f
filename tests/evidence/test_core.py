"""The evidence tests over arrays: hand-computed residues, no false alarm in clean drives, limits as they are stated."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from monitor.judging.evidence.bodies import Body, cut, grain, sampling_of, third_difference_noise
from monitor.judging.evidence.closure import close
from monitor.judging.evidence.continuity import breaks
from monitor.judging.evidence.pairs import HEADING_YAW_RATE, PLACE_SPEED, SPEED_ACCEL
from monitor.judging.evidence.smoothing import smoothed
from monitor.judging.evidence.standing import stands
from monitor.judging.evidence.tellings import Asked, tellings_of
from monitor.judging.rules.signals import unsteady
from monitor.measures.columns import FloatArray
from tests.evidence.drives import Room
from tests.evidence.faults import KINDS
from tests.evidence.finding import NOISES, STARTS, false_alarm, found_from, is_found
from tests.evidence.tables import stated_limit

HZ = 60.0


def straight(moves: float = 20.0, **told: np.ndarray) -> Body:
    """A car that goes straight on for 20 s, without noise; `told`: channels that say otherwise."""
    t = np.arange(int(20.0 * HZ) + 1) / HZ
    n = len(t)
    channels = {
        "x": moves * t,
        "y": np.zeros(n),
        "heading": np.zeros(n),
        "speed": np.full(n, moves),
        "accel": np.zeros(n),
    }
    return Body("own car", t, np.arange(n, dtype=np.int64), {**channels, **told})


def test_the_residue_of_a_scaled_speed_runs_away_by_the_share_of_the_way() -> None:
    """Speed 5 % too high: in 8 s the windows' quarter means are 6 s apart, so the residue falls by 0.05·20·6 m."""
    t = straight().t
    closed = close(straight(), PLACE_SPEED)
    assert closed is not None
    assert all(float(np.abs(one.change).max()) < 1e-9 for one in closed.windows)
    spoiled = close(straight(speed=np.full(len(t), 21.0)), PLACE_SPEED)
    assert spoiled is not None
    eight = next(one for one in spoiled.windows if one.seconds == 8.0)
    np.testing.assert_allclose(eight.change, -6.0, atol=0.02)
    assert float(np.abs(eight.change / eight.limit).min()) > 1.0


def test_a_limit_is_noise_and_allowances_worked_by_hand() -> None:
    """Without noise, constant speed: 1 % and 0.3 % of 20·T m, 0.02·T m and 0.3 m."""
    closed = close(straight(), PLACE_SPEED)
    assert closed is not None
    for one in closed.windows:
        expected = 0.013 * 20.0 * one.seconds + 0.02 * one.seconds + 0.3
        np.testing.assert_allclose(one.limit, expected, rtol=0.02)


def test_a_number_beyond_all_measure_in_one_frame_hides_no_difference_elsewhere() -> None:
    """Some feeds fill what is not measured with the largest number there is: squared, it is infinite."""
    like = straight()
    place = np.where(like.t == like.t[-60], np.finfo(np.float64).max, like.channels["x"])
    wrong = straight(x=place, speed=np.full(len(like), 25.0))
    with np.errstate(over="ignore", invalid="ignore"):
        found = tellings_of(wrong, "speed", Asked(0.0, 10.0, 20.0), that_disagree=True)
    assert "x, y" in [one.by for one in found]


def test_a_speed_is_rebuilt_by_the_way_moved() -> None:
    t = straight().t
    body = straight(speed=np.full(len(t), 25.0))
    by = {one.by: one for one in tellings_of(body, "speed", Asked(19.0, 20.0, 20.0))}
    assert set(by) == {"x, y", "accel"}
    assert by["x, y"].disagrees
    assert not by["accel"].disagrees  # a constant error changes nothing
    np.testing.assert_allclose(by["x, y"].value[-60:], 20.0, atol=0.01)
    assert by["x, y"].off[-1] < 1.0


@pytest.mark.parametrize("seed", range(6))
def test_a_pair_is_held_against_itself_the_same_whatever_other_pairs_there_are(seed: int) -> None:
    """All pairs of a body are one table; each by itself, in a body that has no other channels, comes to the same."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(20.0 * HZ) + 1) / HZ
    drift = np.cumsum(rng.normal(0.0, 0.02, len(t)))
    speed = 20.0 + np.sin(0.3 * t) + drift + rng.normal(0.0, 0.05, len(t))
    heading = 0.05 * np.sin(0.2 * t) + rng.normal(0.0, 0.001, len(t))
    told = {
        "x": np.cumsum(speed) / HZ + rng.normal(0.0, 0.03, len(t)),
        "heading": heading,
        "speed": speed,
        "accel": np.gradient(speed, t) + rng.normal(0.0, 0.1, len(t)),
        "yaw_rate": np.gradient(heading, t),
        "station": np.cumsum(speed) / HZ,
    }
    if seed % 2:
        told["station"][300:330] = np.nan  # a pair with holes is not in the table of the others
    like = straight()
    body = Body(like.who, like.t, like.seq, {**like.channels, **told})
    alone = {SPEED_ACCEL: ("speed", "accel"), HEADING_YAW_RATE: ("heading", "yaw_rate")}
    for pair, names in alone.items():
        rest = {name: body.channels[name] for name in (*names, "speed")}  # by the way moved something is allowed
        both = close(body, pair), close(Body(body.who, body.t, body.seq, rest), pair)
        whole, single = (one for one in both if one is not None)
        for many, one in zip(whole.windows, single.windows, strict=True):
            for name in ("begin", "end", "change", "limit", "noise", "early"):
                np.testing.assert_allclose(getattr(many, name), getattr(one, name), rtol=1e-9, atol=1e-12, err_msg=name)
        np.testing.assert_array_equal(whole.residue, single.residue)


@pytest.mark.parametrize("piece_s", [0.5, 1.0])
@pytest.mark.parametrize("rate_hz", [10, 20, 60])
def test_pieces_of_a_stretch_begin_at_frames_of_it(rate_hz: int, piece_s: float) -> None:
    """Also where a sum of pieces comes out beyond its last frame: at 10 Hz from 31.7 s to 37.2 s by 4·10⁻¹⁴ s."""
    frames = round(5.5 * rate_hz)
    for first in range(317 - 3 * rate_hz, 3600 * rate_hz, 7 * rate_hz // 10 if rate_hz > 10 else 1):
        t = np.arange(first, first + frames + 1) / rate_hz
        begins = cut(t, piece_s)
        assert begins[0] == 0
        assert begins[-1] < len(t)
        assert float(np.abs(np.diff(t[begins]) - piece_s).max()) < 1.5 / rate_hz


def test_noise_resolution_and_hold_of_a_column() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(2000) / HZ
    noisy = 20.0 + np.sin(t) + rng.normal(0.0, 0.05, 2000)
    assert third_difference_noise(noisy) == pytest.approx(0.05, rel=0.1)
    assert third_difference_noise(20.0 + np.sin(t)) < 1e-5
    held = np.repeat(noisy[::3], 3)[:2000]
    assert grain(held, 1.0 / HZ).hold == 3.0
    assert grain(np.round(20.0 + 3.0 * np.sin(0.2 * t), 1), 1.0 / HZ).resolution == pytest.approx(0.1)
    assert grain(np.where(t > 10.0, -5.0, 0.0), 1.0 / HZ).resolution == 0.0


@pytest.mark.parametrize(("tick_s", "jitter_s"), [(0.0, 0.002), (0.0156, 0.0)])
def test_the_clock_of_time_stamps_is_measured(tick_s: float, jitter_s: float) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(1200) / HZ
    stamped = np.floor(t / tick_s + 1e-9) * tick_s if tick_s else t + rng.normal(0.0, jitter_s, len(t))
    keep = np.concatenate([[True], np.diff(np.maximum.accumulate(stamped)) > 0.0])
    found = sampling_of(stamped[keep], np.arange(1200)[keep])
    assert found.number_s == pytest.approx(1.0 / HZ, rel=1e-3)
    assert found.clock_s == pytest.approx(2.58 * math.sqrt(2.0) * jitter_s if jitter_s else 0.0145, rel=0.25)


def test_a_line_through_noise_is_within_what_it_may_be_off() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(3000) / HZ
    truth = 20.0 - 3.0 * np.maximum(t - 25.0, 0.0)
    one = smoothed(t, truth + rng.normal(0.0, 0.1, len(t)), 40.0, 1.0 / HZ)
    calm = (t < 24.5) | ((t > 25.5) & (t < 40.0))
    assert float((np.abs(one.value - truth) / one.off)[calm].max()) < 1.0
    assert 0.05 < float(np.median(one.off)) < 0.3
    np.testing.assert_array_equal(smoothed(t, truth, 40.0, 1.0 / HZ).value, truth)


def test_a_channel_that_stands_is_found_and_a_parked_car_is_not() -> None:
    x = straight().channels["x"].copy()
    x[600:606] = x[600]
    found = stands(straight(x=x))
    assert [(one.channel, one.begin, one.end) for one in found] == [("place", 600, 605)]
    assert stands(straight(moves=0.0)) == []
    assert stands(straight()) == []  # a constant speed is no standing one


def test_a_jump_and_another_body_are_found() -> None:
    t = straight().t
    x = straight().channels["x"] + np.where(t > 10.0, 4.0, 0.0)
    length = np.where(t > 12.0, 4.2, 4.6)
    found = breaks(straight(x=x, length=length))
    assert [(one.what, round(float(t[one.at]), 2), one.after) for one in found] == [
        ("place", 10.02, pytest.approx(4.0, abs=1e-6)),
        ("length", 12.02, 4.2),
    ]


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (lambda t: np.floor(t / 0.05) % 2, "it changed 8 times for less than 0.12 s within 10 s"),
        (lambda t: np.where((t > 3.0) & (t < 12.0), 0.0, 1.0), "it stayed off for 9.0 s"),
        (lambda t: np.where((t % 4.0) < 1.4, 0.0, 1.0), None),
    ],
)
def test_a_signal_that_changes_as_nobody_does_is_no_evidence(
    value: Callable[[FloatArray], FloatArray], words: str | None
) -> None:
    t = np.arange(1800) / HZ
    told = unsteady(t, value(t))
    assert told is None if words is None else words in str(told)


@pytest.mark.parametrize("drives", [8, pytest.param(40, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("level", "slow_s"), [(0, 0.0), (1, 0.0), (2, 0.0), (1, 0.5)])
def test_clean_drives_give_no_alarm(level: int, slow_s: float, drives: int) -> None:
    """Drives of each kind: bends, lane changes, hard braking, standstill, reversing, ticks, jitter, loss."""
    assert {seed: told for seed in range(drives) if (told := false_alarm(seed, level, slow_s))} == {}


@pytest.mark.parametrize(
    ("name", "size"),
    [
        ("speed scale", 4.0),
        ("speed offset", 0.8),
        ("lead's speed late", 0.2),
        ("station stands", 0.2),
        ("body swapped", 1.5),
        ("accel scale", 20.0),
        ("yaw rate offset", 0.02),
        ("lane offset", 0.2),
    ],
)
def test_faults_of_some_size_are_found_at_every_noise(name: str, size: float) -> None:
    fault = next(one for one in KINDS if one.name == name)
    for speed, place in NOISES:
        room = Room(speed_noise=speed, place_noise=place)
        assert all(is_found(fault, size, room, seed) for seed in range(4)), (name, speed)


def test_the_stated_limit_is_near_the_one_that_is_found() -> None:
    """The limit that the evidence states for a scale of the speed, against the size found in nine of ten drives."""
    fault = next(one for one in KINDS if one.name == "speed scale")
    room = Room(speed_noise=0.05, place_noise=0.03, road=False)
    stated = stated_limit("own", "speed", room) / 22.0 * 100.0
    found = found_from(fault, room, STARTS["speed scale"])
    assert 0.7 < stated / found < 1.4


def test_accel_against_speed_needs_both() -> None:
    body = straight()
    del body.channels["accel"]
    assert close(body, SPEED_ACCEL) is None
