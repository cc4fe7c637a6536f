"""Entries that wait for each other: what lets them go, and how far."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import pytest

from monitor.following.reorder_buffer import AFTER_S, HOLD_S, Holding
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


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 25.0, 30.0, 50.0, 60.0, 90.0, 100.0, 120.0, 240.0])
def test_no_handful_is_begun_with_when_a_frame_is_due_and_a_marker_with_it(rate_hz: float) -> None:
    holding, period_s = Holding(), 1.0 / rate_hz
    begun: list[float] = []
    for number in range(200):
        due_s = number * period_s
        wakes_s = due_s - period_s + holding.wait_s(due_s - period_s, 1.0)
        if number and wakes_s < due_s and holding.release(CALM, wakes_s + 1e-9):
            begun.append(wakes_s - (due_s - period_s))
        holding.add(FRAMES[:1], due_s)
        assert holding.release(CALM, due_s) == []
    assert len(begun) >= 5
    assert begun == pytest.approx([AFTER_S] * len(begun), abs=1e-6)


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
