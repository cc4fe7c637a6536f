"""A source that tells its own clock against the clock of receipt: aligned without sync markers, or left undecided."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import msgpack
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.feed.clock_offset import ON_ITS_WAY_S, Receipt, Told, estimate_offset, receipt_pairs
from monitor.feed.decode import decode_message
from monitor.feed.schema import ClockTold, Hello
from monitor.judging.case.trial import ConditionResult, Trial
from monitor.judging.session import Session
from tests.judging.hand import HandDrive, study_of
from tests.judging.handsource import GAZE_STUDY, HandSource, entries_beside, judged_beside, opening_of_several
from tests.judging.test_beside import ALERT, SYNC, ahead, away, condition

STUDY = study_of(GAZE_STUDY)


def gaze(until_t: float = 12.0, offset_s: float = -0.4006, off_by: float = 0.001, **more: Any) -> HandSource:
    """Gaze without a sync marker, by a clock 0.4006 s ahead at the fire; its hello says so. Receipt is true time."""
    said = {"clock": {"offset_s": offset_s, "uncertainty_s": off_by}}
    names = {"on_road": "", "angle": "deg"}
    return replace(HandSource(clock=ahead, signals=away(9.0, until_t), names=names, hello=said), **more)


def judged(source: HandSource) -> tuple[Trial, ConditionResult]:
    trial = judged_beside(HandDrive(markers=[ALERT]), source, study=STUDY)
    return trial, condition(trial)


def test_the_verdict_is_right_without_a_sync_marker() -> None:
    trial, result = judged(gaze())
    assert (trial.verdict, result.result) == ("valid", "met")
    source = trial.sources[0]
    assert (source.marks, source.trouble) == (0, "")
    assert source.offset_s == pytest.approx(-0.4006, abs=source.uncertainty_s or 0.0)
    # a period of the simulator's, 1/60 s, half of 2 ms on its way, and the layer's own 1 ms, at the most
    assert 0.0 < (source.uncertainty_s or 0.0) < 1 / 60 + 0.001 + 0.001 + 0.001


def test_a_look_nearer_to_the_edge_than_the_clock_is_known_is_undecided() -> None:
    """The window ends at 10.0 s; the clock is known to 20 ms."""
    results = {until: judged(gaze(until_t=until))[1].result for until in (9.9, 10.0, 10.1)}
    assert results == {9.9: "not met", 10.0: "undecided", 10.1: "met"}


@pytest.mark.parametrize(
    "said",
    [
        {
            "offset_s": 1234.0,
            "uncertainty_s": 0.001,
        },  # the clock of another machine: its samples would come from the future
        {"offset_s": -900.0, "uncertainty_s": 0.001},
        {"offset_s": -0.4, "uncertainty_s": 0.9},  # known, but not well enough
        {"offset_s": math.nan, "uncertainty_s": 0.001},
        {"offset_s": -0.4, "uncertainty_s": -1.0},
        {"offset_s": "soon"},
        [1, 2],
        None,
    ],
)
def test_what_cannot_be_believed_leaves_it_undecided(said: Any) -> None:
    trial, result = judged(gaze(hello={"clock": said}))
    assert (trial.verdict, result.result) == ("undecided", "undecided")


def test_a_clock_that_sync_markers_contradict_is_known_less_well_and_never_wrongly() -> None:
    """The hello says 0.2 s less than the markers: the eyes' return at 10.05 s cannot be told from one at 9.85."""
    wrong = gaze(until_t=10.05, offset_s=-0.6006, marks=SYNC)
    trial = judged_beside(HandDrive(end_t=25.0, markers=[*SYNC, ALERT]), wrong, study=STUDY)
    assert condition(trial).result == "undecided"


def test_blocks_change_nothing() -> None:
    entries = entries_beside([HandDrive(markers=[ALERT])], {1: [gaze()]})
    whole = Session(STUDY, opening_of_several(STUDY))
    whole.take(entries)
    one_by_one = Session(STUDY, opening_of_several(STUDY))
    for entry in entries:
        one_by_one.take([entry])
    assert one_by_one.trials() == whole.trials()


@given(
    offset_s=st.floats(-1e9, 1e9),
    drift=st.floats(-9e-4, 9e-4),
    off_by=st.floats(0.0, 0.02),
    errors=st.lists(st.floats(-1.0, 1.0), min_size=20, max_size=20),
    lates=st.lists(st.floats(0.0, 1.0), min_size=20, max_size=20),
    period_s=st.sampled_from([1 / 20, 1 / 60, 1 / 240]),
)
def test_the_true_offset_is_always_inside_the_stated_uncertainty(
    offset_s: float, drift: float, off_by: float, errors: list[float], lates: list[float], period_s: float
) -> None:
    """Twenty seconds of a clock that drifts, told each second with an error inside its uncertainty; frames that are
    from nothing to a period and the allowance on their way. Simulation time is true time."""
    told = [
        Told(-(offset_s + drift * at) + error * off_by, off_by, at + 0.3) for at, error in enumerate(errors)
    ]  # receipt = own time + offset, so the offset told is the negative of how far it is ahead
    receipts = []
    for at, late in enumerate(lates):
        t = at - late * (period_s + ON_ITS_WAY_S)
        receipts.append(Receipt(float(at), t, t + period_s + ON_ITS_WAY_S))
    found = estimate_offset(receipt_pairs(receipts, told), period_s, 1 / 100)
    assert found is not None
    for own_t in (5.0, 12.5, 19.0):
        ahead_s = offset_s + drift * own_t
        told_s, known_to = found.at(own_t + ahead_s)
        slack = 1e-6 + 1e-15 * abs(offset_s) * 1e3 + 1e-3 * 0.3  # told 0.3 s later than the receipt
        assert abs(told_s + ahead_s) <= known_to + slack


def test_the_key_is_decoded_and_refuses_nothing() -> None:
    def hello(clock: Any) -> Any:
        fields = {"v": 1, "run": "r", "source": "s", "rate_hz": 60.0, "signals": {}, "clock": clock}
        decoded = decode_message([b"hello", msgpack.packb(fields)])
        assert isinstance(decoded, Hello)
        return decoded.clock

    assert hello({"offset_s": 3, "uncertainty_s": 0.5}) == ClockTold(3.0, 0.5)
    for other in (None, 7, {}, {"offset_s": 1.0}, {"offset_s": True, "uncertainty_s": 0.1}, {"offset_s": math.inf}):
        assert hello(other) is None
