"""From the tables of a study file to a `Study`: references between sections, and what belongs together."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from monitor.measures.arrival import Point
from monitor.measures.columns import OTHER_CHANNELS, OWN_CHANNELS
from monitor.measures.names import MEASURES
from monitor.study.analysis import read_analysis
from monitor.study.cautions import SEED_CAUTION, surprises_that_come_again, unbalanced_orders
from monitor.study.day.building import check_before_lot, read_day
from monitor.study.model import (
    Accepted,
    AssignmentRule,
    Group,
    Reason,
    Role,
    SheetStep,
    Signal,
    Study,
    Treatment,
)
from monitor.study.reasons import BUILT_IN_REASONS
from monitor.study.triggers import Sections, each_once, read_triggers
from monitor.study.vocabulary import LEAD, Names
from monitor.tables.faults import Faults, Path, closest, quoted


def build_study(root: Mapping[str, Any], faults: Faults, *, text: str, sha256: str, path: str) -> Study | None:
    """The study of a checked file; None where there is any fault, those found before included."""
    roles = _read_roles(root.get("roles") or {}, faults)
    signals = _read_signals(root.get("signals") or {}, roles, faults)
    points = _read_points(root.get("points") or {}, faults)
    treatments = {
        name: Treatment(name, **section)
        for name, section in (root.get("treatments") or {}).items()
        if not faults.under(("treatments", name))
    }
    groups = _read_groups(root, faults)
    _check_given(treatments, root, faults)
    scenarios = tuple(root.get("scenarios") or ())
    modalities = dict.fromkeys(
        [
            *(one for group in groups.values() for one in group.alert),
            *(one for treatment in treatments.values() for one in treatment.alert),
        ]
    )
    names = Names(
        roles=None if faults.at(("roles",)) else tuple(roles),
        signals=None if faults.at(("signals",)) else signals,
        scenarios=None if faults.at(("scenarios",)) else scenarios,
        modalities=None if faults.under(("groups",)) or faults.under(("treatments",)) else tuple(modalities),
        points=None if faults.at(("points",)) else points,
        triggers=_trigger_names(root, faults),
    )
    triggers = read_triggers(root.get("trigger") or (), names, faults)
    reasons = _read_reasons(root.get("reasons") or {}, faults)
    assignment = _read_assignment(root.get("assignment"), len(root.get("groups") or ()), faults)
    analysis = read_analysis(
        root.get("analysis"),
        None if faults.at(("groups",)) else tuple(root.get("groups") or ()),
        None if faults.under(("trigger",)) else triggers,
        names.triggers,
        faults,
    )
    if root.get("analysis") is not None and root.get("treatments") is not None:
        expected = "no [analysis] with [treatments]: what compares groups compares no treatments within participants"
        faults.add(("analysis",), expected=expected, found="one")
    each_once(root.get("sheet") or (), ("sheet",), "step", faults)
    sheet = _read_sheet(root.get("sheet") or (), faults)
    accepted = _read_accepted(root.get("accepted") or (), faults)
    for name in ("debrief", "companion"):
        each_once(root.get(name) or (), (name,), name, faults)
    day = read_day(root, names, faults)
    check_before_lot(root, faults)
    head = root.get("study") or {}
    _check_pattern(head.get("participant_pattern"), faults)
    if faults:
        return None
    return Study(
        name=head["name"],
        title=head.get("title", head["name"]),
        participant_pattern=head["participant_pattern"],
        blind=head.get("blind", False),
        blind_live=head.get("blind_live", "to horizon"),
        groups=groups,
        roles={name: role for name, role in roles.items() if role is not None},
        signals={name: signal for name, signal in signals.items() if signal is not None},
        triggers=triggers,
        reasons=reasons,
        sheet=sheet,
        scenarios=scenarios,
        comfort_stop_at=head.get("comfort_stop_at"),
        replacement=head.get("replacement", "same group next"),
        accepted=accepted,
        cautions=(
            *head.get("cautions", ()),
            *([SEED_CAUTION] if assignment and assignment.seed is not None else ()),
            *surprises_that_come_again(triggers, reasons),
            *unbalanced_orders(groups, treatments, triggers),
        ),
        text=text,
        sha256=sha256,
        path=path,
        assignment=assignment,
        points={name: point for name, point in points.items() if point is not None},
        treatments=treatments,
        planned_counts=head.get("planned_counts", "trials"),
        analysis=analysis,
        day=day,
    )


def _trigger_names(root: Mapping[str, Any], faults: Faults) -> tuple[str, ...] | None:
    """The names of all triggers; None where one is faulty."""
    sections = root.get("trigger") or ()
    names = [section["name"] for section in sections if section is not None and section.get("name") is not None]
    is_faulty = faults.at(("trigger",)) or len(names) < len(sections) or any("/" in name for name in names)
    return None if is_faulty else tuple(names)


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


def _read_groups(root: Mapping[str, Any], faults: Faults) -> dict[str, Group]:
    """The groups: each with an alert, or in a study with treatments each with an order of these."""
    sections, treatments = root.get("groups") or {}, root.get("treatments")
    if not sections and not faults.at(("groups",)):
        faults.add(("groups",), expected="at least one group, such as [groups.no-alert]", found="none")
    if treatments is not None and not treatments and not faults.at(("treatments",)):
        faults.add(("treatments",), expected="at least one treatment, such as [treatments.chime]", found="none")
    groups = {}
    for name, section in sections.items():
        path: Path = ("groups", name)
        if section is None or faults.at(("treatments",)):
            continue
        whole = not faults.under(path)
        needs, other = ("alert", "order") if treatments is None else ("order", "alert")
        why = "without [treatments]" if treatments is None else "with [treatments]"
        if whole and needs not in section:
            faults.add((*path, needs), expected=f"{needs} {why}", found="nothing, the key is missing")
        if other in section:
            faults.add((*path, other), expected=f"no {other} {why}", found="one")
        if "each" in section and treatments is None:
            faults.add((*path, "each"), expected="each only beside order", found="it without order")
        order = section.get("order")
        if order == ():
            faults.add((*path, "order"), expected="at least one treatment", found="an empty list")
        for index, one in enumerate(order or ()):
            if treatments and one not in treatments:
                expected = "a treatment declared in [treatments]"
                faults.add_misspelt((*path, "order", index), one, treatments, expected=expected)
        if not faults.under(path):
            groups[name] = Group(**{"name": name, "alert": (), **section})
    return groups


def _check_given(treatments: Iterable[str], root: Mapping[str, Any], faults: Faults) -> None:
    """A fault for each treatment that nobody is given."""
    orders = [(section or {}).get("order") for section in (root.get("groups") or {}).values()]
    if not orders or None in orders or any(not order for order in orders) or faults.under(("groups",)):
        return
    for name in treatments:
        if all(name not in order for order in orders if order is not None):
            path: Path = ("treatments", name)
            faults.add(
                path, expected="a treatment that stands in the order of a group", found="one that stands in none"
            )


def _read_points(sections: Mapping[str, Any], faults: Faults) -> dict[str, Point | None]:
    """Every declared point; None for one that has a fault."""
    points: dict[str, Point | None] = {}
    for name, section in sections.items():
        path: Path = ("points", name)
        points[name] = None
        if faults.under(path):
            continue
        if ("x_m" in section) != ("y_m" in section):
            lacking = "y_m" if "x_m" in section else "x_m"
            faults.add((*path, lacking), expected="x_m and y_m, both", found="nothing, the key is missing")
        elif "station_m" not in section and "x_m" not in section:
            faults.add(path, expected="station_m, or x_m and y_m", found="neither")
        else:
            points[name] = Point(name, **section)
    return points


def _read_roles(sections: Mapping[str, Any], faults: Faults) -> dict[str, Role | None]:
    """Every declared role, and `lead`; None for one that has a fault."""
    roles: dict[str, Role | None] = {LEAD: Role(LEAD)}
    for name, section in sections.items():
        path: Path = ("roles", name)
        whole = not faults.under(path)
        if name == LEAD:
            faults.add(path, expected="another name, because the monitor chooses the lead itself", found=quoted(LEAD))
        elif "." in name:
            faults.add(path, expected="a name without a dot, as in ROLE.CHANNEL", found=quoted(name))
        elif not whole:
            roles.setdefault(name, None)
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
        if name in MEASURES or name.partition(".")[0] in roles:
            faults.add(path, expected="a name that no measure has", found=quoted(name))
            continue
        if section is None:
            continue
        lower, upper = section.get("lower_limit"), section.get("upper_limit")
        if lower is not None and upper is not None and lower >= upper:
            expected = f"a number above lower_limit = {lower:g}"
            faults.add((*path, "upper_limit"), expected=expected, found=f"the number {upper:g}")
        if not faults.under(path):
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


def _read_accepted(sections: Sections, faults: Faults) -> tuple[Accepted, ...]:
    accepted = []
    for index, section in enumerate(sections):
        path: Path = ("accepted", index)
        if section is None:
            continue
        whole = not faults.under(path)
        of, channel, kind = (section.get(key) for key in ("of", "channel", "kind"))
        channels = OWN_CHANNELS if of == "own" else OTHER_CHANNELS
        if of is not None and channel is not None and channel not in channels:
            expected = f"a channel of {'own car' if of == 'own' else 'the other vehicles'}"
            faults.add_misspelt((*path, "channel"), channel, channels, expected=expected)
        if kind == "not filled" and "size" in section:
            faults.add((*path, "size"), expected='no size beside kind = "not filled"', found="one")
        elif whole and kind != "not filled" and "size" not in section:
            expected = f"the size that is accepted, because kind = {quoted(str(kind))}"
            faults.add((*path, "size"), expected=expected, found="nothing, the key is missing")
        if not faults.under(path):
            accepted.append(Accepted(**section))
    return tuple(accepted)


def _read_sheet(sections: Sections, faults: Faults) -> tuple[SheetStep, ...]:
    steps = []
    for index, section in enumerate(sections):
        path: Path = ("sheet", index)
        if section is None:
            continue
        if "at_station_m" in section and "at_s" in section:
            faults.add((*path, "at_s"), expected="at_station_m or at_s", found="both")
        if not faults.under(path):
            steps.append(SheetStep(**section))
    return tuple(steps)


def _read_assignment(section: Mapping[str, Any] | None, groups: int, faults: Faults) -> AssignmentRule | None:
    path: Path = ("assignment",)
    if section is None:
        return None
    whole = not faults.under(path)
    method = section.get("method")
    needs, others = {"list": (("file",), ("block_sizes", "seed")), "blocks": (("block_sizes",), ("file",))}.get(
        str(method), ((), ())
    )
    for key in needs if whole else ():
        if key not in section:
            expected = f"{key} beside method = {quoted(str(method))}"
            faults.add((*path, key), expected=expected, found="nothing, the key is missing")
    for key in others:
        if key in section:
            faults.add((*path, key), expected=f"no {key} beside method = {quoted(str(method))}", found="one")
    sizes = section.get("block_sizes")
    if sizes == ():
        faults.add((*path, "block_sizes"), expected="at least one block size", found="an empty list")
    for index, size in enumerate(sizes or ()):
        if groups and not faults.under(("groups",)) and size % groups:
            expected = f"a multiple of the number of groups, {groups}"
            faults.add((*path, "block_sizes", index), expected=expected, found=f"the number {size}")
    return None if faults.under(path) else AssignmentRule(**section)
