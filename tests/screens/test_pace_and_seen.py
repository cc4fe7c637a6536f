"""When the screen draws, when it turns calm, when it stops believing a view; and which verdicts it has shown."""

from __future__ import annotations

from dataclasses import replace

from monitor.following.view import LiveView
from monitor.screens.watch.drawn_screen import Shown
from monitor.screens.watch.pace import Pace
from tests.clocks import HandClock
from tests.screens import conftest as kit


def ticks(pace: Pace, clock: HandClock, view: LiveView, count: int, step_s: float = 0.04) -> int:
    """So many ticks with an ever newer view; how many of them drew."""
    drawn = 0
    for number in range(count):
        clock.now += step_s
        pace.measure()
        drawn += pace.due(replace(view, revision=view.revision + number + 1))
    return drawn


def test_a_changing_view_is_drawn_five_times_a_second(hand_clock: HandClock) -> None:
    assert 48 <= ticks(Pace(hand_clock), hand_clock, kit.live_view(), 250) <= 51


def test_a_view_that_is_on_its_way_is_waited_for_a_little(hand_clock: HandClock) -> None:
    pace = Pace(hand_clock)
    view = kit.live_view()
    drawn_at = []
    for number in range(1, 60):
        hand_clock.now += 0.04
        newest = number * 0.04 // 0.216  # a new view every 216 ms
        if pace.due(replace(view, revision=10 + int(newest))):
            drawn_at.append(number)
    # drawn with the first tick after each new view, and not just before it
    assert drawn_at == [1, 6, 11, 17, 22, 27, 33, 38, 44, 49, 54]


def test_a_calm_screen_draws_once_a_second(hand_clock: HandClock) -> None:
    pace = Pace(hand_clock)
    assert pace.switch_calm()
    assert 10 <= ticks(pace, hand_clock, kit.live_view(), 250) <= 11


def test_what_presses_is_drawn_with_the_next_tick(hand_clock: HandClock) -> None:
    pace = Pace(hand_clock)
    views = kit.states()
    pace.due(views["hold"])
    hand_clock.now += 0.04
    assert not pace.due(views["hold"])
    for state in ("stale", "hold", "recorder lost", "hold", "invalid", "blind", "ready"):
        assert pace.due(views[state]), state
        assert pace.at_once


def test_a_lagging_loop_turns_calm_and_one_hiccup_does_not(hand_clock: HandClock) -> None:
    pace = Pace(hand_clock)
    ticks(pace, hand_clock, kit.live_view(), 20)
    ticks(pace, hand_clock, kit.live_view(), 1, step_s=2.0)
    ticks(pace, hand_clock, kit.live_view(), 20)
    assert not pace.calm
    ticks(pace, hand_clock, kit.live_view(), 3, step_s=0.3)
    assert pace.calm


def test_a_live_view_that_stands_still_is_not_believed(hand_clock: HandClock) -> None:
    pace = Pace(hand_clock)
    view = kit.live_view()
    pace.due(view)
    hand_clock.now += 0.9
    assert pace.still_for(view) is None
    hand_clock.now += 0.2
    assert pace.still_for(view) is not None
    pace.due(replace(view, revision=2))
    assert pace.still_for(replace(view, revision=2)) is None


def test_a_feed_that_says_itself_that_it_is_silent_is_no_hanging_view(hand_clock: HandClock) -> None:
    pace = Pace(hand_clock)
    view = kit.states()["stale"]
    pace.due(view)
    hand_clock.now += 60.0
    assert pace.still_for(view) is None


def test_fired_and_its_verdict_are_two_things_to_show() -> None:
    shown = Shown()
    fired, final = kit.trial("undecided", "fired"), kit.trial("invalid")
    assert shown.take([fired]) == [fired]
    assert shown.take([fired]) == []
    assert shown.take([final]) == [final]
    assert shown.take([final]) == []
    assert shown.take([kit.ruled(final)]) == []


def test_a_replay_that_went_back_tells_the_verdict_again() -> None:
    shown = Shown()
    one = kit.trial("invalid")
    shown.take([one])
    shown.take([])
    assert shown.take([one]) == [one]
