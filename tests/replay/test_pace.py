"""The place by the clock: worked out from the instant at which playing began."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.replay.pace import FASTEST, SLOWEST, Loop, PlayClock
from tests.clocks import HandClock


def test_it_never_drifts_however_often_it_is_asked() -> None:
    clock = HandClock()
    pace = PlayClock(10_000.0, clock)
    pace.play()
    for _ in range(100_000):
        clock.now += 0.01
        pace.at_s()
    assert pace.at_s() == clock.now - 1000.0  # to the last digit: nothing was added up


def test_speed_changes_go_on_from_the_place() -> None:
    clock = HandClock()
    pace = PlayClock(1000.0, clock)
    pace.go(100.0)
    pace.set_speed(60.0)
    assert pace.at_s() == 100.0
    pace.play()
    clock.now += 2.0
    assert pace.at_s() == pytest.approx(220.0)
    pace.set_speed(0.1)
    clock.now += 10.0
    assert pace.at_s() == pytest.approx(221.0)
    pace.pause()
    clock.now += 1000.0
    assert pace.at_s() == pytest.approx(221.0)


@pytest.mark.parametrize(("asked", "got"), [(0.0, SLOWEST), (0.05, SLOWEST), (1000.0, FASTEST), (7.0, 7.0)])
def test_speed_is_clipped(asked: float, got: float) -> None:
    pace = PlayClock(10.0, HandClock())
    pace.set_speed(asked)
    assert pace.speed == got


def test_it_stops_at_the_end_and_begins_again_from_the_start() -> None:
    clock = HandClock()
    pace = PlayClock(10.0, clock)
    pace.play()
    clock.now += 11.0
    assert (pace.at_s(), pace.playing) == (10.0, False)
    pace.play()
    clock.now += 1.0
    assert (pace.at_s(), pace.playing) == (1.0, True)


def test_a_loop_goes_round_and_ends_when_it_is_left() -> None:
    clock = HandClock()
    pace = PlayClock(100.0, clock)
    pace.go_round(Loop(20.0, 28.0))
    assert pace.at_s() == 20.0
    for seconds, at_s in ((7.5, 27.5), (1.0, 20.5), (8.0, 20.5), (800.0, 20.5)):
        clock.now += seconds
        assert pace.at_s() == pytest.approx(at_s)
    pace.go(25.0)
    kept = pace.loop
    assert kept is not None
    clock.now += 4.0
    assert pace.at_s() == pytest.approx(21.0)
    pace.go(60.0)
    assert pace.loop is None
    clock.now += 5.0
    assert pace.at_s() == pytest.approx(65.0)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["play", "pause", "go", "speed", "loop", "wait"]), st.floats(-50.0, 150.0, allow_nan=False)
        ),
        max_size=30,
    )
)
def test_the_place_is_always_inside_the_record(moves: list[tuple[str, float]]) -> None:
    clock = HandClock()
    pace = PlayClock(100.0, clock)
    for move, value in moves:
        if move == "play":
            pace.play()
        elif move == "pause":
            pace.pause()
        elif move == "go":
            pace.go(value)
        elif move == "speed":
            pace.set_speed(value)
        elif move == "loop":
            pace.go_round(None if value < 0 else Loop(min(value, 90.0), min(value, 90.0) + 5.0))
        else:
            clock.now += abs(value)
        assert 0.0 <= pace.at_s() <= 100.0
