"""Study files as nested values, and a writer that makes TOML text of them again."""

from __future__ import annotations

import datetime
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import StudyFaults
from monitor.study.loading import load_study, parse_study
from monitor.study.model import Study
from monitor.tables import faults

FILES = Path(__file__).parent / "files"
CONFIGS = Path(__file__).parents[2] / "configs"
"""The study files that come with the program."""


def _quoted(text: str) -> str:
    # TOML allows no control character in a text, JSON lets DEL through.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value_text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value_text(one) for one in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_quoted(key)} = {_value_text(one)}" for key, one in value.items()) + " }"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return repr(value)


def _section_lines(section: dict[str, Any], heading: str) -> list[str]:
    lines = []
    for key, value in section.items():
        if not (isinstance(value, dict) or _is_sections(value)):
            lines.append(f"{_quoted(key)} = {_value_text(value)}")
    for key, value in section.items():
        name = f"{heading}.{_quoted(key)}" if heading else _quoted(key)
        if isinstance(value, dict):
            lines += ["", f"[{name}]", *_section_lines(value, name)]
        elif _is_sections(value):
            for one in value:
                lines += ["", f"[[{name}]]", *_section_lines(one, name)]
    return lines


def _is_sections(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def values_in(value: Any, path: faults.Path = ()) -> Iterator[tuple[faults.Path, Any]]:
    """Each path below a value, and what stands there."""
    if isinstance(value, dict | list):
        for step, one in value.items() if isinstance(value, dict) else enumerate(value):
            yield (*path, step), one
            yield from values_in(one, (*path, step))


def holder(root: dict[str, Any], path: faults.Path) -> Any:
    """The section or list that the last step of a path is taken in."""
    at: Any = root
    for step in path[:-1]:
        at = at[step]
    return at


def faults_of(text: str) -> tuple[str, ...]:
    """The sentences about a study file; none where it loads."""
    try:
        parse_study(text, "study.toml")
    except StudyFaults as error:
        return error.faults
    return ()


def to_toml(root: dict[str, Any]) -> str:
    """Nested values → TOML text with a line for each key."""
    return "\n".join(_section_lines(root, "")) + "\n"


@pytest.fixture(scope="session")
def everything_text() -> str:
    """A study file without fault in which every key of the format stands."""
    return (FILES / "everything.toml").read_text(encoding="utf-8")


@pytest.fixture
def everything(everything_text: str) -> dict[str, Any]:
    """The same as nested values, fresh for each test."""
    return tomllib.loads(everything_text)


@pytest.fixture(scope="session")
def dusk_road() -> Study:
    """The demo's study."""
    return load_study(CONFIGS / "dusk-road.toml")
