"""The leak meter: nothing that a coder or a blind operator can read tells who responded, or how soon."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.overview.elsewhere import elsewhere
from monitor.following.overview.listening import Overseen
from monitor.following.overview.row import Heard, row_of
from monitor.following.status_stream import announced, full
from monitor.judging import blinding
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.reader import RecordReading
from tests.leaks.artefacts import IDLE, Features, judged, of_exports, of_run, of_text, of_value, open_one
from tests.leaks.meter import Reading, readings
from tests.leaks.participants import Driver, drive_of, drivers, record_of, study

PARTICIPANTS, FEWER = 200, 20
SEED = 3
"""One whose draw has no accident in it: what was drawn apart from the response tells nothing of it, as a test holds."""


Person = tuple[Driver, Path]


def recorded(directory: Path, count: int) -> list[Person]:
    """So many participants and their records."""
    (directory / "records").mkdir()
    return [(driver, record_of(directory / "records", driver)) for driver in drivers(count, seed=SEED)]


def features_of(people: list[Person], names: Iterable[str] | None = None) -> list[Features]:
    """What can be read of each in the artefacts of these names, or in all of them."""
    open_one()  # once for all the processes
    with get_context("fork").Pool(os.cpu_count(), gc.freeze) as pool:
        return pool.starmap(_of_driver, [(path, driver, names) for driver, path in people], chunksize=1)


def all_features_of(people: list[Person], out: Path) -> list[Features]:
    """The same with the exports of all of them; these come first, so that each process has the records judged."""
    exports = of_exports(people[0][1].parent, out, [driver for driver, _ in people])
    return [one | exports[driver.code] for one, (driver, _) in zip(features_of(people), people, strict=True)]


def measured(people: list[Person], features: list[Features]) -> list[Reading]:
    """Two questions, two classifiers each, over all of them."""
    said = readings("responder or not", features, np.array([driver.responds for driver, _ in people]))
    those = [place for place, (driver, _) in enumerate(people) if driver.responds]
    late = np.array([people[place][0].is_late for place in those])
    said += readings("early or late", [features[place] for place in those], late)
    for one in said:
        print(one)
    return said


@pytest.fixture(autouse=True)
def let_go() -> Iterator[None]:
    """Two hundred judged records are not kept for the tests that follow."""
    yield
    judged.cache_clear()


def _of_driver(path: Path, driver: Driver, names: Iterable[str] | None = None) -> Features:
    """What can be read of a participant's run."""
    fire_t = drive_of(driver).fire_t
    assert fire_t is not None
    return of_run(path, fire_t, names)


def _own_speed(patch: pytest.MonkeyPatch) -> None:
    kept = blinding.reveals
    for module in ("replay.series", "following.numbers", "following.kept.slow"):
        patch.setattr(
            f"monitor.{module}.reveals", lambda study, measure: measure.name != "speed" and kept(study, measure)
        )


LEAKS: dict[str, tuple[Callable[[pytest.MonkeyPatch], None], str]] = {
    "the time of the next fire": (
        lambda patch: patch.setattr(Trial, "told_fired_at", property(lambda trial: trial.fired_at)),
        "reviewed",
    ),
    "own speed on the screen": (_own_speed, "live"),
    "own speed in a replay's tables": (_own_speed, "explained"),
    "how long a drive took": (
        lambda patch: patch.setattr("monitor.judging.document.masked_from", lambda trials, drive: None),
        "reviewed",
    ),
}
"""What is put back, and the artefact that is made with it: all others are as they are without it."""


def few_of_each(people: list[Person]) -> list[int]:
    """Places of so few who never respond, respond late and respond early, as among all."""
    kinds = [(driver.responds, driver.is_late) for driver, _ in people]
    shares = {(False, False): FEWER // 2, (True, True): FEWER // 4, (True, False): FEWER // 4}
    return [
        place for kind, share in shares.items() for place in [i for i, one in enumerate(kinds) if one == kind][:share]
    ]


@pytest.mark.slow(seconds=60)
def test_nothing_that_is_shown_tells_who_responded_or_how_soon_and_a_leak_put_back_is_found(tmp_path: Path) -> None:
    people = recorded(tmp_path, PARTICIPANTS)
    features = all_features_of(people, tmp_path / "out")
    assert [str(one) for one in measured(people, features) if one.leaks] == []
    places = few_of_each(people)
    few, tight = [people[place] for place in places], [features[place] for place in places]
    assert not any(one.leaks for one in measured(few, tight))
    found = {}
    for name, (put_back, artefact) in LEAKS.items():
        with pytest.MonkeyPatch.context() as patch:
            put_back(patch)
            leaky = features_of(few, [artefact])
        found[name] = any(
            one.leaks for one in measured(few, [one | other for one, other in zip(tight, leaky, strict=True)])
        )
    assert found == dict.fromkeys(LEAKS, True)


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


def test_whoever_looks_on_is_not_told_when_the_next_trigger_fired(tmp_path: Path) -> None:
    """Who brakes comes to the bridge some seconds later: from the fire until both are past it every overview, every
    foot and every lamp says the same."""
    driver = next(one for one in drivers(8, seed=5) if one.is_late)
    told = []
    for place, one in enumerate((driver, replace(driver, response_s=None))):
        (tmp_path / str(place)).mkdir()
        fire_t = drive_of(one).fire_t
        assert fire_t is not None
        told.append(told_by_second(record_of(tmp_path / str(place), one), fire_t, 36))
    braked, not_braked = told
    fired = [[second for second, (_, count) in enumerate(one) if count > 1] for one in told]
    assert fired[0][0] > fired[1][0] + 1, "the one comes later"
    both = range(min(len(braked), len(not_braked)))
    assert [second for second in both if braked[second][0] != not_braked[second][0]] == []


def told_by_second(record: Path, fire_t: float, seconds: int) -> list[tuple[Features, int]]:
    """What is told of a run in each second after the fire while it is driven, and how many trials have fired then."""
    reading = RecordReading(record)
    session = Session(study(), reading.opening)
    found: list[tuple[Features, int]] = []
    for entries in reading.blocks(0, 1):
        session.take(entries)
        drive = session.current
        if drive is None or drive.log.ended or not drive.log.counts.judged or len(found) >= seconds:
            continue
        if drive.log.newest_t >= fire_t + 1.0 + len(found):
            view = build_view(session, Viewing(record="r", recorder=IDLE, age_s=0.0, revision=1))
            row = row_of(Heard(record, True, 9.0, {**full(view), "pid": 1, "by": "cora"}))
            foot = elsewhere(Overseen(0.0, (row,)), Path("other"), 0.0)
            said = of_value("announced", announced(view)) | of_value("row", replace(row, record=Path("r")))
            found.append((said | of_text("foot", foot), sum(one.fired_at is not None for one in view.trials)))
    return found


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
