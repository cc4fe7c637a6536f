"""A view that is being made gives way to a marker: the fire is judged first, and nothing is lost or judged twice."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import pytest

from monitor.following.live import Following
from monitor.following.reorder_buffer import is_marker
from monitor.record.entries import Entry
from monitor.recorder.client import RecorderClient
from tests.following.test_behind import Slow
from tests.judging.hand import HandDrive, entries_of

ENTRIES = entries_of(HandDrive(ends=False))
FIRE = next(place for place, one in enumerate(ENTRIES) if is_marker(one) and b"trigger" in one.payload)


class Called(Slow):
    """Hands out what is wanted of it at each call, and all else afterwards."""

    def __init__(self, entries: list[Entry], counts: list[int]) -> None:
        super().__init__(entries)
        self.counts = counts
        self.calls = 0

    def entries(self, timeout_s: float) -> list[Entry]:
        self.calls += 1
        self.a_step = self.counts.pop(0) if self.counts else 0
        return super().entries(timeout_s)


def following_of(tmp_path: Path, counts: list[int]) -> tuple[Following, Called]:
    client = Called(ENTRIES, counts)
    return Following(cast("RecorderClient", client), tmp_path / "r.run", by="test"), client


def looks_of_a_view(tmp_path: Path) -> int:
    """How often a view looks whether something waits."""
    following, client = following_of(tmp_path, [FIRE])
    following.step(0.0)
    before = client.calls
    assert following.view(1, gives_way=True) is not None
    return client.calls - before


def test_a_view_looks_often_whether_a_marker_waits(tmp_path: Path) -> None:
    assert looks_of_a_view(tmp_path) >= 7, "once a condition, and between all else that takes a millisecond"


@pytest.mark.parametrize("frames", [0, 3])
def test_wherever_a_marker_comes_in_the_view_gives_way_and_the_fire_is_judged_next(tmp_path: Path, frames: int) -> None:
    for look in range(looks_of_a_view(tmp_path)):
        following, client = following_of(tmp_path, [FIRE, *[0] * look, 1 + frames, 0, 10_000])
        following.step(0.0)
        assert following.view(1, gives_way=True) is None
        following.step(0.0)
        assert following.session is not None
        assert [one.stage for one in following.session.trials() if one.fired_at is not None] == ["fired"]
        while client.left:
            following.step(0.0)
        following.step(0.0)
        assert [(one.stage, one.verdict) for one in following.session.trials()] == [("final", "valid")]
        assert following.session.last_number == ENTRIES[-1].number


def test_frames_alone_hold_up_no_view_and_are_judged_with_the_next(tmp_path: Path) -> None:
    following, client = following_of(tmp_path, [FIRE - 40, *(1,) * 40])
    following.step(0.0)
    view = following.view(1, gives_way=True)
    assert view is not None
    assert following.session is not None
    assert following.session.last_number == ENTRIES[FIRE - 41].number
    assert view.feed.lost == 0
    while following.session.last_number < ENTRIES[FIRE - 1].number:
        following.step(0.0)
    assert client.calls > 2


def test_a_view_gives_way_to_nobody_unless_it_is_asked_to(tmp_path: Path) -> None:
    following, _ = following_of(tmp_path, [FIRE, 1])
    following.step(0.0)
    assert following.view(1) is not None
