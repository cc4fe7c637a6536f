"""Judging once before anything has fired: it leaves no trace, and takes place before the first fire only."""

from __future__ import annotations

import pytest

from monitor.following.dry_run import is_ready, judge_dry
from monitor.judging.session import Session
from monitor.simulation.plan import SimulationPlan
from tests.judging import simulated


@pytest.mark.parametrize("scenario", ["clean", "double-fire"])
def test_a_dry_run_leaves_no_trace_and_comes_before_the_first_fire(scenario: str) -> None:
    plan = SimulationPlan(scenario=scenario, seed=1, rate_hz=20.0, group="chime")
    entries = simulated.entries_of(plan)
    whole, other = (Session(simulated.dusk_road(), simulated.opening_of(plan)) for _ in range(2))
    whole.take(entries)
    ready = []
    for first in range(0, len(entries), 10):
        other.take(entries[first : first + 10])
        if is_ready(other):
            judge_dry(other)
            ready.append(float(other.drives[0].log.newest_t))
    fired_at = [one.fired_at for one in whole.trials() if one.fired_at is not None]
    assert other.trials() == whole.trials()
    assert 0.5 < ready[0] < 3.0
    assert max(ready) < min(fired_at)
