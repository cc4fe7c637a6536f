"""The rows and the bands against judging itself: nothing in the explanation may decide otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.archive.review import review_record
from monitor.judging.case.conditions import NOBODY, condition_standing, judge_condition
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.session import Session
from monitor.record.entries import Entry
from monitor.replay.explain.sweep import SweptTrial, sweep, swept_trials
from monitor.replay.lines.bands import Asked, needed_band, needed_tolerance
from monitor.replay.lines.line import LineMaking
from monitor.replay.lines.rows import had_it_fired
from monitor.study.band import Band
from monitor.study.model import AtFire, Condition, During, Measure, Within
from tests.judging.hand import STUDY, HandDrive, entries_of, opening_of, study_of
from tests.replay.conftest import write_record

RATE_HZ = 20.0
SIGNAL = Measure("signal", "number", None, "m")


def stretch_of(values: list[float], lost: frozenset[int]) -> Stretch:
    """A stretch of frames 1/20 s apart, whose signal has these values; NaN is not measured."""
    drive = HandDrive(
        rate_hz=RATE_HZ,
        end_t=(len(values) - 1) / RATE_HZ,
        signals=lambda t: {"number": values[round(t * RATE_HZ)]},
        lost_frames=lost,
        fire_t=None,
        markers=[],
        ends=False,
    )
    session = Session(study_of(), opening_of(study_of()))
    session.take(entries_of(drive, close=False))
    log = session.drives[0].log
    stretch = cut_stretch(log, 0.0, len(values) / RATE_HZ, session.last_number)
    assert stretch is not None
    return stretch


numbers = st.lists(st.sampled_from([0.0, 0.9, 1.0, 1.5, 2.0, 2.1, 9.0, float("nan")]), min_size=12, max_size=40)
losses = st.frozensets(st.integers(1, 38), max_size=5)
bands = st.sampled_from(
    [
        Band(1.0, 2.0),
        Band(None, 2.0),
        Band(1.0, None, 0.1),
        Band(1.0, 2.0, 0.1),
        Band(None, None, outside=(0.95, 2.05)),
        Band(None, None, 0.1, outside=(1.0, 2.0)),
    ]
)
before = st.sampled_from(
    [AtFire(), During(-1.0, 0.0), During(-1.0, -0.3), During(-1.0, 0.0, 0.7), During(-0.5, 0.0, 0.3)]
)
whens = st.one_of(before, st.sampled_from([Within(0.5, 0.2), During(-0.2, 0.4)]))
WORDS = {1: "met", 0: "not met", -1: "undecided"}


@settings(max_examples=25, deadline=None)
@given(numbers, losses, bands, before)
def test_had_it_fired_here_is_what_judging_says_of_a_fire_here(
    values: list[float], lost: frozenset[int], band: Band, when: AtFire | During
) -> None:
    stretch = stretch_of(values, frozenset(one for one in lost if one < len(values) - 1))
    condition = Condition("number", SIGNAL, band, when)
    standing = condition_standing(condition, stretch, NOBODY.rows_in(stretch))
    states = had_it_fired(condition, standing, stretch)
    for index, t in enumerate(stretch.t):
        judged = judge_condition(condition, stretch, float(t))
        assert WORDS[int(states[index])] == judged.result, (index, float(t))


@settings(max_examples=25, deadline=None)
@given(numbers, losses, bands, whens, st.floats(0.2, 1.8))
def test_the_needed_tolerance_passes_and_any_less_does_not(
    values: list[float], lost: frozenset[int], band: Band, when: AtFire | During | Within, fired_at: float
) -> None:
    stretch = stretch_of(values, frozenset(one for one in lost if one < len(values) - 1))
    asked = Asked(Condition("number", SIGNAL, band, when), stretch, fired_at, NOBODY)
    needed = needed_tolerance(asked)
    if needed is None:
        assert asked.with_band(replace(band, tolerance=1e9)) != "met"
        assert needed_band(asked).tolerance is None
        assert needed_band(asked).why_not
        return
    assert asked.with_band(replace(band, tolerance=needed)) == "met"
    if needed > 0.0:
        assert asked.with_band(replace(band, tolerance=needed - 1e-5)) != "met"
    found = needed_band(asked)
    # with both edges loosened by the tolerance, rounding may cost the last digit
    assert "met" in (
        asked.with_band(found.band),
        asked.with_band(replace(found.band, tolerance=1e-9)),
    )
    if found.at_most != band.at_most and found.at_least == band.at_least and found.at_most is not None:
        assert asked.with_band(Band(found.at_least, found.at_most - 1e-5)) != "met"
    if found.at_least != band.at_least and found.at_most == band.at_most and found.at_least is not None:
        assert asked.with_band(Band(found.at_least + 1e-5, found.at_most)) != "met"


def lines_of(entries: list[Entry], at_once: int) -> list[tuple[object, ...]]:
    study = study_of()
    session, making = Session(study, opening_of(study)), LineMaking(study)
    for first in range(0, len(entries), at_once):
        session.take(entries[first : first + at_once])
        making.take(session)
    return [
        (key, spell.start_t, spell.end_t, spell.state, str(spell.margin), str(spell.value), str(spell.margin_t))
        for key, line in sorted(making.lines.items())
        for spell in line.spells
    ]


@pytest.mark.parametrize("at_once", [5, 100, 256])
def test_the_line_does_not_depend_on_how_entries_were_cut(at_once: int) -> None:
    drive = HandDrive(
        rate_hz=20.0,
        lost_frames=frozenset({30, 31, 77, 250}),
        end_t=14.0,
        own=lambda t: {"speed": 20.0, "station": 100.0 + 20.0 * t + 3.0 * (round(t * 20.0) % 3)},
    )
    entries = entries_of(drive, HandDrive(run="run-b", rate_hz=20.0, end_t=12.0, fire_t=None))
    assert lines_of(entries, at_once) == lines_of(entries, 60)
    assert len(lines_of(entries, 60)) > 20


def gaps_in(folder: Path) -> list[Path]:
    """Four records whose van is 24, 30, 40 and 60 m ahead: time gaps 1.2, 1.5, 2.0, 3.0 s. The last never fires."""
    paths = []
    for place, gap_m in enumerate((24.0, 30.0, 40.0, 60.0)):
        shift = gap_m - 30.0
        plain = HandDrive()

        def van(t: float, shift: float = shift, plain: HandDrive = plain) -> dict[str, float]:
            others = HandDrive._frame(plain, 0, t, 0)["others"]
            return {name: others[name][0] + shift for name in ("x", "station")}

        drive = HandDrive(rate_hz=20.0, van=van, fire_t=None if gap_m == 60.0 else 10.0)
        name = f"Q0{place + 1}-20261003T10150{place}Z-0a1b.run"
        paths.append(write_record(folder, drive, name=name))
    return paths


def test_a_sweep_counts_what_judging_again_at_each_tolerance_counts(tmp_path: Path) -> None:
    paths = gaps_in(tmp_path)
    trials: list[SweptTrial] = [one for path in paths for one in swept_trials(path, "gate-brake", "time gap")]
    # band 1.3 to 1.9 s
    assert [one.needed if one.needed is None else round(one.needed, 5) for one in trials] == [0.1, 0.0, 0.1, None]
    rows = sweep(trials, up_to=0.2, steps=2)
    # 0.1 as it is written is a little less than 2.0 − 1.9, which the band's float slack allows for
    assert [(round(row.tolerance, 3), row.valid) for row in rows] == [(0, 1), (0.1, 3), (0.2, 3)]
    for row in rows:
        text = STUDY.replace("at_most = 1.9", f"at_most = 1.9\ntolerance = {row.tolerance!r}")
        verdicts = [one.verdict for path in paths for one in review_record(path, study_of(text)).session.trials()]
        counted = tuple(verdicts.count(verdict) for verdict in ("valid", "invalid", "undecided"))
        assert counted == (row.valid, row.invalid, row.undecided), row.tolerance
