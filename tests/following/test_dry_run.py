"""Judging once before anything has fired: it leaves no trace, and takes place before the first fire only."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import cast

import pytest

from monitor.following.dry_run import is_ready, judge_dry
from monitor.following.live import Following
from monitor.judging.session import Session
from monitor.recorder.client import RecorderClient
from monitor.simulation.plan import SimulationPlan, first_group
from monitor.study.demo import demo_study
from tests.following.test_behind import Slow
from tests.judging import simulated
from tests.judging.hand import HandDrive, entries_of
from tests.simulation.test_kinds import EXPECTED

DRIVES = [
    ("rear-end", "clean"),
    ("rear-end", "double-fire"),
    *(pytest.param(kind, "clean", marks=pytest.mark.slow) for kind in EXPECTED if kind != "rear-end"),
]


@pytest.mark.parametrize(("kind", "scenario"), DRIVES)
def test_a_dry_run_leaves_no_trace_and_comes_before_the_first_fire(kind: str, scenario: str) -> None:
    study = demo_study(kind)
    plan = SimulationPlan(kind=kind, scenario=scenario, seed=1, rate_hz=20.0, group=first_group(kind))
    entries = simulated.entries_of(plan, study)
    whole, other = (Session(study, simulated.opening_of(plan, study)) for _ in range(2))
    whole.take(entries)
    ready = []
    for first in range(0, len(entries), 20):
        other.take(entries[first : first + 20])
        if is_ready(other):
            assert len([*islice(judge_dry(other), len(study.triggers))]) == len(study.triggers)
            ready.append(float(other.drives[0].log.newest_t))
    fired_at = [one.fired_at for one in whole.trials() if one.fired_at is not None]
    assert other.trials() == whole.trials()
    assert ready[0] < 3.0
    assert max(ready) < min(fired_at)


def test_after_it_no_collection_goes_through_what_is_there_by_then(tmp_path: Path) -> None:
    client = Slow(entries_of(HandDrive(ends=False)))
    client.a_step = 20
    following = Following(cast("RecorderClient", client), tmp_path / "r.run", by="test")
    gc.unfreeze()
    try:
        while client.left and not gc.get_freeze_count():
            following.step(0.0)
        assert gc.get_freeze_count()
        assert following.session is not None
        assert [one.fired_at for one in following.session.trials()] == [None]
    finally:
        gc.freeze()


def test_none_of_it_is_done_just_before_a_fire_that_is_foreseen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A piece of it takes up to 20 ms."""
    client = Slow(entries_of(HandDrive(ends=False)))
    client.a_step = 20
    following = Following(cast("RecorderClient", client), tmp_path / "r.run", by="test")
    due = [0.1]
    monkeypatch.setattr(following, "decides_within", lambda seconds: due[0] <= seconds)
    begun: list[Session] = []

    def dry(session: Session) -> Iterator[None]:
        begun.append(session)
        yield

    monkeypatch.setattr("monitor.following.live.judge_dry", dry)
    monkeypatch.setattr("monitor.following.reorder_buffer.HOLD_S", 0.0)
    while following.session is None or not is_ready(following.session):
        following.step(0.0)
    following.step(0.0)
    assert begun == []
    due[0] = 10.0
    following.step(0.0)
    assert begun == [following.session]
