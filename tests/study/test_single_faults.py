"""Every single slip in a study file gives exactly one sentence, and it names the key that was slipped on."""

from __future__ import annotations

import copy
import datetime
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.study.shape import STUDY_FILE
from monitor.tables.faults import Path, path_text
from monitor.tables.kinds import Flag, Key, Kind, Named, Number, Section, Sections, Several, Text
from tests.study.conftest import FILES, faults_of, holder, to_toml


@pytest.fixture(scope="module", params=["everything", "everything-within"])
def everything_text(request: pytest.FixtureRequest) -> str:
    """Each of the files without fault in which every key of the format stands."""
    return (FILES / f"{request.param}.toml").read_text(encoding="utf-8")


def keys_in(value: Any, kind: Kind, path: Path = ()) -> Iterator[tuple[Path, Key, Section]]:
    """Each fixed key that stands in a file: its path, what it must be, and the section it stands in."""
    match kind:
        case Section():
            for name, key in kind.keys.items():
                if name in value:
                    yield (*path, name), key, kind
                    yield from keys_in(value[name], key.kind, (*path, name))
        case Sections():
            for index, one in enumerate(value):
                yield from keys_in(one, kind.section, (*path, index))
        case Named():
            for name, one in value.items():
                yield from keys_in(one, kind.kind, (*path, name))


def renamed(section: dict[str, Any], old: str, new: str) -> dict[str, Any]:
    return {new if key == old else key: value for key, value in section.items()}


def with_misspelt(root: dict[str, Any], path: Path, new: str) -> dict[str, Any]:
    changed = copy.deepcopy(root)
    if len(path) == 1:
        return renamed(changed, str(path[0]), new)
    section = holder(changed, path)
    holder(changed, path[:-1])[path[-2]] = renamed(section, str(path[-1]), new)
    return changed


def of_wrong_kind(kind: Kind) -> list[Any]:
    """Values that a key of this kind must refuse; the likeliest slips, so that the tests stay quick."""
    match kind:
        case Text():
            return [5, True, ["a"]]
        case Number(or_word=str()):
            return ["many", 2.5, True]
        case Number(whole=True):
            return ["5", 2.5, True]
        case Number():
            return ["2.5", True, float("nan"), float("-inf")]
        case Flag():
            return ["true", 1]
        case Several():
            return ["a text", 5, {"key": 1}]
        case Section() | Named():
            return ["a text", 5, [1]]
        case Sections():
            return ["a text", 5, {"key": 1}]


def test_the_file_in_which_every_key_stands_has_no_fault(everything_text: str, everything: dict[str, Any]) -> None:
    assert faults_of(everything_text) == ()
    assert faults_of(to_toml(everything)) == ()


def test_every_key_of_the_format_stands_in_one_of_these_files() -> None:
    def shape_keys(kind: Kind, name: str = "") -> Iterator[str]:
        match kind:
            case Section():
                for key, one in kind.keys.items():
                    yield f"{name}.{key}"
                    yield from shape_keys(one.kind, f"{name}.{key}")
            case Sections(section=section):
                yield from shape_keys(section, name)
            case Named(kind=one):
                yield from shape_keys(one, name)

    texts = [file.read_text(encoding="utf-8") for file in FILES.glob("everything*.toml")]
    standing = {str(path[-1]) for text in texts for path, _, _ in keys_in(tomllib.loads(text), STUDY_FILE)}
    wanted = {name.rpartition(".")[2] for name in shape_keys(STUDY_FILE)}
    assert wanted - standing == {"file"}  # it excludes "block_sizes", see test_meaning


@pytest.mark.slow
def test_each_misspelt_key_gives_one_sentence_with_what_was_meant(everything: dict[str, Any]) -> None:
    for path, _, section in keys_in(everything, STUDY_FILE):
        key = str(path[-1])
        slips = {key[:-1] or "x", key[1] + key[0] + key[2:], key.upper()} - set(section.keys)
        for slip in slips:
            faults = faults_of(to_toml(with_misspelt(everything, path, slip)))
            assert len(faults) == 1, (path_text(path), slip, faults)
            assert f" {path_text((*path[:-1], slip))}: " in faults[0]
            assert f'did you mean "{key}"?' in faults[0], (slip, faults)


