"""Further sources with clocks of their own: the right verdict with sync marks, undecided without, never a wrong one."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.feed.clock_offset import Pair, estimate_offset
from monitor.judging.case.alignment import place_times
from monitor.judging.case.trial import ConditionResult, Trial
from monitor.judging.document import trial_json
from monitor.judging.session import Session
from monitor.record.entries import Entry
from tests.judging.hand import FIRE_T, STUDY, HandDrive, Mark, study_of
from tests.judging.handsource import GAZE_STUDY, HandSource, entries_beside, judged_beside, opening_of_several

SYNC: list[Mark] = [(t, "sync", "pulse", {}) for t in (1.0, 4.0, 8.0, 12.0, 16.0, 20.0)]
ALERT = (10.3, "alert_on", "alert", {"modality": "sound", "measured": True})
BOTH = [*SYNC, ALERT]


def ahead(t: float) -> float:
    """A clock that is 0.4 s ahead of the simulator's and gains 60 µs a second."""
    return t + 0.4 + 6e-5 * t


def away(since_t: float, until_t: float) -> Callable[[float], dict[str, Any]]:
    return lambda t: {"on_road": not since_t <= t < until_t, "angle": 5.0}


def gaze(since_t: float = 9.0, until_t: float = 12.0, **more: Any) -> HandSource:
    looks = {"on_road": "", "angle": "deg"}
    return replace(HandSource(clock=ahead, signals=away(since_t, until_t), marks=SYNC, names=looks), **more)


def drive(**more: Any) -> HandDrive:
    return replace(HandDrive(markers=BOTH, end_t=25.0), **more)


def condition(trial: Trial, name: str = "eyes away") -> ConditionResult:
    return next(one for one in trial.conditions if one.name == name)


def test_with_sync_marks_the_verdict_is_right() -> None:
    trial = judged_beside(drive(), gaze(), study=study_of(GAZE_STUDY))
    assert (trial.verdict, condition(trial).result) == ("valid", "met")
    (source, _) = trial.sources
    assert source.offset_s == pytest.approx(-0.4006, abs=0.009)
    # half of both sampling steps, 1/60 s each, at the least
    assert source.uncertainty_s == pytest.approx(1 / 60, abs=0.004)
    assert (source.source, source.feed, source.marks, source.trouble) == ("gaze", "tcp://gaze:5571", 4, "")


def test_looks_up_in_time_by_the_right_clock_only() -> None:
    """Eyes come back to the road at 9.9 s, inside the window to 10.0: by its own clock that is 10.3, outside."""
    trial = judged_beside(drive(), gaze(until_t=9.9), study=study_of(GAZE_STUDY))
    assert (trial.verdict, condition(trial).result) == ("invalid", "not met")
    # and the other way: away from 9.1 s on is in time; by its own clock it is 9.5, too late
    trial = judged_beside(drive(), gaze(since_t=9.1), study=study_of(GAZE_STUDY))
    assert (trial.verdict, condition(trial).result) == ("valid", "met")


@pytest.mark.parametrize("lacking", ["simulator", "gaze", "other names"])
def test_without_marks_that_both_have_seen_it_is_undecided(lacking: str) -> None:
    marks: list[Mark] = [] if lacking == "gaze" else [(t, kind, "flash", {}) for t, kind, _, _ in SYNC]
    simulator = [ALERT] if lacking == "simulator" else BOTH
    trial = judged_beside(
        drive(markers=simulator), gaze(marks=SYNC if lacking == "simulator" else marks), study=study_of(GAZE_STUDY)
    )
    assert (trial.verdict, condition(trial).result, condition(trial).state) == (
        "undecided",
        "undecided",
        "not measured",
    )
    assert trial.sources[0].offset_s is None
    note = next(one for one in trial.findings if one.code == "source-unheard" and "gaze" in one.sentence)
    assert note.severity == "note"
    assert note.sentence == "gaze has no sync mark that the simulator has seen, too: its clock is not known."


