"""Two coders: kappa against a published formula's library, the page's contents, adjudication by a ruling."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import WitnessError
from monitor.judging.entered.coding import cases, codings_of, refused
from monitor.record.addendum import append_addendum, read_addendum
from monitor.replay.coding import CodingDesk
from monitor.reports.agreement import agree, agreement_json, agreement_lines, coded_trials
from monitor.reports.statistics.agreement import cohens_kappa
from monitor.study.reasons import BUILT_IN_REASONS
from tests.commands.running import call
from tests.judging.hand import HandDrive, judged, study_of
from tests.lazily import Lazily
from tests.reports.making import BLIND, REPORT_STUDY, hand_drive, hand_record
from tests.reports.test_tally import TRIAL, ruling, too_long_gap

inter_rater = Lazily("statsmodels.stats.inter_rater")


def test_the_trades_check_value() -> None:
    # 20, 5 / 10, 15: observed 0.70, expected 0.50, kappa 0.40 (computed by hand)
    found = cohens_kappa(np.array([[20.0, 5.0], [10.0, 15.0]]))
    assert (found.observed, found.expected, found.kappa) == pytest.approx((0.7, 0.5, 0.4))


@given(st.lists(st.lists(st.integers(0, 60), min_size=3, max_size=3), min_size=3, max_size=3))
def test_kappa_and_its_interval_are_those_of_the_reference_library(rows: list[list[int]]) -> None:
    table = np.array(rows, dtype=np.float64)
    found = cohens_kappa(table)
    if found.kappa is None:
        assert table.sum() == 0 or np.count_nonzero(table.sum(axis=0)) == 1 == np.count_nonzero(table.sum(axis=1))
        return
    with np.errstate(all="ignore"):
        ours = inter_rater.cohens_kappa(table)
    assert found.kappa == pytest.approx(ours.kappa, abs=1e-9)
    spread = float(ours.std_kappa)
    # where there is no spread the reference takes the root of a negative rounding, and has no number
    assert found.se == pytest.approx(0.0 if math.isnan(spread) else spread, abs=1e-7)
    if found.low is None:
        assert found.se == 0.0
        return
    assert (found.low, found.high) == pytest.approx((float(ours.kappa_low), float(ours.kappa_upp)), abs=1e-6)


def test_one_category_only_has_no_kappa() -> None:
    found = cohens_kappa(np.diag([7.0, 0.0, 0.0]))
    assert (found.n, found.observed, found.kappa) == (7, 1.0, None)
    assert cohens_kappa(np.zeros((3, 3))).observed is None


@pytest.mark.parametrize(
    ("table", "kappa"),
    [(np.diag([3.0, 2.0, 0.0]), 1.0), (np.array([[1.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]]), 0.0)],
    ids=["all equal", "one of them with one verdict"],
)
def test_a_table_without_a_spread_has_no_interval(table: np.ndarray, kappa: float) -> None:
    """Five trials coded alike are not sure to be coded alike for ever."""
    found = cohens_kappa(table)
    assert (found.kappa, found.se, found.low, found.high) == (kappa, 0.0, None, None)


# What a coder is told


def told(drive: HandDrive, text: str = REPORT_STUDY, **more: Any) -> str:
    session = judged(drive, study=study_of(text), **more)
    return repr(cases(session.study, session.trials()))


def test_neither_verdict_nor_group_nor_response_is_told() -> None:
    drive = hand_drive("chime", 0.8)
    said = told(drive)
    for hidden in ("chime", "sound", "valid", "0.8", "responded", "met"):
        assert hidden not in said, hidden
    assert "1.3 to 1.9 s" in said, "the band is there, the coder says whether the value lies in it"
    # what the driver does, and which group it was, changes nothing of it
    assert said == told(hand_drive("chime", None)) == told(hand_drive("no-alert", 0.8), group="no-alert")


def test_what_was_given_instead_of_the_alert_names_no_group() -> None:
    light = [(10.3, "alert_on", "alert", {"modality": "light", "measured": True})]
    said = told(hand_drive("chime", 0.8, markers=light))
    assert "Another alert was given than the one assigned." in said
    assert "light" not in said
    assert "sound" not in said
    mismatch = told(hand_drive("no-alert", 0.8, markers=light))
    assert "The simulator ran another group than the one assigned." in mismatch
    assert "chime" not in mismatch


@pytest.mark.parametrize(
    ("verdict", "reason", "taken"),
    [
        (None, "", False),
        ("valid", "", True),
        ("valid", "judged-harmless", True),
        ("valid", "equipment", False),
        ("invalid", "", False),
        ("invalid", "equipment", True),
        ("undecided", "", False),
        ("undecided", "nonsense", False),
    ],
)
def test_which_codings_are_taken(verdict: Any, reason: str, taken: bool) -> None:
    assert (refused(verdict, reason, BUILT_IN_REASONS) is None) is taken


@pytest.mark.slow
def test_a_coding_is_entered_beside_the_record_lifts_nothing_and_no_other_coder_sees_it(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07", text=BLIND)
    desk = CodingDesk(path, "cora")
    assert (desk.waiting, len(desk.cases), len(desk.name)) == (1, 1, 8)
    assert desk.enter(TRIAL, "invalid", "", "") == "invalid takes a reason."
    assert desk.enter(TRIAL, "invalid", "equipment", "lamp") is None
    assert desk.waiting == 0
    document = json.loads(call("review", str(path), "--json").stdout)[0]["trials"][0]
    assert (document["effective"], document["rulings"], document["response_hidden"]) == ("valid", [], True)
    assert "lamp" not in call("review", str(path), "--json").stdout
    assert "lamp" not in call("closeout", str(path)).stdout
    assert CodingDesk(path, "dan").mine == {}
    assert CodingDesk(path, "cora").mine[TRIAL].verdict == "invalid"
    assert desk.enter(TRIAL, "valid", "", "") is None
    codings = codings_of(read_addendum(path))[TRIAL]
    assert (len(codings), codings["cora"].verdict) == (1, "valid"), "the last word of each coder counts"


def test_a_record_that_is_not_closed_is_not_coded(tmp_path: Path) -> None:
    desk = CodingDesk(hand_record(tmp_path, "Q07", closed=False), "cora")
    with pytest.raises(WitnessError, match="is not closed"):
        desk.enter(TRIAL, "valid", "", "")


# The report


def coding(trial: str, verdict: str, by: str, reason: str = "") -> dict[str, Any]:
    fields = {"type": "coding", "trial": trial, "verdict": verdict, "by": by, "reason": reason, "words": ""}
    return {**fields, "key": f"{trial}{by}{verdict}", "wall": 1.7e9}


@pytest.fixture
def coded(tmp_path: Path) -> Path:
    """Ten records: the coders agree on eight, differ on one, and one was coded by cora only."""
    for number in range(10):
        drive = too_long_gap() if number % 3 == 0 else hand_drive()
        path = hand_record(tmp_path, f"Q{10 + number}", drive=replace(drive), day=number)
        first = "invalid" if number % 3 == 0 else "valid"
        append_addendum(path, coding(TRIAL, first, "cora", "operator-error" if first == "invalid" else ""))
        if number != 9:
            second = "undecided" if number == 4 else first
            append_addendum(path, coding(TRIAL, second, "dan", "" if second == "valid" else "operator-error"))
    return tmp_path


def test_the_table_kappa_and_what_is_to_be_adjudicated(coded: Path) -> None:
    document = agreement_json(coded)
    assert document["coders"] == ["cora", "dan"]
    assert document["verdicts"] == ["valid", "invalid", "undecided"]
    assert document["table"] == [[5, 0, 1], [0, 3, 0], [0, 0, 0]]
    assert document["n"] == 9
    theirs = inter_rater.cohens_kappa(np.array(document["table"]))
    assert document["kappa"] == pytest.approx(theirs.kappa)
    assert document["interval"] == pytest.approx([theirs.kappa_low, theirs.kappa_upp])
    (differs,) = document["disagreements"]
    assert {by: one["verdict"] for by, one in differs["codings"].items()} == {"cora": "valid", "dan": "undecided"}
    assert (differs["ruling"], len(document["coded_once"])) == (None, 1)
    said = " ".join(agreement_lines(coded))
    assert "kappa 0.786" in " ".join(said.split())
    assert "to be adjudicated: 1 trial" in said
    # the adjudicated ruling is the one that counts
    append_addendum(coded / differs["record"], ruling(TRIAL, "invalid", "equipment"))
    assert agreement_json(coded)["disagreements"][0]["ruling"] == "invalid"
    assert "to be adjudicated: 0 trials" in " ".join(agreement_lines(coded))
    told_ = json.loads(call("review", str(coded / differs["record"]), "--json").stdout)[0]
    assert told_["trials"][0]["effective"] == "invalid"


def test_of_three_coders_each_pair_is_compared(coded: Path) -> None:
    path = next(coded.glob("Q11*"))
    append_addendum(path, coding(TRIAL, "valid", "eve"))
    trials, unread = coded_trials(coded)
    assert unread == []
    assert [(one.first, one.second) for one in agree(trials)] == [("cora", "dan"), ("cora", "eve"), ("dan", "eve")]
    assert "kappa" not in agreement_json(coded)


@pytest.mark.slow
def test_the_command_and_a_directory_without_codings(coded: Path, tmp_path: Path) -> None:
    done = call("agreement", str(coded), "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["n"] == 9
    empty = tmp_path / "empty"
    empty.mkdir()
    done = call("agreement", str(empty))
    assert (done.returncode, done.stdout) == (0, f"{empty} holds no trial that two coders have coded.\n")
    assert all(len(line) <= 80 for line in call("agreement", str(coded)).stdout.splitlines())


def test_the_page_needs_a_name_and_a_terminal(coded: Path) -> None:
    path = str(next(coded.glob("Q11*")))
    assert "needs --by NAME" in call("replay", path, "--code").stderr
    assert "needs a terminal" in call("replay", path, "--code", "--by", "cora").stderr
