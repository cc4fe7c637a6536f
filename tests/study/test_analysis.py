"""The study's `[analysis]`: what it becomes, and every fault of it named."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.errors import StudyFaults
from monitor.study.loading import parse_study
from monitor.study.model import AnalysisRule
from tests.judging.hand import STUDY

PLANNED = """
[analysis]
trigger = "gate-brake"
measure = "brake"
test = "gehan"
horizon_s = 2.5
within_s = 1.5
reference = "no-alert"
median = "midpoint"

[[analysis.contrast]]
of = "chime"
against = "no-alert"
"""


def test_a_planned_analysis_is_read_and_without_one_there_is_none() -> None:
    assert parse_study(STUDY, "study.toml").analysis is None
    assert parse_study(STUDY + "\n[analysis]\n", "study.toml").analysis == AnalysisRule()
    assert parse_study(STUDY + PLANNED, "study.toml").analysis == AnalysisRule(
        "gate-brake", "brake", "gehan", 2.5, 1.5, "no-alert", (("no-alert", "chime"),), "midpoint"
    )


@pytest.mark.parametrize(
    ("written", "instead", "words"),
    [
        ('"gate-brake"', '"gate-break"', ("analysis.trigger", '"gate-brake"')),
        ('reference = "no-alert"', 'reference = "no-alarm"', ("analysis.reference", '"no-alert"')),
        ("horizon_s = 2.5", "horizon_s = 9.0", ("analysis.horizon_s", "at most the horizon", "3")),
        ('test = "gehan"', 'test = "t"', ("analysis.test", '"log-rank"')),
        ('of = "chime"', 'of = "chimes"', ("analysis.contrast[1].of", '"chime"')),
        ('of = "chime"', 'of = "no-alert"', ("analysis.contrast[1]", "two different groups")),
    ],
)
def test_a_wrong_name_or_number_is_one_sentence(written: str, instead: str, words: tuple[str, ...]) -> None:
    with pytest.raises(StudyFaults) as caught:
        parse_study(STUDY + PLANNED.replace(written, instead, 1), "study.toml")
    (fault,) = caught.value.faults
    for word in words:
        assert word in fault


def test_a_contrast_twice_is_said() -> None:
    again = PLANNED + '\n[[analysis.contrast]]\nof = "no-alert"\nagainst = "chime"\n'
    with pytest.raises(StudyFaults, match="each contrast once"):
        parse_study(STUDY + again, "study.toml")


def test_no_analysis_of_groups_where_treatments_are_given_within_participants() -> None:
    text = (Path(__file__).parent / "files" / "everything-within.toml").read_text()
    with pytest.raises(StudyFaults, match=r"no \[analysis\] with \[treatments\]"):
        parse_study(text + "\n[analysis]\n", "study.toml")
