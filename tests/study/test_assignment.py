"""Participants' codes, strata, and allocation lists."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.errors import WitnessError
from monitor.study.assignment import check_code, check_stratum, read_allocation
from monitor.study.loading import parse_study
from monitor.study.model import AssignmentRule, Study


def test_a_stratum_is_asked_for_where_the_study_has_strata(everything_text: str) -> None:
    rule = parse_study(everything_text, "study.toml").assignment
    assert rule is not None
    assert check_stratum(rule, "40 and over") == "40 and over"
    with pytest.raises(WitnessError, match='no stratum was given; the strata are "under 40" and "40 and over"'):
        check_stratum(rule, None)
    with pytest.raises(WitnessError, match='there is no stratum "old"'):
        check_stratum(rule, "old")
    assert check_stratum(replace(rule, strata=()), "anything") == ""


def test_a_code_that_may_be_a_name_is_refused(dusk_road: Study) -> None:
    with pytest.raises(WitnessError, match=r'"Quentin" does not fit this study\'s pattern Q\[0-9\]\{2,3\}; use a code'):
        check_code(dusk_road, "Quentin")


def test_an_allocation_list_is_read(dusk_road: Study, tmp_path: Path) -> None:
    study = replace(dusk_road, assignment=AssignmentRule("list", file="allocation.csv"))
    file = tmp_path / "allocation.csv"
    file.write_bytes(b"\xef\xbb\xbfGroup, Participant,age band\r\nchime,Q01,young\r\n\r\nno-alert, Q02 ,old\r\n")
    allocation = read_allocation(study, file)
    assert allocation == {"Q01": "chime", "Q02": "no-alert"}


def test_every_wrong_line_of_an_allocation_list_is_said(dusk_road: Study, tmp_path: Path) -> None:
    file = tmp_path / "allocation.csv"
    file.write_text("participant,group\nQ01,chime\nQ02,chimes\nQ01,no-alert\nQuentin,chime\nQ05\n")
    with pytest.raises(WitnessError) as caught:
        read_allocation(dusk_road, file)
    assert str(caught.value).splitlines()[1:] == [
        '  line 3: the study has no group "chimes"; did you mean "chime"?',
        '  line 4: "Q01" stands in line 2 already.',
        '  line 5: "Quentin" does not fit the pattern Q[0-9]{2,3}.',
        "  line 6: a cell is missing.",
    ]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", 'lacks "participant" and "group"'),
        (b"participant;group\nQ01;chime\n", 'lacks "participant" and "group"'),
        (b"code,group\n", 'lacks "participant"'),
        (b"participant,group\nQ01,ch\xe4me\n", "not UTF-8"),
        (b'participant,group\n"Q01,chime\n', "is not CSV"),
        (b"#" * (1 << 20) + b"\n", "1048576 are the most"),
    ],
    ids=["empty", "semicolons", "no participant", "latin-1", "open quote", "too large"],
)
def test_a_file_that_is_no_allocation_list_is_one_sentence(
    dusk_road: Study, tmp_path: Path, raw: bytes, words: str
) -> None:
    file = tmp_path / "allocation.csv"
    file.write_bytes(raw)
    with pytest.raises(WitnessError, match=words) as caught:
        read_allocation(dusk_road, file)
    assert "\n" not in str(caught.value)


def test_an_absent_allocation_list_is_one_sentence(dusk_road: Study, tmp_path: Path) -> None:
    with pytest.raises(WitnessError, match=r"cannot be read \(No such file or directory\)"):
        read_allocation(dusk_road, tmp_path / "absent.csv")
