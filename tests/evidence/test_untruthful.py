"""Drives in which one thing is untrue: nothing that can be checked is believed.

Truth comes from the generator, and judging never sees it. In none of them is a trial called valid in which a required
condition was violated by more than the evidence says it would have noticed, and none is called invalid in which all was
truly met; where nothing else in the feed tells of a condition, its evidence says so.

`python tests/evidence/untruthful.py FIRST STOP` runs any number of them, and writes down how far it came; 60 run with
the quick tests and 200 with the slow ones.
"""

from __future__ import annotations

import pytest

from tests.evidence.untruthful import clean_drive, judge_scene
from tests.evidence.untruths import FAULTS, untruthful

EACH, QUICK = 20, 60


def _slow_from(first: int, quick: int) -> object:
    return pytest.param(first, marks=pytest.mark.slow) if first >= quick else first


@pytest.mark.parametrize("first", [_slow_from(one, QUICK) for one in range(0, 200, EACH)])
def test_nothing_that_can_be_checked_is_believed(first: int) -> None:
    wrong = [
        one.words() for one in (judge_scene(untruthful(seed), seed) for seed in range(first, first + EACH)) if one.wrong
    ]
    assert wrong == []


def test_the_drives_have_every_fault_in_them() -> None:
    assert {untruthful(seed).truth.fault.split()[0] for seed in range(120)} == set(FAULTS)


@pytest.mark.parametrize("first", [_slow_from(one, EACH) for one in range(0, 60, EACH)])
@pytest.mark.parametrize("differs", [False, True])
def test_clean_drives_are_not_invalid_and_hardly_ever_undecided(first: int, differs: bool) -> None:
    """In rooms with realistic noise; `differs`: with constant differences that were accepted at a rehearsal."""
    judged = [clean_drive(seed, differs=differs) for seed in range(first, first + EACH)]
    assert [one.words() for one in judged if one.trial.verdict == "invalid"] == []
    assert [one.words() for one in judged if one.trial.verdict == "undecided"] == []


@pytest.mark.slow
def test_a_check_that_is_left_out_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """The test of the test: where nothing is held against anything some drives are called valid or invalid wrongly."""
    monkeypatch.setattr("monitor.judging.settled.Settled.bodies_of", lambda settled, case, role, until_t: None)
    assert any(judge_scene(untruthful(seed), seed).wrong for seed in range(60))
