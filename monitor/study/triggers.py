"""Triggers of a study file and the rules about them: alert, task, driver before, hazard, response."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.study.conditions import read_condition, read_looked, read_term, read_terms
from monitor.study.model import Trigger
from monitor.study.rules import (
    ActionRule,
    AlertRule,
    BeforeRule,
    HazardRule,
    RearmRule,
    ResponseRule,
    ResponseSign,
    StableRule,
    TaskRule,
)
from monitor.study.vocabulary import Names, check_names
from monitor.tables.faults import Faults, Path, quoted

Sections = tuple[Mapping[str, Any] | None, ...]
"""A list of sections as checked; None where an element is no section at all."""


def read_triggers(sections: Sections, names: Names, faults: Faults) -> tuple[Trigger, ...]:
    """The triggers of the file, without those that have a fault."""
    each_once(sections, ("trigger",), "trigger", faults)
    triggers = []
    for index, section in enumerate(sections):
        if section is not None:
            triggers.append(_read_trigger(section, ("trigger", index), names, faults))
    return tuple(trigger for trigger in triggers if trigger is not None)


def _read_trigger(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Trigger | None:
    if "/" in (section.get("name") or ""):
        hint = "trial ids are written drive/trigger/occurrence"
        faults.add((*path, "name"), expected="a name without a slash", found=quoted(section["name"]), hint=hint)
    if section.get("role") is not None:
        names.check_role(section["role"], (*path, "role"), faults)
    for scenario in section.get("expected_by_scenario") or ():
        if names.scenarios is not None and scenario not in names.scenarios:
            at = (*path, "expected_by_scenario", scenario)
            faults.add_misspelt(at, scenario, names.scenarios, expected="a scenario listed in [scenarios]")
    _check_often(section, path, faults)
    conditions = section.get("condition") or ()
    each_once(conditions, (*path, "condition"), "condition", faults)
    read = (
        read_condition(one, (*path, "condition", index), names, faults)
        for index, one in enumerate(conditions)
        if one is not None
    )
    parts: dict[str, Any] = {
        "conditions": tuple(condition for condition in read if condition is not None),
        "armed_when": read_terms(section.get("armed_when") or (), (*path, "armed_when"), names, faults),
        "fires_when": read_terms(section.get("fires_when") or (), (*path, "fires_when"), names, faults),
        "alert": _read_alert(section.get("alert"), (*path, "alert"), names, faults),
        "task": _read_task(section.get("task"), (*path, "task"), faults),
        "before": _read_before(section.get("before"), (*path, "before"), faults),
        "hazard": _read_hazard(section.get("hazard"), (*path, "hazard"), names, faults),
        "response": _read_response(section, path, names, faults),
        "action": _read_action(section, path, faults),
        "rearm": _read_rearm(section, path, faults),
    }
    if faults.under(path):
        return None
    plain = {key: value for key, value in section.items() if key not in parts and key != "condition"}
    return Trigger(**plain, **parts)


def _check_often(section: Mapping[str, Any], path: Path, faults: Faults) -> None:
    """A surprise spends its class, so that it can't come any number of times."""
    if section.get("expected") == "any" and section.get("surprise_class") is not None:
        faults.add(
            (*path, "expected"),
            expected="a whole number, because a surprise comes once",
            found=quoted("any"),
            hint="for events that surprise nobody leave out surprise_class",
        )
    often = [section.get("expected", 1), *(section.get("expected_by_scenario") or {}).values()]
    stated = not (faults.at((*path, "expected")) or faults.under((*path, "expected_by_scenario")))
    at_least = section.get("valid_at_least")
    if at_least is not None and stated and "any" not in often and all(one < at_least for one in often):
        expected = f"at most as many as come, {max(often)} (expected)"
        faults.add((*path, "valid_at_least"), expected=expected, found=f"the number {at_least}")
    if "refractory_s" in section and stated and all(one in (0, 1) for one in often):
        expected = 'refractory_s only where expected is above 1 or "any"'
        faults.add((*path, "refractory_s"), expected=expected, found="it with a trigger that fires once")


def _read_alert(section: Mapping[str, Any] | None, path: Path, names: Names, faults: Faults) -> AlertRule | None:
    if section is None or faults.under(path):
        return None
    rule = AlertRule(**section)
    _check_order(rule, ("earliest_s", "latest_s"), section, path, faults)
    _check_order(rule, ("at_least_lasting_s", "at_most_lasting_s"), section, path, faults)
    for modality in rule.output_delay_s:
        if names.modalities is not None and modality not in names.modalities:
            at = (*path, "output_delay_s", modality)
            faults.add_misspelt(at, modality, names.modalities, expected="a modality that a group is given")
    return rule


def _read_task(section: Mapping[str, Any] | None, path: Path, faults: Faults) -> TaskRule | None:
    if section is None or faults.under(path):
        return None
    rule = TaskRule(**section)
    _check_order(rule, ("begins_at_least_s", "begins_at_most_s"), section, path, faults)
    return rule


def _read_before(section: Mapping[str, Any] | None, path: Path, faults: Faults) -> BeforeRule | None:
    return None if section is None or faults.under(path) else BeforeRule(**section)


