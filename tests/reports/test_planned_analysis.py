"""The comparison that the study fixed, and contacts as ends that compete with a response."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from monitor.archive.gathering import gather
from monitor.archive.looks import AUDIT_NAME
from monitor.reports.comparison.comparison import Comparison, compare_studies
from monitor.reports.comparison.plan import Asked
from monitor.reports.comparison.text import comparison_lines
from monitor.reports.comparison.words import comparison_json
from tests.commands.running import call
from tests.judging.hand import FIRE_T, Mark
from tests.reports.making import REPORT_STUDY, hand_drive, hand_record

THREE = REPORT_STUDY.replace(
    "[groups.no-alert]", '[groups.light]\nalert = ["sound"]\nplanned = 4\n[groups.no-alert]', 1
)
PLANNED = THREE + '\n[analysis]\nmeasure = "brake"\nwithin_s = 1.0\nhorizon_s = 2.5\nreference = "no-alert"\n'


def compared(directory: Path, asked: Asked = Asked()) -> Comparison:  # noqa: B008 - frozen
    (one,) = compare_studies(gather(directory), asked)
    return one


def words(one: Comparison) -> str:
    return " ".join(" ".join(comparison_lines(one, 1)).split())


@pytest.fixture
def three(tmp_path: Path) -> Path:
    """Three groups of two; one brakes after 2.7 s, beyond the horizon that the analysis fixes."""
    for place, (group, responses) in enumerate(
        {"chime": (0.6, 0.7), "light": (0.8, 0.9), "no-alert": (1.4, 2.7)}.items()
    ):
        for number, response_s in enumerate(responses):
            hand_record(tmp_path, f"Q{place}{number}", group, response_s, text=PLANNED)
    return tmp_path


def test_measure_horizon_and_contrasts_are_those_of_the_study(three: Path) -> None:
    one = compared(three)
    by_name = {group.group: group for group in one.groups}
    # the brake comes at the frame after the stated time, the accelerator one frame before it
    assert by_name["chime"].times.t.tolist() == pytest.approx([0.6, 0.7])
    assert by_name["no-alert"].times.t.tolist() == [1.4, 2.5]
    assert by_name["no-alert"].ended("horizon") == 1
    assert [(pair.first, pair.second) for pair in one.pairs] == [("no-alert", "chime"), ("no-alert", "light")]
    assert one.pairs[0].median_difference_s == pytest.approx(0.6 - 1.4)
    # Holm over two contrasts, not over three pairs
    p_values = sorted(pair.test.p or 1.0 for pair in one.pairs)
    assert min(pair.p_holm or 1.0 for pair in one.pairs) == pytest.approx(2 * p_values[0])
    text = words(one)
    assert "NOT FIXED" not in text
    assert "NOT AS" not in text
    assert "the contrasts that the study fixed, Holm over 2:" in text
    document = comparison_json(one, 1)
    assert document["fixed_in_the_study"] is True
    assert document["contrasts"] == [["no-alert", "chime"], ["no-alert", "light"]]


def test_an_analysis_asked_for_otherwise_says_so(three: Path) -> None:
    one = compared(three, Asked(measure="first", test="gehan", within_s=2.0))
    assert (
        "NOT AS THE STUDY FIXED IT: measure first instead of brake; test gehan instead of log-rank; "
        "share responded by 2.0 instead of 1.0." in words(one)
    )
    assert comparison_json(one, 1)["fixed_in_the_study"] is False
    assert compared(three, Asked(measure="brake", test="log-rank", within_s=1.0)).analysis.otherwise == ()


def test_a_study_without_an_analysis_says_that_it_was_chosen_now(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01")
    assert "NOT FIXED BEFOREHAND" in words(compared(tmp_path))


def test_the_look_file_has_the_whole_analysis(three: Path) -> None:
    done = call("compare", str(three), "--unblind", "--by", "anna", "--test", "gehan")
    assert done.returncode == 0, done.stderr
    (analysis,) = json.loads((three / AUDIT_NAME).read_text())["what"]["analyses"]
    assert (analysis["test_name"], analysis["measure"], analysis["horizon_s"]) == ("gehan", "brake_onset_s", 2.5)
    assert len(analysis["study_files"][0]) == 64
    assert analysis["otherwise"] == ["test gehan instead of log-rank"]


def test_a_contact_competes_with_the_response_and_is_the_worst_rank(tmp_path: Path) -> None:
    contact: list[Mark] = [(FIRE_T + 1.0, "collision", "van", {})]
    alert: list[Mark] = [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True})]
    for number, response_s in enumerate((0.6, 0.8, 1.4, 1.6)):
        hand_record(tmp_path, f"Q1{number}", response_s=response_s)
    hand_record(tmp_path, "Q19", drive=hand_drive(response_s=None, markers=[*alert, *contact]))
    for number, response_s in enumerate((1.2, 1.8)):
        hand_record(tmp_path, f"Q2{number}", "no-alert", response_s)
    for number in range(2):
        hand_record(tmp_path, f"Q3{number}", "no-alert", drive=hand_drive("no-alert", None, markers=contact))
    one = compared(tmp_path, Asked(measure="brake", within_s=2.0))
    chime, none = (group.competing for group in one.groups)
    # by hand, no other censoring: 4 of 5 and 2 of 4 had responded by 2 s; 1 of 5 and 2 of 4 had contact
    assert (chime.responded_by[0], none.responded_by[0]) == pytest.approx((0.8, 0.5))
    assert (chime.contact_by_horizon[0], none.contact_by_horizon[0]) == pytest.approx((0.2, 0.5))
    # the curve has half of the second group responding by 1.2 s, because it takes a contact for one who would have
    assert (none.median_s, one.groups[1].median_s) == (1.8, 1.2)
    assert chime.responded.share == pytest.approx([0.2, 0.4, 0.4, 0.6, 0.8])  # at 0.6 0.8 1.0 1.4 1.6 s
    # ranks 1 2 4.. of 0.6 0.8 | 1.2 | 1.4 1.6 | 1.8 | contact contact contact: sums 1+2+4+5+8 and 3+6+8+8
    assert one.worst_rank is not None
    assert one.worst_rank.observed.tolist() == [20.0, 25.0]
    assert one.worst_rank.exact
    lines = comparison_lines(one, 1)
    assert max(map(len, lines)) <= 80
    text = " ".join(" ".join(lines).split())
    assert "contact as an end that competes with the response (Aalen & Johansen)" in text
    assert "worst rank, contact after no response (Mann-Whitney, exact): χ² = " in text
