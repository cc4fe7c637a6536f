"""From the tables of a study file to a `Study`: references between sections, and what belongs together."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from monitor.measures.names import MEASURES
from monitor.study.analysis import read_analysis
from monitor.study.model import (
    AssignmentRule,
    Group,
    Reason,
    Role,
    SheetStep,
    Signal,
    Study,
)
from monitor.study.reasons import BUILT_IN_REASONS
from monitor.study.triggers import Sections, each_once, read_triggers
from monitor.study.vocabulary import LEAD, Names
from monitor.tables.faults import Faults, Path, closest, quoted


def build_study(root: Mapping[str, Any], faults: Faults, *, text: str, sha256: str, path: str) -> Study | None:
    """The study of a checked file; None where there is any fault, those found before included."""
    roles = _read_roles(root.get("roles") or {}, faults)
    signals = _read_signals(root.get("signals") or {}, roles, faults)
    groups = _read_groups(root.get("groups") or {}, faults)
    scenarios = tuple(root.get("scenarios") or ())
    modalities = dict.fromkeys(one for group in groups.values() for one in group.alert)
    names = Names(
        roles=None if faults.at(("roles",)) else tuple(roles),
        signals=None if faults.at(("signals",)) else signals,
        scenarios=None if faults.at(("scenarios",)) else scenarios,
        modalities=None if faults.under(("groups",)) else tuple(modalities),
    )
    triggers = read_triggers(root.get("trigger") or (), names, faults)
    reasons = _read_reasons(root.get("reasons") or {}, faults)
    assignment = _read_assignment(root.get("assignment"), len(groups), faults)
    analysis = read_analysis(
        root.get("analysis"),
        None if faults.under(("groups",)) else tuple(groups),
        None if faults.under(("trigger",)) else triggers,
        faults,
    )
    each_once(root.get("sheet") or (), ("sheet",), "step", faults)
    sheet = _read_sheet(root.get("sheet") or (), faults)
    head = root.get("study") or {}
    _check_pattern(head.get("participant_pattern"), faults)
    if faults:
        return None
    return Study(
        name=head["name"],
        title=head.get("title", head["name"]),
        participant_pattern=head["participant_pattern"],
        blind=head.get("blind", False),
        groups=groups,
        roles={name: role for name, role in roles.items() if role is not None},
        signals={name: signal for name, signal in signals.items() if signal is not None},
        triggers=triggers,
        reasons=reasons,
        sheet=sheet,
        scenarios=scenarios,
        comfort_stop_at=head.get("comfort_stop_at"),
        replacement=head.get("replacement", "same group next"),
        cautions=head.get("cautions", ()),
        text=text,
        sha256=sha256,
        path=path,
        assignment=assignment,
        analysis=analysis,
    )


def _check_pattern(pattern: str | None, faults: Faults) -> None:
    path = ("study", "participant_pattern")
    if pattern is None:
        return
    try:
        matches_empty = re.fullmatch(pattern, "") is not None
    except (re.error, OverflowError, RecursionError) as error:
        faults.add(path, expected="a regular expression", found=quoted(pattern), hint=f"it says: {error}")
        return
    if matches_empty:
        faults.add(path, expected="a pattern that no empty code fits", found=quoted(pattern))


def _read_groups(sections: Mapping[str, Any], faults: Faults) -> dict[str, Group]:
    if not sections and not faults.at(("groups",)):
        faults.add(("groups",), expected="at least one group, such as [groups.no-alert]", found="none")
    return {
        name: Group(name, section["alert"], section.get("planned"))
        for name, section in sections.items()
        if not faults.under(("groups", name))
    }


def _read_roles(sections: Mapping[str, Any], faults: Faults) -> dict[str, Role | None]:
    """Every declared role, and `lead`; None for one that has a fault."""
    roles: dict[str, Role | None] = {LEAD: Role(LEAD)}
    for name, section in sections.items():
        path: Path = ("roles", name)
        if faults.under(path):
            roles.setdefault(name, None)
        elif name == LEAD:
            faults.add(path, expected="another name, because the monitor chooses the lead itself", found=quoted(LEAD))
        elif "." in name:
            faults.add(path, expected="a name without a dot, as in ROLE.CHANNEL", found=quoted(name))
        elif ("vehicle" in section) == ("id" in section):
            found = "both" if "id" in section else "neither"
            faults.add(path, expected="either vehicle (a name) or id (a whole number)", found=found)
            roles[name] = None
        else:
            roles[name] = Role(name, section.get("vehicle"), section.get("id"))
    return roles


def _read_signals(sections: Mapping[str, Any], roles: Iterable[str], faults: Faults) -> dict[str, Signal | None]:
    """Every declared signal; None for one that has a fault."""
    signals: dict[str, Signal | None] = {}
    for name, section in sections.items():
        path: Path = ("signals", name)
        signals[name] = None
        if faults.under(path):
            continue
        if name in MEASURES or name.partition(".")[0] in roles:
            faults.add(path, expected="a name that no measure has", found=quoted(name))
            continue
        lower, upper = section.get("lower_limit"), section.get("upper_limit")
        if lower is not None and upper is not None and lower >= upper:
            expected = f"a number above lower_limit = {lower:g}"
            faults.add((*path, "upper_limit"), expected=expected, found=f"the number {upper:g}")
        signals[name] = Signal(name, **section)
    return signals


def _read_reasons(sections: Mapping[str, Any], faults: Faults) -> dict[str, Reason]:
    reasons = dict(BUILT_IN_REASONS)
    for code, section in sections.items():
        path: Path = ("reasons", code)
        if faults.under(path):
            continue
        built_in = BUILT_IN_REASONS.get(code)
        lacking = [key for key in ("words", "severity") if key not in section]
        if built_in is None and lacking:
            meant = closest(code, BUILT_IN_REASONS)
            faults.add(
                (*path, lacking[0]),
                expected="words and a severity for a new reason code",
                found=f"no {' and no '.join(lacking)} for {quoted(code)}",
                hint=f"did you mean {quoted(meant)}?" if meant else None,
            )
        elif built_in is not None and len(lacking) == 2:
            faults.add(path, expected="other words or another severity", found="neither")
        else:
            reasons[code] = replace(built_in, **section) if built_in else Reason(code, **section)
    return reasons


def _read_sheet(sections: Sections, faults: Faults) -> tuple[SheetStep, ...]:
    steps = []
    for index, section in enumerate(sections):
        path: Path = ("sheet", index)
        if section is None or faults.under(path):
            continue
        if "at_station_m" in section and "at_s" in section:
            faults.add((*path, "at_s"), expected="at_station_m or at_s", found="both")
        steps.append(SheetStep(**section))
    return tuple(steps)


def _read_assignment(section: Mapping[str, Any] | None, groups: int, faults: Faults) -> AssignmentRule | None:
    path: Path = ("assignment",)
    if section is None or faults.under(path):
        return None
    method = section["method"]
    needs, others = {"list": (("file",), ("block_sizes", "seed")), "blocks": (("block_sizes", "seed"), ("file",))}[
        method
    ]
    for key in needs:
        if key not in section:
            expected = f"{key} beside method = {quoted(method)}"
            faults.add((*path, key), expected=expected, found="nothing, the key is missing")
    for key in others:
        if key in section:
            faults.add((*path, key), expected=f"no {key} beside method = {quoted(method)}", found="one")
    sizes = section.get("block_sizes", ())
    if "block_sizes" in section and not sizes:
        faults.add((*path, "block_sizes"), expected="at least one block size", found="an empty list")
    for index, size in enumerate(sizes):
        if not faults.under(("groups",)) and size % groups:
            expected = f"a multiple of the number of groups, {groups}"
            faults.add((*path, "block_sizes", index), expected=expected, found=f"the number {size}")
    return AssignmentRule(**section)
