"""The triggers of a study written from a scenario file, with what could not be told as comments beside them."""

from __future__ import annotations

import json

from monitor.commissioning.scenario_file.scenario import ScenarioFile, ScriptEvent
from monitor.commissioning.scenario_file.told import Told, as_terms
from monitor.commissioning.scenario_file.translation import Translation, Untold
from monitor.study.model import Study
from monitor.study.terms import FireTerm


def propose_triggers(file: ScenarioFile, study: Study, own: str | None = None) -> str:
    """Sections for a study file: a trigger for each event of the file, and the roles, points and signals that they need
    and that the study does not have."""
    translation = Translation(file, study, own, invents=True)
    triggers = [line for event in file.events for line in _trigger(event, translation)]
    head = [
        _comment(f"Triggers as {file.path} has them (OpenSCENARIO {file.version})."),
        "# Conditions, alert and response are the study's own; look each rule over before it goes into the study file.",
        *map(_comment, file.remarks),
    ]
    for name, entity in translation.roles.items():
        head += ["", f"[roles.{_key(name)}]", f"vehicle = {_text(entity)}"]
    for point in translation.points.values():
        head += ["", f"[points.{_key(point.name)}]", f"x_m = {point.x_m:g}", f"y_m = {point.y_m:g}"]
    for name in translation.signals:
        head += ["", f"[signals.{_key(name)}]", 'source = "scripted"']
    return "\n".join([*head, *triggers]) + "\n"


def _trigger(event: ScriptEvent, translation: Translation) -> list[str]:
    act, told = translation.rules(event)
    lines = ["", _comment(f"{event.where}, line {event.line}"), "[[trigger]]", f"name = {_text(event.name)}"]
    if event.executions != 1:
        often = '"any"' if event.executions is None else str(event.executions)
        lines.append(f"expected = {often}")
    lines += ["# Without surprise_class the event surprises nobody; give the class of a surprise here."]
    for key, groups in (("armed_when", act), ("fires_when", told)):
        lines += _rule(key, groups)
    if event.slowing.decel_mps2 is None:
        return lines
    lines += ["", "[trigger.hazard]"]
    try:
        (actor,) = event.actors
        lines.append(f"role = {_text(translation.role_of(actor))}")
    except (ValueError, Untold):
        lines.append(
            _comment(f"role: the file does not say which one vehicle brakes; it has {len(event.actors)} actors")
        )
    return [*lines, f"level_mps2 = {event.slowing.decel_mps2:g}"]


def _rule(key: str, groups: list[list[Told]]) -> list[str]:
    """The sections of a rule: a group of conditions or another as terms of which each holds one of all groups."""
    lines = []
    for told in (one for group in groups for one in group):
        place = f"line {told.condition.line}, {told.condition.kind}"
        if told.term is None:
            lines += ["", _comment(f"cannot be told ({place}): {told.why}")]
        lines += [_comment(f"{place}: {remark}") for remark in told.remarks]
    terms = as_terms(groups)
    if terms is None:
        return [*lines, "", f"# its {len(groups)} groups of conditions make a rule of too many terms to be written out"]
    for term in terms:
        lines += ["", f"[[trigger.{key}]]"]
        if not term.or_else:
            lines += [f"{name} = {value}" for name, value in _pairs(term)]
            continue
        inline = (", ".join(f"{name} = {value}" for name, value in _pairs(one)) for one in term.alternatives)
        lines += ["any_of = [", *(f"    {{ {one} }}," for one in inline), "]"]
    return lines


def _pairs(term: FireTerm) -> list[tuple[str, str]]:
    measure, band = term.measure, term.band
    text = f"{measure.role}.{measure.name}" if measure.kind == "role" else measure.name
    pairs = [("measure", _text(text))]
    if measure.role is not None and measure.kind != "role":
        pairs.append(("role", _text(measure.role)))
    if measure.from_role is not None:
        pairs.append(("from_role", _text(measure.from_role)))
    if measure.point is not None:
        pairs.append(("point", _text(measure.point.name)))
    if measure.event is not None:
        pairs.append(("event", _text(measure.event.kind)))
        pairs += [("named", _text(measure.event.name))] if measure.event.name else []
    pairs += [("at_least", f"{band.at_least:.10g}")] if band.at_least is not None else []
    pairs += [("at_most", f"{band.at_most:.10g}")] if band.at_most is not None else []
    pairs += [("edge", _text(term.edge))] if term.edge != "none" else []
    pairs += [("delay_s", f"{term.delay_s:.10g}")] if term.delay_s else []
    return pairs


def _comment(text: str) -> str:
    """A text of the file on one line of its own: nothing in it can begin another one."""
    return "# " + "".join(one if one.isprintable() else " " for one in text)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() and name.isascii() else _text(name)
