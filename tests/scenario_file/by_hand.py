"""Scenario files written by hand, one event in them, so that every attribute can be wrong in any way."""

from __future__ import annotations

from monitor.study.loading import parse_study
from monitor.study.model import Study

_BOX = '<BoundingBox><Center x="1.4" y="0" z="0"/><Dimensions width="1.8" length="4.6" height="1.5"/></BoundingBox>'
HEAD = """
[study]
name = "held"
participant_pattern = "Q[0-9]+"
[groups.all]
alert = []
[roles.van]
vehicle = "van"
[signals.go]
source = "scripted"
"""


def study_of(rule: str) -> Study:
    """A study with one trigger, "e"."""
    return parse_study(f'{HEAD}[[trigger]]\nname = "e"\n{rule}', "held.toml")


def by_entity(asked: str, who: str = "Ego", edge: str = "none", delay: str = "0", rule: str = "any") -> str:
    """A condition of an entity."""
    entities = (
        f'<TriggeringEntities triggeringEntitiesRule="{rule}"><EntityRef entityRef="{who}"/></TriggeringEntities>'
    )
    inside = f"<ByEntityCondition>{entities}<EntityCondition>{asked}</EntityCondition></ByEntityCondition>"
    return f'<Condition name="c" delay="{delay}" conditionEdge="{edge}">{inside}</Condition>'


def by_value(asked: str, edge: str = "none", delay: str = "0") -> str:
    """A condition by value."""
    inside = f"<ByValueCondition>{asked}</ByValueCondition>"
    return f'<Condition name="c" delay="{delay}" conditionEdge="{edge}">{inside}</Condition>'


def faster(value: str = "20", more: str = "") -> str:
    """The own car is faster than a value."""
    return by_entity(f'<SpeedCondition value="{value}" rule="greaterThan" {more}/>')


def trigger_of(*groups: str, tag: str = "StartTrigger") -> str:
    """A trigger: one group of conditions or another."""
    inside = "".join(f"<ConditionGroup>{group}</ConditionGroup>" for group in groups)
    return f"<{tag}>{inside}</{tag}>"


def speed_action(by: str, value: str, target: str) -> str:
    """An action that changes the speed."""
    dynamics = f'<SpeedActionDynamics dynamicsShape="linear" value="{value}" dynamicsDimension="{by}"/>'
    inside = f"<SpeedAction>{dynamics}<SpeedActionTarget>{target}</SpeedActionTarget></SpeedAction>"
    return f'<Action name="x"><PrivateAction><LongitudinalAction>{inside}</LongitudinalAction></PrivateAction></Action>'


def xosc(
    start: str,
    *,
    header: str = 'revMajor="1" revMinor="2"',
    parameters: str = "",
    of_manoeuvre: str = "",
    init: str = "",
    group: str = "",
    actors: str = "van",
    event: str = "",
    action: str = "",
    beside: str = "",
    act: str = "",
) -> str:
    """A file with the event "e" and its start trigger; the other texts go where their names say."""
    entities = "".join(
        f'<ScenarioObject name="{name}"><Vehicle name="v">{_BOX}</Vehicle></ScenarioObject>' for name in ("Ego", "van")
    )
    refs = "".join(f'<EntityRef entityRef="{one}"/>' for one in actors.split())
    return f"""<?xml version="1.0"?>
<OpenSCENARIO><FileHeader {header} date="2026-11-01T10:00:00" description="d" author="nobody"/>
<ParameterDeclarations>{parameters}</ParameterDeclarations><Entities>{entities}</Entities>
<Storyboard><Init><Actions>{init}</Actions></Init><Story name="s"><Act name="a">
<ManeuverGroup name="g" {group}><Actors selectTriggeringEntities="false">{refs}</Actors><Maneuver name="m">
<ParameterDeclarations>{of_manoeuvre}</ParameterDeclarations>
<Event name="e" priority="parallel" {event}>{action}
{start}
</Event>
{beside}</Maneuver></ManeuverGroup>
{act}</Act></Story></Storyboard></OpenSCENARIO>
"""
