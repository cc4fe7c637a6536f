"""The tables of the format against the model, and the words in which values are repeated."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

import pytest

from monitor.measures.arrival import Point
from monitor.study import shape
from monitor.study.model import AnalysisRule, AssignmentRule, SheetStep, Signal, Treatment, Trigger
from monitor.study.rules import (
    ActionRule,
    AlertRule,
    BeforeRule,
    HazardRule,
    RearmRule,
    ResponseRule,
    TaskRule,
)
from monitor.tables.faults import found_text, path_text, quoted
from monitor.tables.kinds import Section

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


def keys_under(*path: str) -> set[str]:
    section: object = shape.STUDY_FILE
    for step in path:
        assert isinstance(section, Section)
        kind = section.keys[step].kind
        section = getattr(kind, "section", getattr(kind, "kind", kind))
    assert isinstance(section, Section)
    return set(section.keys)


@pytest.mark.parametrize(
    ("path", "model", "renamed"),
    [
        (("trigger",), Trigger, {"conditions": "condition"}),
        (("trigger", "alert"), AlertRule, {}),
        (("trigger", "task"), TaskRule, {}),
        (("trigger", "before"), BeforeRule, {}),
        (("trigger", "hazard"), HazardRule, {}),
        (("trigger", "response"), ResponseRule, {"signs": "sign"}),
        (("trigger", "action"), ActionRule, {}),
        (("trigger", "rearm"), RearmRule, {}),
        (("points",), Point, {"name": None}),
        (("treatments",), Treatment, {"name": None}),
        (("sheet",), SheetStep, {}),
        (("assignment",), AssignmentRule, {}),
        (("analysis",), AnalysisRule, {"contrasts": "contrast"}),
        (("signals",), Signal, {"name": None}),
    ],
)
def test_a_section_has_the_fields_of_its_model(
    path: tuple[str, ...], model: type[DataclassInstance], renamed: dict[str, str | None]
) -> None:
    names = {renamed.get(field.name, field.name) for field in fields(model)} - {None}
    assert keys_under(*path) == names


def test_what_a_terminal_would_obey_is_escaped() -> None:
    assert quoted("\x1b[2J\x9b2J\u202e\u2028a\n") == '"\\u001b[2J\\u009b2J\\u202e\\u2028a\\n"'
    assert path_text(("groups", "\x9b2J", "alert", 0)) == 'groups."\\u009b2J".alert[1]'
    assert quoted("é – 猫") == '"é – 猫"'


def test_a_long_text_is_cut() -> None:
    assert quoted("a" * 61) == '"' + "a" * 59 + '…"'
    assert found_text(10**400) == "a number of more than 18 digits"
