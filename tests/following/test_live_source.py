"""The newest view in its slot: a verdict comes before all else and wakes the screen; a silent feed is stale at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from typing import Any, cast

from monitor.following.building import STALE_S
from monitor.following.live import Following
from monitor.following.slot import VIEW_EVERY_S, LiveProvider
from monitor.following.view import FeedView, LiveView, RecorderView
from monitor.record.clock import SYSTEM_CLOCK

WITHIN_S = 60.0


class Scripted:
    """A following that does at each step what the test puts into `turns`, and else nothing."""

    enters_shown = True
    behind_s = 0.0

    def __init__(self) -> None:
        self.client = self
        self.unsaved = 0
        self.turned = False
        self.heard_ns = SYSTEM_CLOCK.monotonic_ns()
        self.turn = threading.Event()
        self.made: list[str] = []
        self.masks = False
        self.judges_seldom = False
        self.judges_now: list[bool] = []
        self.view_made = threading.Event()
        self.decides_soon = False
        self.markers_wait = False

    def step(self, timeout_s: float) -> bool:
        if self.judges_seldom:
            self.turn.wait(0.005)
            return self.judges_now.pop() if self.judges_now else False
        if self.turn.wait(0.005):
            self.turn.clear()
            self.turned = True
        return True

    def view(self, revision: int, *, gives_way: bool = False) -> LiveView | None:
        if self.markers_wait and gives_way:
            self.made.append("called away")
            return None
        self.made.append("whole")
        self.judges_now = [True]
        self.view_made.set()
        return picture(revision)

    def told(self, view: LiveView, revision: int) -> LiveView | None:
        self.made.append("told")
        return None if self.masks else picture(revision)

    def tell(self, view: LiveView | None) -> None:
        pass

    def silence(self, age_s: float | None, otherwise: str = "") -> str:
        return otherwise or f"No frame for {age_s:.1f} s."

    def decides_within(self, seconds: float) -> bool:
        return self.decides_soon

    def close(self) -> None:
        pass


def picture(revision: int) -> LiveView:
    feed = FeedView("live", 60.0, 100, 0, 0, 0, 0.0, "")
    recorder = RecorderView("recording", None, 0, "")
    more: dict[str, Any] = dict.fromkeys(("numbers", "strips", "trials", "notes", "timeline", "reasons"), ())
    return LiveView(
        revision, "r", "Q01", None, "hand", None, 1, 1.0, feed, recorder,
        scene=None, outlook=None, masked=False, blind=False, **more,
    )  # fmt: skip


@contextmanager
def running(following: Scripted) -> Iterator[LiveProvider]:
    source = LiveProvider(lambda: cast("Following", following))
    source.start(WITHIN_S)
    try:
        yield source
    finally:
        source.stop()


def test_a_verdict_is_told_before_the_rest_of_the_view_is_made_and_wakes_the_screen() -> None:
    following, woken = Scripted(), threading.Event()
    at_wake: list[tuple[list[str], int]] = []
    with running(following) as source:

        def wake() -> None:
            at_wake.append((list(following.made), source.view().revision))
            woken.set()

        source.when_turned(wake)
        before = source.view().revision
        following.turn.set()
        assert woken.wait(WITHIN_S)
    made, revision = at_wake[-1]
    assert made[-1] == "told"
    assert revision > before


def test_where_a_fire_masks_numbers_the_screen_is_woken_by_the_whole_view_alone() -> None:
    following, woken = Scripted(), threading.Event()
    following.masks = True
    with running(following) as source:
        seen: list[list[str]] = []

        def wake() -> None:
            seen.append(list(following.made))
            woken.set()

        source.when_turned(wake)
        following.turn.set()
        assert woken.wait(WITHIN_S)
    assert seen[0][-2:] == ["told", "whole"]


def when_views_are_made(following: Scripted, count: int = 3) -> list[float]:
    with running(following):
        at = []
        for _ in range(count):
            following.view_made.clear()
            assert following.view_made.wait(WITHIN_S)
            at.append(time.monotonic())
    return at


def test_a_view_is_put_off_while_a_verdict_is_due_but_not_for_ever() -> None:
    following = Scripted()
    following.decides_soon = True
    at = when_views_are_made(following)
    assert min(after - before for before, after in pairwise(at)) > VIEW_EVERY_S
    assert set(following.made) == {"whole"}


def test_a_view_that_gives_way_to_markers_is_made_all_the_same_when_the_last_one_is_old() -> None:
    following = Scripted()
    following.markers_wait = True  # one after the other, so that each view would give way
    at = when_views_are_made(following)
    assert min(after - before for before, after in pairwise(at)) > VIEW_EVERY_S
    assert "called away" in following.made


def test_what_was_judged_just_after_a_view_counts_for_the_next_one() -> None:
    following = Scripted()
    following.judges_seldom = True  # once, just after each view: a view that stands still would be believed no more
    with running(following) as source:
        revisions = set()
        while len(following.made) < 4:
            following.view_made.clear()
            assert following.view_made.wait(WITHIN_S)
            revisions.add(source.view().revision)
    assert len(revisions) >= 3


def test_a_feed_that_falls_silent_is_stale_without_a_new_view() -> None:
    following = Scripted()
    following.heard_ns += round(1e12)  # not before the test has looked, however long it is kept from it
    with running(following) as source:
        assert source.view().feed.state == "live"
        following.heard_ns = SYSTEM_CLOCK.monotonic_ns() - round((STALE_S + 0.01) * 1e9)
        feed = source.view().feed
        assert feed.state == "stale"
        assert feed.age_s is not None
        assert feed.age_s > STALE_S
        following.heard_ns += round(1e12)
        assert source.view().feed.state == "live"
    assert VIEW_EVERY_S < STALE_S, "a frame that waits for its view does not look like a silent feed"