def test_a_look_nearer_to_the_edge_than_the_clock_is_known_is_undecided() -> None:
    """The window ends at 10.0 s; the clock is known to 17 ms."""
    results = {
        until: condition(judged_beside(drive(), gaze(until_t=until), study=study_of(GAZE_STUDY))).result
        for until in (9.95, 9.985, 10.0, 10.06)
    }
    assert results == {9.95: "not met", 9.985: "undecided", 10.0: "undecided", 10.06: "met"}


def test_a_number_that_moves_is_undecided_where_it_may_be_on_either_side() -> None:
    """An angle that rises by 30° a second passes 10° at 10.0 s; at the fire it is known to half a degree only."""
    for shift, result in ((0.1, "not met"), (0.005, "undecided"), (-0.1, "met")):
        source = gaze(signals=lambda t, shift=shift: {"on_road": False, "angle": 10.0 + 30.0 * (t + shift - FIRE_T)})
        assert condition(judged_beside(drive(), source, study=study_of(GAZE_STUDY)), "angle").result == result


def test_samples_that_come_late_count_all_the_same() -> None:
    trial = judged_beside(drive(), gaze(delay_s=0.8), study=study_of(GAZE_STUDY))
    assert (trial.verdict, condition(trial).result) == ("valid", "met")


def test_clocks_a_billion_seconds_apart() -> None:
    """A source that dates by the seconds since 1970 and loses 80 µs a second."""
    source = gaze(clock=lambda t: 1_764_000_000.0 + t * (1 - 8e-5))
    trial = judged_beside(drive(), source, study=study_of(GAZE_STUDY))
    assert (trial.verdict, condition(trial).result) == ("valid", "met")
    assert trial.sources[0].uncertainty_s == pytest.approx(1 / 60, abs=0.004)


@given(
    offset=st.floats(-1e9, 1e9),
    drift=st.floats(-2e-4, 2e-4),
    at=st.lists(st.floats(0, 400), min_size=1, max_size=5),
)
def test_many_times_are_placed_as_one_is(offset: float, drift: float, at: list[float]) -> None:
    told = estimate_offset([Pair(t + offset + drift * t, t) for t in (0.0, 30.0, 60.0, 90.0)], 0.02, 0.01)
    assert told is not None
    first = np.array([t + offset + drift * t for t in at])
    second, off_by = place_times(told, first)
    for index, one in enumerate(first):
        assert (second[index], off_by[index]) == told.second_at(float(one))
        assert abs(second[index] - at[index]) <= off_by[index] + 1e-6


def test_lost_samples_are_not_bridged() -> None:
    hole = gaze(lost=lambda t: 9.6 < t < 9.7)
    trial = judged_beside(drive(), hole, study=study_of(GAZE_STUDY))
    assert condition(trial).result == "undecided"
    seen_up = gaze(until_t=9.9, lost=lambda t: 9.6 < t < 9.7)
    assert condition(judged_beside(drive(), seen_up, study=study_of(GAZE_STUDY))).result == "not met"


@pytest.mark.parametrize(
    ("runs", "said"),
    [
        ([], "has not been heard"),
        ([gaze(end_t=7.0)], "has been silent since"),
        ([gaze(end_t=9.8), gaze(run="gaze-2", start_t=10.0, clock=lambda t: t - 500.0)], "was started again at 10.0 s"),
        ([gaze(clock=lambda t: ahead(min(t, 9.0)))], "has a clock that is known to ±"),
        ([gaze(clock=lambda t: ahead(min(t, 9.0)), marks=SYNC[:3])], "gave no value of on_road, angle at 10.00 s"),
    ],
    ids=["never", "silent", "restarted", "clock stands", "frozen"],
)
def test_trouble_is_said_in_one_sentence_and_leaves_open_what_depends_on_it(runs: list[HandSource], said: str) -> None:
    trial = judged_beside(drive(), *runs, study=study_of(GAZE_STUDY))
    assert condition(trial).result == "undecided"
    assert trial.verdict == "undecided"
    assert [one for one in trial.conditions if one.measure not in ("on_road", "angle") and one.result != "met"] == []
    (sentence,) = [one.sentence for one in trial.findings if "gaze" in one.sentence]
    assert said in sentence
    assert {one.code for one in trial.findings} == {"source-unheard"}
    # a trial that looks at nothing of it is not touched
    assert judged_beside(drive(), *runs).verdict == "valid"


