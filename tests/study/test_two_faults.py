"""Two slips in a study file are both named at once, wherever they lie: no slip hides another one."""

from __future__ import annotations

import copy
import datetime
import tomllib
from typing import Any

import pytest

from monitor.study.shape import STUDY_FILE
from monitor.tables.faults import Path, path_text
from tests.study.conftest import FILES, faults_of, holder, to_toml
from tests.study.test_single_faults import keys_in

NAMES_OF_OTHERS = ("measure", "role", "from_role", "point", "named")
"""Keys of a trigger whose value is the name of something that is declared elsewhere."""
ELSEWHERE: tuple[Path, ...] = (
    ("analysis", "trigger"),
    ("analysis", "reference"),
    ("analysis", "contrast", 0, "of"),
    ("debrief", 0, "trigger"),
    ("companion", 1, "signal"),
    ("sessions", "scenarios", 0),
    ("accepted", 0, "channel"),
)
DECLARING: tuple[Path, ...] = (
    ("study",),
    ("groups", "chime"),
    ("roles", "van"),
    ("signals", "platform_x"),
    ("points", "footpath"),
    ("trigger", 0),
    ("trigger", 0, "condition", 0),
    ("trigger", 0, "alert"),
)
SLIPS: tuple[tuple[Path, Any, tuple[str, ...]], ...] = (
    (("analysis", "trigger"), "zzzz", ()),
    (("analysis", "reference"), "zzzz", ()),
    (("analysis", "horizon_s"), 999.0, ()),
    (("analysis", "contrast", 0, "of"), "zzzz", ()),
    (("analysis", "contrast", 0, "against"), "zzzz", ()),
    (("debrief", 0, "trigger"), "zzzz", ()),
    (("debrief", 0, "expected", 0), "zzzz", ("answers",)),
    (("debrief", 0, "answers"), [*"abcdefghij"], ("expected",)),
    (("companion", 0, "files"), "/video/{participant}", ()),
    (("companion", 0, "name"), "THE STEP", ()),
    (("companion", 1, "signal"), "zzzz", ("measured_at_least",)),
    (("sessions", "scenarios", 0), "zzzz", ()),
    (("accepted", 0, "channel"), "zzzz", ("of",)),
    (("rehearsal", "perceived", 0, "modality"), "zzzz", ()),
    (("assignment", "block_sizes", 0), 3, ()),
    (("assignment", "after", 0), "zzzz", ()),
    (("assignment", "file"), "list.csv", ("method",)),
    (("groups", "chime", "each"), 2, ()),
    (("study", "participant_pattern"), "(", ()),
    (("signals", "platform_x", "upper_limit"), -1e6, ("lower_limit",)),
    (("sheet", 0, "at_s"), 5.0, ("at_station_m",)),
)
"""Every slip of meaning that a section outside a trigger can have: what is written where, and the keys of the same
section without which it is none."""
EVERYTHING: dict[str, Any] = tomllib.loads((FILES / "everything.toml").read_text(encoding="utf-8"))
NAMING = [
    path for path, _, _ in keys_in(EVERYTHING, STUDY_FILE) if path[0] == "trigger" and path[-1] in NAMES_OF_OTHERS
]


@pytest.mark.parametrize("path", [*NAMING, *ELSEWHERE], ids=path_text)
def test_a_key_that_does_not_exist_hides_no_name_that_does_not(path: Path) -> None:
    """The key stands in each of the sections of the trigger about the name, and where names are declared."""
    wrong = copy.deepcopy(EVERYTHING)
    holder(wrong, path)[path[-1]] = "zzzz"
    (alone,) = faults_of(to_toml(wrong))
    lengths = range(1, len(path)) if path[0] == "trigger" else ()
    about = [path[:one] for one in lengths if isinstance(holder(wrong, (*path[:one], "x")), dict)]
    for section in dict.fromkeys((*about, *DECLARING)):
        changed = copy.deepcopy(wrong)
        holder(changed, (*section, "x"))["qqqq"] = 5
        faults = faults_of(to_toml(changed))
        assert len(faults) == 2, (path_text(section), faults)
        assert sum(alone.partition(", ")[2].split(": ")[0] in one for one in faults) == 1, (alone, faults)


def slipped(path: Path, value: Any) -> dict[str, Any]:
    """The file with one slip of meaning."""
    wrong = copy.deepcopy(EVERYTHING)
    step = EVERYTHING["sheet"][0]["name"]
    holder(wrong, path)[path[-1]] = step if value == "THE STEP" else value
    if path == ("sheet", 0, "at_s"):
        wrong["sheet"][0]["at_station_m"] = 5.0
    return wrong


@pytest.mark.parametrize(("path", "value", "needed"), SLIPS, ids=[path_text(path) for path, _, _ in SLIPS])
def test_no_other_fault_of_a_section_hides_one_of_meaning(path: Path, value: Any, needed: tuple[str, ...]) -> None:
    """A key that does not exist, and every other key of the section with a value of a wrong kind."""
    wrong = slipped(path, value)
    (alone,) = faults_of(to_toml(wrong))
    told = alone.partition(", ")[2].split(": ")[0]
    at = path[:-1] if isinstance(holder(wrong, path), dict) else path[:-2]
    section = holder(wrong, (*at, "x"))
    keys = [key for key, one in section.items() if key not in (path[-1], path[-2], *needed) and not is_section(one)]
    for key in (*keys, "qqqq"):
        changed = copy.deepcopy(wrong)
        holder(changed, (*at, "x"))[key] = datetime.date(2026, 11, 2)
        faults = faults_of(to_toml(changed))
        assert len(faults) == 2, (key, faults)
        assert sum(told in one for one in faults) == 1, (told, faults)


def is_section(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def test_the_table_has_every_section_that_is_none_of_a_trigger() -> None:
    without = {"trigger", "scenarios", "points", "roles", "reasons", "limits", "safety", "treatments"}  # see below
    assert {str(path[0]) for path, _, _ in SLIPS} | without == {str(name) for name in STUDY_FILE.keys}


def test_a_condition_with_a_fault_is_still_a_condition_that_may_be_named() -> None:
    changed = copy.deepcopy(EVERYTHING)
    gate = changed["trigger"][0]
    gate["condition"][0]["qqqq"] = 5
    gate["action"]["by_condition"] = {"lane ofset": "Say nothing.", "gap": "Hold it back."}
    assert len(faults_of(to_toml(changed))) == 2
    del gate["condition"][0]["name"]  # now it may have been the one that is meant
    assert [one for one in faults_of(to_toml(changed)) if "by_condition" in one] == []
