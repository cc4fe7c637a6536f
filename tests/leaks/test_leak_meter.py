"""The leak meter: nothing that a coder or a blind operator can read tells who responded, or how soon."""

from __future__ import annotations

import gc
import os
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from monitor.judging import blinding
from monitor.judging.case.trial import Trial
from tests.leaks.artefacts import Features, of_exports, of_run, open_one
from tests.leaks.meter import Reading, readings
from tests.leaks.participants import Driver, drive_of, drivers, record_of

PARTICIPANTS, FEWER = 200, 20
SEED = 2
"""One whose draw has no accident in it: what was drawn apart from the response tells nothing of it, as a test holds."""


def measured(directory: Path, count: int) -> list[Reading]:
    """Two questions, two classifiers each, over so many participants."""
    people = drivers(count, seed=SEED)
    records = directory / "records"
    records.mkdir()
    open_one()  # once for all the processes
    with get_context("fork").Pool(os.cpu_count(), gc.freeze) as pool:
        features = pool.starmap(_of_driver, [(record_of(records, driver), driver) for driver in people], chunksize=1)
    exports = of_exports(records, directory / "out", people)
    features = [one | exports[driver.code] for one, driver in zip(features, people, strict=True)]
    said = readings("responder or not", features, np.array([driver.responds for driver in people]))
    those = [place for place, driver in enumerate(people) if driver.responds]
    late = np.array([people[place].is_late for place in those])
    return said + readings("early or late", [features[place] for place in those], late)


def _of_driver(path: Path, driver: Driver) -> Features:
    """What can be read of a participant's run."""
    fire_t = drive_of(driver).fire_t
    assert fire_t is not None
    return of_run(path, fire_t)


@pytest.mark.slow
def test_nothing_that_is_shown_tells_who_responded_or_how_soon(tmp_path: Path) -> None:
    found = measured(tmp_path, PARTICIPANTS)
    for one in found:
        print(one)
    assert [str(one) for one in found if one.leaks] == []


@pytest.mark.slow
@pytest.mark.parametrize("leak", ["the time of the next fire", "own speed", "how long a drive took"])
def test_one_leak_put_back_is_found(leak: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if leak == "the time of the next fire":
        monkeypatch.setattr(Trial, "told_fired_at", property(lambda trial: trial.fired_at))
    elif leak == "own speed":
        kept = blinding.reveals
        for module in ("replay.series", "following.numbers", "following.slow"):
            monkeypatch.setattr(
                f"monitor.{module}.reveals",
                lambda study, measure: measure.name != "speed" and kept(study, measure),
            )
    else:
        monkeypatch.setattr("monitor.judging.document.masked_from", lambda trials, drive: None)
    found = measured(tmp_path, FEWER)
    for one in found:
        print(one)
    assert any(one.leaks for one in found)


@pytest.mark.parametrize("other", [None, 0.7], ids=["no response", "an early one"])
def test_the_same_driver_with_another_response_looks_the_same(other: float | None, tmp_path: Path) -> None:
    """The same up to the fire, and again from the bridge on: every number and word that can be read is the same."""
    driver = next(one for one in drivers(8, seed=5) if one.is_late)
    twin = replace(driver, response_s=other, contact=other is None)
    found: list[Features] = []
    for place, one in enumerate((driver, twin)):
        (tmp_path / str(place)).mkdir()
        found.append(_of_driver(record_of(tmp_path / str(place), one), one))
    first, second = found
    assert first.keys() == second.keys()
    differ = [name for name, value in first.items() if value != second[name]]
    assert differ == []


def test_the_participants_differ_before_the_fire_by_chance_alone() -> None:
    people = drivers(PARTICIPANTS, seed=SEED)
    assert sum(one.responds for one in people) == PARTICIPANTS // 2
    assert sum(one.is_late for one in people) == PARTICIPANTS // 4
    before: list[Features] = [
        {
            "speed": one.speed_mps,
            "gap": one.gap_m,
            "lane": one.lane_m,
            "later speed": one.later_mps,
            "later lane": one.later_lane_m,
            "group": one.group,
        }
        for one in people
    ]
    assert not any(one.leaks for one in readings("before", before, np.array([one.responds for one in people])))


def test_a_classifier_that_may_see_the_response_tells_everybody() -> None:
    people: list[Driver] = drivers(60, seed=3)
    rng = np.random.default_rng(1)
    told: list[Features] = [
        {"noise": float(rng.normal()), "time": one.response_s or -1.0, "words": "no" if not one.responds else "yes"}
        for one in people
    ]
    for reading in readings("q", told, np.array([one.responds for one in people])):
        assert reading.leaks
        assert reading.right >= 58
