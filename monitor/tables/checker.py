"""Walks a parsed file along the tables of its format: unknown or missing keys, wrong kinds, values off range."""

from __future__ import annotations

import math
from typing import Any

from monitor.tables.faults import Faults, Path, closest, found_text, listed, quoted
from monitor.tables.kinds import LONGEST_NAME, Flag, Kind, Named, Number, Section, Sections, Several, Text


def check_value(value: object, kind: Kind, path: Path, faults: Faults) -> Any:
    """The value cleaned (numbers as float or int, lists as tuples, known keys only), or None where it is faulty.

    Sections and lists of sections keep their place when something in them is faulty, so that the rest can be checked.
    """
    match kind:
        case Text():
            return _check_text(value, kind, path, faults)
        case Number():
            return _check_number(value, kind, path, faults)
        case Flag():
            if isinstance(value, bool):
                return value
            faults.add(path, expected="true or false", found=found_text(value))
        case Several():
            return _check_several(value, kind, path, faults)
        case Named():
            return _check_named(value, kind, path, faults)
        case Section():
            return _check_section(value, kind, path, faults)
        case Sections():
            return _check_sections(value, kind, path, faults)
    return None


def expected_words(kind: Kind) -> str:
    """What a value of this kind is called in a sentence."""
    match kind:
        case Text(choices=choices):
            return listed(choices) if choices else "a text"
        case Number():
            return _number_words(kind) + _or_word(kind)
        case Flag():
            return "true or false"
        case Several(kind=element, count=count):
            noun = "texts" if isinstance(element, Text) else "numbers"
            return f"a list of {'two' if count == 2 else count or ''} {noun}".replace("  ", " ")
        case Named(what=what):
            return f"a section with one key for each {what}"
        case Section():
            return "a section"
        case Sections():
            return "a list of sections, each under a heading in double brackets"


def _number_words(kind: Number) -> str:
    noun = "a whole number" if kind.whole else "a number"
    if kind.least is not None and kind.most is not None:
        return f"{noun} from {kind.least:g} to {kind.most:g}"
    limits = [
        words
        for limit, words in (
            (kind.above, f"above {kind.above}"),
            (kind.least, f"of at least {kind.least}"),
            (kind.most, f"at most {kind.most}"),
        )
        if limit is not None
    ]
    return " ".join([noun, " and ".join(limits)]) if limits else noun


def _or_word(kind: Number) -> str:
    """The end of a sentence about a number that a word may stand for."""
    return f" or {quoted(kind.or_word)}" if kind.or_word is not None else ""


def _check_text(value: object, kind: Text, path: Path, faults: Faults) -> str | None:
    if not isinstance(value, str):
        faults.add(path, expected=expected_words(kind), found=found_text(value))
    elif kind.choices:
        if value in kind.choices:
            return value
        meant = closest(value, kind.choices)
        hint = f"did you mean {quoted(meant)}?" if meant else None
        faults.add(path, expected=expected_words(kind), found=quoted(value), hint=hint)
    elif not value.strip() and not kind.may_be_empty:
        faults.add(path, expected="a text that says something", found="an empty text")
    elif kind.longest is not None and len(value) > kind.longest:
        faults.add(path, expected=f"a name of at most {kind.longest} characters", found=f"one of {len(value)}")
    else:
        return value
    return None


def _check_number(value: object, kind: Number, path: Path, faults: Faults) -> float | int | str | None:
    if kind.or_word is not None and isinstance(value, str):
        if value == kind.or_word:
            return value
        hint = f"did you mean {quoted(kind.or_word)}?" if closest(value, (kind.or_word,)) else None
        faults.add(path, expected=expected_words(kind), found=found_text(value), hint=hint)
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        faults.add(path, expected=expected_words(kind), found=found_text(value))
        return None
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    fits = (
        math.isfinite(number)
        and (isinstance(value, int) or not kind.whole)
        and (kind.least is None or number >= kind.least)
        and (kind.above is None or number > kind.above)
        and (kind.most is None or number <= kind.most)
    )
    if not fits:
        finite = "" if math.isfinite(number) else " that is finite"
        faults.add(path, expected=expected_words(kind) + finite, found=found_text(value))
        return None
    return int(value) if kind.whole else number