def test_a_source_that_was_started_again_is_known_again_after_a_mark() -> None:
    again = gaze(run="gaze-2", start_t=5.0, clock=lambda t: t - 500.0, marks=SYNC[2:])
    trial = judged_beside(drive(), gaze(end_t=4.9), again, study=study_of(GAZE_STUDY))
    assert (trial.verdict, condition(trial).result) == ("valid", "met")
    assert trial.sources[0].offset_s == pytest.approx(500.0, abs=0.02)


def test_a_signal_of_the_simulator_is_the_simulators() -> None:
    trial = judged_beside(drive(signals=lambda t: {"on_road": True, "angle": 0.0}), gaze(), study=study_of(GAZE_STUDY))
    assert condition(trial).result == "not met"


def test_end_and_trigger_of_another_source_are_not_the_simulators() -> None:
    marks: list[Mark] = [*SYNC, (3.0, "run_end", "", {}), (9.0, "trigger", "gate-brake", {}), (9.5, "abort", "", {})]
    trial = judged_beside(drive(), gaze(marks=sorted(marks)), study=study_of(GAZE_STUDY))
    assert (trial.verdict, trial.fired_at) == ("valid", FIRE_T)


# Markers of a sensor and a tablet.

MEASURED = STUDY.replace("[trigger.alert]", "[trigger.alert]\nmeasured = true", 1)
COMMANDED = (10.3, "alert_on", "alert", {"modality": "sound"})


def sensor(at_t: float | None = 10.4, sync: Sequence[Mark] = SYNC, **more: Any) -> HandSource:
    seen: list[Mark] = [] if at_t is None else [(at_t, *ALERT[1:])]
    plain = HandSource("s-1", "sensor", 200.0, ahead, signals=None, names={}, marks=sorted([*sync, *seen]))
    return replace(plain, **more)


def alert(trial: Trial) -> tuple[str, str | None, str]:
    return trial.alert.result, trial.alert.evidence, trial.verdict


def test_a_sensor_on_another_machine_times_the_alert() -> None:
    trial = judged_beside(drive(markers=[*SYNC, COMMANDED]), sensor=[sensor()], study=study_of(MEASURED))
    assert alert(trial) == ("as assigned", "measured", "valid")
    assert trial.alert.at == pytest.approx(10.4, abs=0.012)
    late = judged_beside(drive(markers=[*SYNC, COMMANDED]), sensor=[sensor(10.9)], study=study_of(MEASURED))
    assert alert(late) == ("late", "measured", "undecided")
    assert "alert-late" in {one.code for one in late.findings}


def test_an_alert_nearer_to_the_limit_than_the_clock_is_known_is_left_open() -> None:
    trial = judged_beside(drive(markers=[*SYNC, COMMANDED]), sensor=[sensor(10.602)], study=study_of(MEASURED))
    assert alert(trial) == ("not known", "measured", "undecided")
    (open_one,) = [one for one in trial.findings if one.code == "clock-unsure"]
    assert "the alert came later than the study allows" in open_one.sentence


@pytest.mark.parametrize("measured", [False, True])
@pytest.mark.parametrize("trouble", ["never", "silent", "no marks"])
def test_what_a_sensor_in_trouble_may_have_seen_is_not_known(trouble: str, measured: bool) -> None:
    sources = {"never": [], "silent": [sensor(None, end_t=6.0)], "no marks": [sensor(sync=[])]}[trouble]
    study = study_of(MEASURED if measured else STUDY)
    commanded = judged_beside(drive(markers=[*SYNC, COMMANDED]), gaze(), sensor=sources, study=study)
    assert alert(commanded) == ("as assigned", "commanded", "undecided" if measured else "valid")
    nothing = judged_beside(drive(markers=SYNC), gaze(), sensor=sources, study=study)
    assert alert(nothing) == ("not known", None, "undecided")
    # the sensor well, and still nothing: the alert was not given
    missing = judged_beside(drive(markers=SYNC), gaze(), sensor=[sensor(None)], study=study)
    assert alert(missing) == ("missing", None, "invalid")