@given(data=st.data())
def test_any_small_slip_in_any_key_gives_one_sentence_that_names_it(everything_text: str, data: st.DataObject) -> None:
    root = tomllib.loads(everything_text)
    path, _, section = data.draw(st.sampled_from(list(keys_in(root, STUDY_FILE))))
    key = str(path[-1])
    at = data.draw(st.integers(0, len(key) - 1))
    letter = data.draw(st.characters(codec="utf-8", categories=["L", "N"]))
    slip = data.draw(st.sampled_from([key[:at] + letter + key[at:], key[:at] + letter + key[at + 1 :]]))
    assume(slip not in section.keys)
    (fault,) = faults_of(to_toml(with_misspelt(root, path, slip)))
    assert f" {path_text((*path[:-1], slip))}: " in fault


def test_each_required_key_that_is_missing_gives_one_sentence(everything: dict[str, Any]) -> None:
    seen = set()
    for path, key, _ in keys_in(everything, STUDY_FILE):
        if not key.required:
            continue
        changed = copy.deepcopy(everything)
        del holder(changed, path)[path[-1]]
        faults = faults_of(to_toml(changed))
        assert len(faults) == 1, (path_text(path), faults)
        assert f" {path_text(path)}: " in faults[0]
        assert "the key is missing" in faults[0]
        seen.add(str(path[-1]))
    assert seen >= {"study", "groups", "trigger", "name"}


@pytest.mark.slow
def test_each_value_of_another_kind_gives_one_sentence(everything: dict[str, Any]) -> None:
    for path, key, _ in keys_in(everything, STUDY_FILE):
        for value in of_wrong_kind(key.kind):
            changed = copy.deepcopy(everything)
            holder(changed, path)[path[-1]] = value
            faults = faults_of(to_toml(changed))
            named = path_text(path)
            inside = isinstance(value, list) and isinstance(key.kind, Several)
            assert len(faults) == 1, (named, value, faults)
            assert f" {named}: " in faults[0] or (inside and f" {named}[" in faults[0]), (value, faults)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("scenarios", "practice"), 5),
        (("groups", "chime"), "sound"),
        (("groups", "chime", "alert", 1), 3),
        (("roles", "van"), 3),
        (("signals", "eyes_on_road"), "driver"),
        (("trigger", 0, "condition", 2, "during", 0), "-3"),
        (("trigger", 0, "expected_by_scenario", "practice"), -1),
        (("trigger", 0, "alert", "output_delay_s", "sound"), -0.1),
        (("assignment", "block_sizes", 1), 0),
        (("reasons", "slippery-seat"), "note"),
    ],
)
def test_a_value_under_a_name_that_the_study_chose_is_named_too(path: Path, value: object) -> None:
    everything = tomllib.loads((FILES / "everything.toml").read_text(encoding="utf-8"))
    holder(everything, path)[path[-1]] = value
    (fault,) = faults_of(to_toml(everything))
    assert f" {path_text(path)}: " in fault


def test_the_line_of_a_fault_is_the_line_of_its_key(everything: dict[str, Any]) -> None:
    for path, key, _ in keys_in(everything, STUDY_FILE):
        if isinstance(key.kind, Section | Sections | Named):
            continue
        changed = copy.deepcopy(everything)
        holder(changed, path)[path[-1]] = datetime.date(2031, 2, 3)
        text = to_toml(changed)
        (line,) = (number for number, row in enumerate(text.splitlines(), 1) if "2031-02-03" in row)
        (fault,) = faults_of(text)
        assert fault.startswith(f"line {line}, {path_text(path)}: expected ")
        assert fault.endswith("found the date or time 2031-02-03.")