def _check_several(value: object, kind: Several, path: Path, faults: Faults) -> tuple[Any, ...] | None:
    if not isinstance(value, list):
        faults.add(path, expected=expected_words(kind), found=found_text(value))
        return None
    if kind.count is not None and len(value) != kind.count:
        faults.add(path, expected=expected_words(kind), found=found_text(value))
        return None
    elements = tuple(check_value(one, kind.kind, (*path, index), faults) for index, one in enumerate(value))
    if faults.under(path):
        return None
    if kind.distinct:
        for index, one in enumerate(elements):
            if one in elements[:index]:
                faults.add((*path, index), expected="each value once", found=f"{found_text(one)} a second time")
                return None
    return elements


def _check_named(value: object, kind: Named, path: Path, faults: Faults) -> dict[str, Any] | None:
    if not isinstance(value, dict):
        faults.add(path, expected=expected_words(kind), found=found_text(value))
        return None
    cleaned = {}
    first_of: dict[str, str] = {}
    for name, one in value.items():
        if not name.strip() or len(name) > LONGEST_NAME:
            faults.add((*path, name), expected=f"a name of 1 to {LONGEST_NAME} characters", found=quoted(name))
        elif name.casefold() in first_of:
            other = first_of[name.casefold()]
            faults.add(
                (*path, name),
                expected=f"each {kind.what} once",
                found=f"{quoted(name)} beside {quoted(other)}, which differ in upper and lower case only",
            )
        first_of.setdefault(name.casefold(), name)
        cleaned[name] = check_value(one, kind.kind, (*path, name), faults)
    return cleaned


def _check_sections(value: object, kind: Sections, path: Path, faults: Faults) -> tuple[Any, ...] | None:
    if not isinstance(value, list):
        faults.add(path, expected=expected_words(kind), found=found_text(value))
        return None
    if kind.at_least_one and not value:
        faults.add(path, expected=f"at least one [[{path[-1]}]]", found="an empty list")
    return tuple(check_value(one, kind.section, (*path, index), faults) for index, one in enumerate(value))


def _check_section(value: object, kind: Section, path: Path, faults: Faults) -> dict[str, Any] | None:
    if not isinstance(value, dict):
        faults.add(path, expected=expected_words(kind), found=found_text(value))
        return None
    _name_unknown_keys(value, kind, path, faults)
    cleaned = {}
    for name, key in kind.keys.items():
        if name in value:
            cleaned[name] = check_value(value[name], key.kind, (*path, name), faults)
        elif key.required and not faults.at((*path, name)):
            faults.add((*path, name), expected=expected_words(key.kind), found="nothing, the key is missing")
    return cleaned


def _name_unknown_keys(section: dict[str, Any], kind: Section, path: Path, faults: Faults) -> None:
    """Each unknown key gives one sentence and spoils the key that it stands for, so that this one is not missed too."""
    unknown = [name for name in section if name not in kind.keys]
    absent = [name for name in kind.keys if name not in section]
    missing = [name for name in absent if kind.keys[name].required]
    for name in unknown:
        meant = closest(name, absent) or closest(name, absent, cutoff=0.4 if len(name) <= 3 else 0.55)
        if meant is None and len(unknown) == len(missing) == 1:
            meant = missing[0]
        if meant is not None:
            absent.remove(meant)
            faults.spoil((*path, meant))
            hint = f"did you mean {quoted(meant)}?"
        else:
            hint = f"known here: {listed(kind.keys, 'and')}"
        where = "a key of this section" if path else f"a section or list of a {faults.file}"
        faults.add((*path, name), expected=where, found=quoted(name), hint=hint)
