"""Two slips in a study file are both named at once, wherever they lie: no slip hides another one."""

from __future__ import annotations

import copy
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


def test_a_condition_with_a_fault_is_still_a_condition_that_may_be_named() -> None:
    changed = copy.deepcopy(EVERYTHING)
    gate = changed["trigger"][0]
    gate["condition"][0]["qqqq"] = 5
    gate["action"]["by_condition"] = {"lane ofset": "Say nothing.", "gap": "Hold it back."}
    assert len(faults_of(to_toml(changed))) == 2
    del gate["condition"][0]["name"]  # now it may have been the one that is meant
    assert [one for one in faults_of(to_toml(changed)) if "by_condition" in one] == []
