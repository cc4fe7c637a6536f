"""What loading says of a study file without fault that may still not be meant."""

from __future__ import annotations

import copy
import tomllib
from typing import Any

import pytest

from monitor.study.loading import parse_study
from monitor.tables.faults import Path
from tests.study.conftest import FILES, faults_of, to_toml
from tests.study.test_meaning import GONE, edited


def test_a_surprise_that_comes_again_is_cautioned_unless_the_study_takes_it_so(everything: dict[str, Any]) -> None:
    everything["trigger"][0]["expected"] = 3
    (caution,) = (one for one in parse_study(to_toml(everything), "x.toml").cautions if "not-naive" in one)
    assert caution.startswith('gate-brake has the surprise class "rear-end" and is expected 3 times')
    everything["reasons"]["not-naive"] = {"severity": "note"}
    assert not [one for one in parse_study(to_toml(everything), "x.toml").cautions if "not-naive" in one]


FILE = tomllib.loads((FILES / "everything-within.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, []),
        ({("groups", "BA"): GONE}, ["in place 1 stand chime 1, silent 0 times"]),
        ({("groups", "BA", "order"): ["chime", "silent"]}, ["in place 1 stand chime 2, silent 0 times"]),
        ({("groups", "AB", "each"): 3}, ["expected 20 times, and the order of AB has 6 events"]),
        ({("trigger", 0, "expected"): "any"}, []),
    ],
)
def test_orders_that_confound_time_and_treatment_are_cautioned(changes: dict[Path, object], words: list[str]) -> None:
    study = parse_study(to_toml(edited(copy.deepcopy(FILE), changes)), "within.toml")
    assert len(study.cautions) == len(words)
    assert all(word in caution for word, caution in zip(words, study.cautions, strict=True))


def test_a_treatment_that_nobody_is_given_is_a_fault() -> None:
    lone: dict[Path, object] = {("groups", "AB", "order"): ["chime"], ("groups", "BA"): GONE}
    (fault,) = faults_of(to_toml(edited(copy.deepcopy(FILE), lone)))
    assert "treatments.silent: expected a treatment that stands in the order of a group" in fault
