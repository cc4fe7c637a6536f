"""The `[analysis]` of a study file: how the groups will be compared, fixed before anybody has seen a response."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.study.model import AnalysisRule, Trigger
from monitor.tables.faults import Faults, Path, quoted


def read_analysis(
    section: Mapping[str, Any] | None,
    groups: Sequence[str] | None,
    triggers: Sequence[Trigger] | None,
    names: Sequence[str] | None,
    faults: Faults,
) -> AnalysisRule | None:
    """The rule; None without the section, or where it has a fault. `groups`, `triggers` and their `names` are None
    where the file's own have faults, so that nothing can be held against them."""
    path: Path = ("analysis",)
    if section is None:
        return None
    name = section.get("trigger")
    if triggers is not None:
        _check_trigger(section, path, triggers, faults)
    elif names is not None and name is not None and name not in names:
        faults.add_misspelt((*path, "trigger"), name, names, expected="a trigger of the file")
    if groups is not None:
        _check_groups(section, path, groups, faults)
    if faults.under(path):
        return None
    plain = {key: value for key, value in section.items() if key != "contrast"}
    pairs = tuple((one["against"], one["of"]) for one in section.get("contrast") or ())
    return AnalysisRule(**plain, contrasts=pairs)


def _check_trigger(section: Mapping[str, Any], path: Path, triggers: Sequence[Trigger], faults: Faults) -> None:
    timed = [trigger for trigger in triggers if trigger.response is not None]
    name = section.get("trigger")
    if name is not None and name not in [trigger.name for trigger in timed]:
        known = [trigger.name for trigger in timed]
        faults.add_misspelt((*path, "trigger"), name, known, expected="a trigger with a [trigger.response]")
        return
    horizon_s = section.get("horizon_s")
    longest_s = max((one.response.horizon_s for one in timed if one.response and name in (None, one.name)), default=0.0)
    if horizon_s is not None and horizon_s > longest_s:
        expected = f"at most the horizon of the trigger's response, {longest_s:g}"
        faults.add((*path, "horizon_s"), expected=expected, found=f"the number {horizon_s:g}")


def _check_groups(section: Mapping[str, Any], path: Path, groups: Sequence[str], faults: Faults) -> None:
    reference, contrasts = section.get("reference"), section.get("contrast") or ()
    named = [((*path, "reference"), reference)] if reference is not None else []
    named += [
        ((*path, "contrast", index, key), one[key])
        for index, one in enumerate(contrasts)
        for key in ("of", "against")
        if one is not None and one.get(key) is not None
    ]
    for at, group in named:
        if group not in groups:
            faults.add_misspelt(at, group, groups, expected="a group of the file")
    seen: set[frozenset[str]] = set()
    for index, one in enumerate(contrasts):
        if one is None or one.get("of") is None or one.get("against") is None:
            continue
        pair = frozenset((one["of"], one["against"]))
        if len(pair) == 1:
            faults.add((*path, "contrast", index), expected="two different groups", found=f"{quoted(one['of'])} twice")
        elif pair in seen:
            faults.add((*path, "contrast", index), expected="each contrast once", found="it again")
        seen.add(pair)
