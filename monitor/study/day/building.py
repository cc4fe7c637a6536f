"""From the sections about the day around the drive to a `Day`: names in them, and what belongs together."""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from monitor.study.day.model import (
    Companion,
    Day,
    DebriefItem,
    Limits,
    Perceived,
    RehearsalRule,
    SafetyRule,
    Sessions,
)
from monitor.tables.faults import Faults, Path, quoted

MOST_ANSWERS = 9
"""Each answer has a digit."""

PLACES = ("participant", "record")
"""What a companion's pattern of files may have in braces."""

Section = Mapping[str, Any]


class Known(Protocol):
    """Names that the file declares elsewhere; None: that section is faulty, so that any name must be let through."""

    @property
    def modalities(self) -> tuple[str, ...] | None: ...
    @property
    def scenarios(self) -> tuple[str, ...] | None: ...
    @property
    def triggers(self) -> tuple[str, ...] | None: ...
    @property
    def signals(self) -> Mapping[str, object] | None: ...


def read_day(root: Section, names: Known, faults: Faults) -> Day:
    """All of it; only to be used where there is no fault."""
    rehearsal, limits, safety, sessions = (root.get(name) for name in ("rehearsal", "limits", "safety", "sessions"))
    return Day(
        rehearsal=None if rehearsal is None else _rehearsal(rehearsal, names, faults),
        limits=None if limits is None else _limits(limits, faults),
        safety=None if safety is None or faults.under(("safety",)) else SafetyRule(**safety),
        debrief=_debrief(root.get("debrief") or (), names, faults),
        companions=_companions(root, names, faults),
        sessions=None if sessions is None else _sessions(sessions, names, faults),
    )


def check_before_lot(root: Section, faults: Faults) -> None:
    """A lot waits for ticks: each must be a step of the run sheet."""
    rule = root.get("assignment") or {}
    steps = [section["name"] for section in root.get("sheet") or () if section and section.get("name")]
    for index, step in enumerate(rule.get("after") or ()):
        if step not in steps and not faults.under(("sheet",)):
            path: Path = ("assignment", "after", index)
            faults.add_misspelt(path, step, steps, expected="a step of the run sheet, [[sheet]]")
    for key in ("after", "excluded"):
        if key in rule and rule.get("method") == "list":
            faults.add(("assignment", key), expected=f'no {key} beside method = "list"', found="one")


def _rehearsal(section: Section, names: Known, faults: Faults) -> RehearsalRule:
    perceived: list[Perceived] = []
    for index, one in enumerate(section.get("perceived") or ()):
        path: Path = ("rehearsal", "perceived", index)
        if one is None:
            continue
        modality = one.get("modality")
        if modality is not None and names.modalities is not None and modality not in names.modalities:
            expected = "a modality that a group or treatment is given"
            faults.add_misspelt((*path, "modality"), modality, names.modalities, expected=expected)
        if faults.under(path):
            continue
        found = Perceived(**one)
        if found in perceived or found.name in [other.name for other in perceived]:
            faults.add(path, expected="each alert and volume once", found=f"{quoted(found.name)} again")
        perceived.append(found)
    return RehearsalRule(bool(section.get("needed")), tuple(perceived))


def _limits(section: Section, faults: Faults) -> Limits | None:
    if faults.under(("limits",)):
        return None
    if not {"since_break_min", "total_min"} & section.keys():
        faults.add(("limits",), expected="since_break_min, total_min or both", found="neither")
    return Limits(**section)


def _debrief(sections: Sequence[Section | None], names: Known, faults: Faults) -> tuple[DebriefItem, ...]:
    items = []
    for index, section in enumerate(sections):
        path: Path = ("debrief", index)
        if section is None:
            continue
        answers, trigger = section.get("answers") or (), section.get("trigger")
        if len(answers) > MOST_ANSWERS:
            expected = f"at most {MOST_ANSWERS} answers, because each has a digit"
            faults.add((*path, "answers"), expected=expected, found=f"{len(answers)}")
        for at, answer in enumerate(section.get("expected") or ()):
            if answer not in answers and not faults.under((*path, "answers")):
                faults.add_misspelt((*path, "expected", at), answer, answers, expected="one of the answers")
        if trigger is not None and names.triggers is not None and trigger not in names.triggers:
            expected = "the name of a trigger of this study"
            faults.add_misspelt((*path, "trigger"), trigger, names.triggers, expected=expected)
        if not faults.under(path):
            items.append(DebriefItem(**section))
    return tuple(items)


def _companions(root: Section, names: Known, faults: Faults) -> tuple[Companion, ...]:
    steps = {section["name"] for section in root.get("sheet") or () if section and section.get("name")}
    found = []
    for index, section in enumerate(root.get("companion") or ()):
        path: Path = ("companion", index)
        if section is None:
            continue
        whole = not faults.under(path)
        name, signal, files = (section.get(key) for key in ("name", "signal", "files"))
        if name in steps:
            expected = "another name than a step of the run sheet, where it is ticked"
            faults.add((*path, "name"), expected=expected, found=quoted(str(name)))
        if signal is not None and names.signals is not None and signal not in names.signals:
            expected = "a signal declared in [signals]"
            faults.add_misspelt((*path, "signal"), signal, names.signals, expected=expected)
        if whole and "measured_at_least" in section and signal is None:
            faults.add((*path, "measured_at_least"), expected="it only beside signal", found="it without signal")
        if files is not None:
            _check_pattern(files, (*path, "files"), faults)
        if not faults.under(path):
            found.append(Companion(**section))
    return tuple(found)


def _check_pattern(pattern: str, path: Path, faults: Faults) -> None:
    """A pattern below the records that names the participant or the record, so that no other's files are taken."""
    try:
        found = [one[1:] for one in string.Formatter().parse(pattern) if one[1] is not None]
        places = [name for name, _, _ in found]
        fits = all(name in PLACES and not form and not how for name, form, how in found)
    except ValueError:
        places, fits = [], False
    if not fits or not places:
        expected = "a pattern with {participant} or {record}, and nothing else, in braces"
        faults.add(path, expected=expected, found=quoted(pattern))
    elif pattern.startswith(("/", "~")) or ".." in pattern.split("/"):
        faults.add(
            path, expected="a place beside the records, without a leading / and without ..", found=quoted(pattern)
        )


def _sessions(section: Section, names: Known, faults: Faults) -> Sessions | None:
    for index, one in enumerate(section.get("scenarios") or ()):
        if names.scenarios is not None and one not in names.scenarios:
            expected = "a scenario declared in [scenarios]"
            faults.add_misspelt(("sessions", "scenarios", index), one, names.scenarios, expected=expected)
    return None if faults.under(("sessions",)) else Sessions(**section)
