"""What cannot be known while nothing comes is not told: over every state of feed, recorder, judging and screen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, cast, get_args

import pytest

from monitor.following.heading.table import ROWS, headings, over_the_ladder
from monitor.following.recorder_watch import RecorderWatch
from monitor.following.status_stream import announced, full
from monitor.following.view import FeedState, LiveView, RecorderState, RecorderView
from monitor.recorder.client import RecorderClient
from monitor.recorder.wire import FeedLink, RecorderStatus
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.outlook import draw_outlook
from tests.following.test_heading import APPLIES, LIVE, view

GOES_ON = {"live", "paused", "ended"}
"""States of the feed in which it is known how the drive stands."""

UNHEARD = {"stopped", "lost", "restarting"}

TELLS_OF_NOW = {"PAUSED", "BETWEEN DRIVES", "PRACTICE", "STILL NAIVE", "NOT FIRED", "NOT YET", "LOSING", "LET IT RUN"}
TELLS_OF_NOW |= {"HOLD", "HIDDEN", "LATER", "READY", "NO TRIGGER"}
"""Every word that says how the drive stands or goes on."""

DECIDED = {"FIRED", "VALID", "INVALID", "UNDECIDED", "YOUR CALL", "TWO RULINGS", "STOP"}
"""What stays true, whatever comes in or does not."""


def known(feed: str, recorder: str, behind_s: float | None) -> bool:
    """The rule, told again: a closed record does not go on; else frames, the recorder and judging must all be there."""
    return recorder in ("closed", "sealed") or (feed in GOES_ON and recorder not in UNHEARD and behind_s is None)


State = tuple[FeedState, RecorderState, float | None]


def states() -> Iterator[State]:
    for feed in get_args(FeedState):
        for recorder in get_args(RecorderState):
            for behind_s in (None, 1.2):
                yield feed, recorder, behind_s


def standing(state: State, **more: Any) -> LiveView:
    """A view whose every part was made a moment before the feed, the recorder or judging came to stand so."""
    feed, recorder, behind_s = state
    then = {"feed": replace(LIVE, state=feed, age_s=0.6, behind_s=behind_s)}
    return view(**{**more, **then, "recorder": RecorderView(recorder, 400.0, 0, "")})


@pytest.mark.parametrize("name", [name for name, more in APPLIES.items() if not {"feed", "recorder"} & set(more)])
def test_nothing_that_cannot_be_known_is_told(name: str) -> None:
    for state in states():
        seen = standing(state, **APPLIES[name])
        words = {one.word for _, one in headings(seen)}
        ladder = over_the_ladder(seen)
        if not known(*state):
            assert not words & TELLS_OF_NOW, (state, words)
            assert ladder is None or ladder.word not in TELLS_OF_NOW, (state, ladder)
            assert full(seen)["next"] is None, state
        assert words, state
        assert ladder is None or ladder.word in words, (state, ladder)


@pytest.mark.parametrize("name", ["stop", "fired", "verdict", "to rule"])
def test_what_has_been_decided_is_told_whatever_comes_in(name: str) -> None:
    for state in states():
        words = {one.word for _, one in headings(standing(state, **APPLIES[name]))}
        assert words & DECIDED, (state, words)


def test_each_row_says_one_of_the_words_of_these_tables() -> None:
    of_the_run = {"NO RECORD", "NO OPERATOR", "BEHIND", "STALE"}
    said = {headings(view(**APPLIES[name]))[0][1].word for name, _ in ROWS}
    assert said <= TELLS_OF_NOW | DECIDED | of_the_run


def test_ready_is_said_over_no_trial_that_is_void_or_in_no_record() -> None:
    for more in ({"recorder": RecorderView("not recording", None, 0, "")}, APPLIES["stop"]):
        seen = view(**more)
        ladder = over_the_ladder(seen)
        assert ladder is not None
        assert "READY" not in {ladder.word, *(one.word for _, one in headings(seen))}


def test_no_trigger_is_said_only_where_that_is_known() -> None:
    nothing = view(outlook=None)
    assert [one.word for _, one in headings(nothing)] == ["NOT KNOWN"]
    drawn = draw_outlook(Picture(nothing), 60, 4).text()
    assert "not known" in drawn
    assert "no trigger" not in drawn
    assert "no trigger ahead" in draw_outlook(Picture(replace(nothing, nothing_ahead=True)), 60, 4).text()
    stale = replace(nothing, nothing_ahead=True, feed=replace(LIVE, state="stale", age_s=0.6))
    assert "no trigger" not in draw_outlook(Picture(stale), 60, 4).text()


def test_a_picture_that_stands_still_says_nothing_of_what_comes() -> None:
    for name, more in APPLIES.items():
        picture = Picture(view(**more), still_for_s=2.0)
        words = {one.word for one in picture.headings}
        assert not words & TELLS_OF_NOW, name
        assert picture.over_the_ladder is None


def test_a_screen_that_is_behind_blames_nobody_else() -> None:
    faults = announced(view(feed=replace(LIVE, state="stale", behind_s=3.0)))["faults"]
    assert [one["code"] for one in faults] == ["behind"]


class Silent:
    """A recorder that is heard, with one feed in a state."""

    silent_s = 0.0

    def __init__(self, state: str) -> None:
        self.state = state

    def status(self) -> RecorderStatus:
        return RecorderStatus(alive=True, feeds=(FeedLink("tcp://sim:5570", self.state, "", 0),))


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("missing", "has gone"),
        ("lost", "does not answer: no frame for 2.5 s; its connection was lost"),
        ("unanswered", "is there and does not answer (stopped, or it hangs)"),
        ("silent", "is there and sends nothing (stopped, or it hangs)"),
    ],
)
def test_a_simulator_that_may_be_stopped_is_not_called_gone(state: str, said: str, tmp_path: Path) -> None:
    watch = RecorderWatch(cast("RecorderClient", Silent(state)), tmp_path, None)
    assert watch.silence(2.5, "").startswith(f"The simulator {said}")