def test_a_source_that_says_what_it_gives_is_believed() -> None:
    """Gaze alone is in trouble, and gives no alerts."""
    dead = [gaze(end_t=5.0, hello={"gives": []})]
    trial = judged_beside(drive(markers=SYNC), *dead, sensor=[sensor(None, hello={"gives": ["alert_on"]})])
    assert alert(trial) == ("missing", None, "invalid")
    trial = judged_beside(drive(markers=SYNC), gaze(hello={"gives": ["alert_on"]}, end_t=5.0), sensor=[sensor(None)])
    assert alert(trial) == ("not known", None, "undecided")


def test_the_task_of_a_tablet_is_placed_by_its_clock() -> None:
    text = STUDY.replace("[trigger.alert]", '[trigger.task]\nname = "grid"\nlasts_s = 2.0\n[trigger.alert]', 1)
    study = study_of(text.replace("lasts_s = 2.0", "lasts_s = 2.0\nbegins_at_least_s = 0.3\nbegins_at_most_s = 1.0"))

    def tablet(begins_t: float, **more: Any) -> HandSource:
        marks: list[Mark] = [(begins_t, "task_start", "grid", {}), (begins_t + 2.2, "task_end", "grid", {})]
        return sensor(None, [*SYNC, *marks], source="tablet", **more)

    def codes(tablet: list[HandSource]) -> set[str]:
        trial = judged_beside(drive(), gaze(), sensor=tablet, study=study)
        return {one.code for one in trial.findings}

    assert codes([tablet(9.5)]) == set()
    assert codes([tablet(9.9)]) == {"task-late"}  # by its own clock it would have begun after the fire
    assert codes([tablet(9.705)]) == {"clock-unsure"}
    assert codes([tablet(9.5, end_t=9.0)]) == {"clock-unsure", "source-unheard"}
    assert codes([sensor(None, source="tablet")]) == {"task-missing"}


WHEN_AWAY = GAZE_STUDY.replace(
    'measure = "station"\nat_least = 300.0\nedge = "rising"',
    'measure = "station"\nat_least = 250.0\n[[trigger.fires_when]]\nmeasure = "on_road"\nat_most = 0.5',
    1,
)
"""Fires as soon as the participant looks away, from 7.5 s of the drive on."""


# Blocks.

FEEDS_OF = {
    "two clocks": {1: [gaze()], 2: [sensor()]},
    "late samples": {1: [gaze(delay_s=0.7)], 2: [sensor(delay_s=1.1)]},
    "samples after the trial": {1: [gaze(frames_late_s=5.5)]},
    "restarted": {1: [gaze(end_t=9.8), gaze(run="g-2", start_t=10.0, clock=lambda t: t - 9.0, marks=SYNC[3:])]},
    "holes": {1: [gaze(lost=lambda t: 9.6 < t < 9.7 or 3.5 < t < 4.5)], 2: [sensor(10.602)]},
    "silent": {1: [gaze(end_t=8.0)], 2: [sensor(sync=[])]},
}


def trials_of(blocks: list[list[Entry]], text: str = GAZE_STUDY) -> str:
    study = study_of(text)
    session = Session(study, opening_of_several(study))
    for block in blocks:
        session.take(block)
    return json.dumps([trial_json(trial) for trial in session.trials()])


@cache
def entries_named(name: str) -> list[Entry]:
    """Two drives: in the second, whose trial is decided at 13 s, no further source is heard."""
    return entries_beside([drive(), drive(run="run-b", fire_t=10.0, end_t=15.0)], FEEDS_OF[name])


