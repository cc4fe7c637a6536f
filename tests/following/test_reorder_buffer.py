"""Entries that wait for each other: what lets them go, and how far."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import pytest

from monitor.following.reorder_buffer import HOLD_S, Holding
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames


def entry(number: int, topic: bytes) -> Entry:
    return Entry(EntryKind.MESSAGE, number, number, number, pack_frames([topic, b"x"]))


def session(*, is_deciding: bool) -> Session:
    return cast("Session", SimpleNamespace(is_deciding=is_deciding))


def numbers(entries: list[Entry]) -> list[int]:
    return [one.number for one in entries]


FRAMES = [entry(number, b"frame") for number in (1, 2)]
CALM = session(is_deciding=False)


def test_frames_wait_for_each_other_and_not_for_ever() -> None:
    holding = Holding()
    holding.add(FRAMES, 0.0)
    assert holding.release(CALM, HOLD_S / 2) == []
    assert holding.wait_s(HOLD_S / 2, 1.0) == pytest.approx(HOLD_S / 2)
    assert numbers(holding.release(CALM, HOLD_S)) == [1, 2]
    assert holding.wait_s(1.0, 0.5) == 0.5


@pytest.mark.parametrize(("is_deciding", "soon"), [(True, False), (False, True)])
def test_while_something_is_decided_or_shortly_before_none_waits(is_deciding: bool, soon: bool) -> None:
    holding = Holding()
    holding.add(FRAMES, 0.0)
    assert numbers(holding.release(session(is_deciding=is_deciding), 0.0, soon=soon)) == [1, 2]


def test_a_marker_goes_at_once_with_all_before_it_and_what_came_after_it_goes_next() -> None:
    holding = Holding()
    holding.add([*FRAMES, entry(3, b"marker"), entry(4, b"frame"), entry(5, b"marker"), entry(6, b"frame")], 0.0)
    assert numbers(holding.release(CALM, 0.0)) == [1, 2, 3]
    assert holding.wait_s(0.0, 1.0) == 0.0
    assert numbers(holding.release(CALM, 0.0)) == [4, 5]
    assert numbers(holding.release(CALM, 0.0)) == [6]
    assert holding.release(CALM, 0.0) == []
    assert holding.wait_s(0.0, 1.0) == 1.0