def _read_hazard(section: Mapping[str, Any] | None, path: Path, names: Names, faults: Faults) -> HazardRule | None:
    if section is None or faults.under(path):
        check_names(section, path, names, faults)
        return None
    if "role" in section:
        names.check_role(section["role"], (*path, "role"), faults)
    elif "onset" not in section:
        expected = "the role that brakes, or [trigger.hazard.onset] with another measure"
        faults.add((*path, "role"), expected=expected, found="nothing, the key is missing")
    if "onset" not in section:
        return HazardRule(**section)
    of_braking = next((key for key in section if key not in ("role", "onset", "within_s")), None)
    if of_braking is not None:
        found = "it beside [trigger.hazard.onset]"
        faults.add((*path, of_braking), expected=f"{of_braking} only where the hazard is braking", found=found)
    onset = read_looked(section["onset"], (*path, "onset"), names, faults)
    if onset is not None and not names.is_scripted(onset.measure):
        faults.add(
            (*path, "onset", "measure"),
            expected="a measure of a scripted vehicle, or a signal of another source than the driver",
            found=quoted(onset.measure.text),
            hint="else the response would decide who was exposed",
        )
    return HazardRule(**{**section, "onset": onset})


def _read_response(trigger: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> ResponseRule | None:
    section, at = trigger.get("response"), (*path, "response")
    if section is None or faults.under(at):
        check_names(section, at, names, faults)
        return None
    origin = section.get("origin", "fire")
    criterion = None
    if "criterion" in section:
        criterion = read_term(section["criterion"], (*at, "criterion"), names, faults)
        if origin != "alert criterion":
            expected = 'a criterion only with origin = "alert criterion"'
            faults.add((*at, "criterion"), expected=expected, found=f"it with origin = {quoted(origin)}")
    elif origin == "alert criterion":
        expected = 'a [trigger.response.criterion] for origin = "alert criterion"'
        faults.add((*at, "criterion"), expected=expected, found="none")
    if origin == "hazard onset" and "hazard" not in trigger and not faults.at((*path, "hazard")):
        faults.add((*at, "origin"), expected='a [trigger.hazard] for origin = "hazard onset"', found="none")
    signs = _read_signs(section.get("sign") or (), (*at, "sign"), names, faults)
    horizon_s = section.get("horizon_s", ResponseRule().horizon_s)
    for index, sign in enumerate(section.get("sign") or ()):
        early_s = (sign or {}).get("anticipatory_s") or 0.0
        if early_s >= horizon_s:
            expected = f"less than the horizon of the response, {horizon_s:g}"
            faults.add((*at, "sign", index, "anticipatory_s"), expected=expected, found=f"the number {early_s:g}")
    stable = None
    if "stable" in section:
        looked = read_looked(section["stable"], (*at, "stable"), names, faults)
        if looked is not None:
            stable = StableRule(looked.measure, looked.band, section["stable"].get("held_s", 1.0))
    plain = {key: value for key, value in section.items() if key != "sign"}
    return ResponseRule(**{**plain, "criterion": criterion, "signs": signs, "stable": stable})


def _read_signs(sections: Sections, path: Path, names: Names, faults: Faults) -> tuple[ResponseSign, ...]:
    """The signs of a response, without those that have a fault."""
    each_once(sections, path, "sign", faults)
    found = []
    for index, section in enumerate(sections):
        looked = None if section is None else read_looked(section, (*path, index), names, faults)
        if section is not None and looked is not None:
            if looked.measure.kind != "event" and names.is_scripted(looked.measure):
                faults.add(
                    (*path, index, "measure"),
                    expected="a measure of the own car, or a signal of the driver",
                    found=quoted(looked.measure.text),
                    hint="what is scripted is no response",
                )
            more = {key: section[key] for key in ("held_s", "from_baseline", "anticipatory_s") if key in section}
            found.append(ResponseSign(section["name"], looked.measure, looked.band, **more))
    return tuple(found)


def _read_action(trigger: Mapping[str, Any], path: Path, faults: Faults) -> ActionRule | None:
    section, at = trigger.get("action"), (*path, "action")
    if section is None or faults.under(at):
        return None
    sections = trigger.get("condition") or ()
    conditions = [one["name"] for one in sections if one is not None and one.get("name") is not None]
    if len(conditions) < len(sections) or faults.at((*path, "condition")):
        return None  # the name that is meant may be the one that has a fault
    for name in section.get("by_condition") or ():
        if name not in conditions:
            where = (*at, "by_condition", name)
            faults.add_misspelt(where, name, conditions, expected="a condition of this trigger")
    return ActionRule(**section)


def _read_rearm(trigger: Mapping[str, Any], path: Path, faults: Faults) -> RearmRule | None:
    section, at = trigger.get("rearm"), (*path, "rearm")
    if section is None or faults.under(at):
        return None
    if "within_s" not in section and "until_station_m" not in section:
        expected = "within_s, until_station_m or both: until when arming again helps"
        faults.add(at, expected=expected, found="neither")
        return None
    return RearmRule(**section)


def _check_order(
    rule: AlertRule | TaskRule, span: tuple[str, str], section: Mapping[str, Any], path: Path, faults: Faults
) -> None:
    """A fault where the two ends of a span, named by their keys, are the wrong way round."""
    low_key, high_key = span
    low, high = getattr(rule, low_key), getattr(rule, high_key)
    if low is None or high is None or low <= high:
        return
    # One of the two may be a default, which stands nowhere in the file: the stated one is named.
    if high_key in section:
        faults.add((*path, high_key), expected=f"a number not below {low_key} = {low:g}", found=f"the number {high:g}")
    else:
        faults.add((*path, low_key), expected=f"a number not above {high_key} = {high:g}", found=f"the number {low:g}")


def each_once(sections: Sections, path: Path, what: str, faults: Faults) -> None:
    """A fault for each name that stands a second time in a list of sections."""
    first_of: dict[str, int] = {}
    for index, section in enumerate(sections):
        name = (section or {}).get("name")
        if name is None:
            continue
        if name in first_of:
            found = f"{quoted(name)} again, after {what} {first_of[name] + 1}"
            faults.add((*path, index, "name"), expected=f"each {what} to have its own name", found=found)
        first_of.setdefault(name, index)