@cache
def whole(name: str, text: str = GAZE_STUDY) -> str:
    return trials_of([entries_named(name)], text)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    name=st.sampled_from(sorted(FEEDS_OF)),
    text=st.sampled_from([GAZE_STUDY, WHEN_AWAY]),
    cuts=st.lists(st.floats(0.0, 1.0), max_size=12),
    near_fire=st.lists(st.integers(-200, 900), max_size=12),
)
@pytest.mark.slow
def test_any_cut_into_blocks_gives_exactly_the_same_trials(
    name: str, text: str, cuts: list[float], near_fire: list[int]
) -> None:
    entries = entries_named(name)
    fire = next(index for index, one in enumerate(entries) if b"gate-brake" in one.payload)
    places = {round(cut * len(entries)) for cut in cuts} | {min(max(fire + k, 0), len(entries)) for k in near_fire}
    bounds = [0, *sorted(places), len(entries)]
    assert trials_of([entries[a:b] for a, b in pairwise(bounds)], text) == whole(name, text)


def test_one_entry_at_a_time_gives_the_same_trials() -> None:
    entries = entries_named("late samples")
    fire = next(index for index, one in enumerate(entries) if b"gate-brake" in one.payload)
    singly = [[entry] for entry in entries[fire - 100 : fire + 500]]
    assert trials_of([entries[: fire - 100], *singly, entries[fire + 500 :]]) == whole("late samples")


def test_no_number_in_it_is_nan() -> None:
    for name in FEEDS_OF:
        json.loads(whole(name), parse_constant=lambda name: pytest.fail(name))
    assert math.isfinite(json.loads(whole("two clocks"))[0]["sources"][0]["offset_s"])


def test_marks_close_together_pair_rightly_or_not_at_all() -> None:
    """Marks of one name each 0.6 s, and a source that comes in between two of them: never 0.6 s wrong."""
    often: list[Mark] = [(0.6 * k, "sync", "pulse", {}) for k in range(1, 41)]
    for start_t, delay_s in ((1.4, 0.0), (1.4, 0.2), (1.4, 0.35), (0.0, 0.25)):
        source = gaze(start_t=start_t, marks=[one for one in often if one[0] >= start_t], delay_s=delay_s)
        trial = judged_beside(drive(markers=sorted([*often, ALERT])), source, study=study_of(GAZE_STUDY))
        offset, off_by = trial.sources[0].offset_s, trial.sources[0].uncertainty_s
        assert (offset is None) == (delay_s > 0.2), delay_s
        if offset is not None:
            assert off_by is not None
            assert abs(offset + 0.4006) < off_by < 0.02


# A rule that looks at what a further source tells.


def timed(trial: Trial) -> tuple[str, str, set[str]]:
    codes = {one.code for one in trial.findings if one.code != "source-unheard"}
    return trial.timing.result, trial.verdict, codes


def test_a_rule_on_gaze_is_followed_by_the_drives_clock() -> None:
    study = study_of(WHEN_AWAY)
    assert timed(judged_beside(drive(), gaze(since_t=10.0), study=study))[0] == "on time"
    early = judged_beside(drive(), gaze(since_t=10.5), study=study)
    assert early.timing.result == "early"
    assert "fired-early" in timed(early)[2]
    late = judged_beside(drive(), gaze(since_t=9.0), study=study)
    assert late.timing.result == "late"
    assert late.timing.delay_s == pytest.approx(1.0, abs=0.04)


@pytest.mark.parametrize("runs", [[], [gaze(marks=[])], [gaze(end_t=7.0)]], ids=["never", "no marks", "silent"])
def test_a_rule_on_a_source_in_trouble_is_not_stated(runs: list[HandSource]) -> None:
    study = study_of(WHEN_AWAY)
    assert timed(judged_beside(drive(), *runs, study=study)) == ("not stated", "undecided", {"clock-unsure"})
    waiting = judged_beside(drive(fire_t=None, markers=SYNC), *runs, study=study)
    assert timed(waiting) == ("not stated", "undecided", {"clock-unsure"})
    # with all of it known: the rule never held, or held and nothing fired
    never = judged_beside(drive(fire_t=None, markers=SYNC), gaze(since_t=99.0), study=study)
    assert timed(never)[0] == "not reached"
    missed = judged_beside(drive(fire_t=None, markers=SYNC), gaze(), study=study)
    assert timed(missed)[0] == "missed"
    assert missed.timing.expected_at == pytest.approx(9.0, abs=0.04)
