"""What is read of a scenario file, held against the standard's own schemas 1.0 to 1.3.1 (ASAM OpenSCENARIO XML), as the
package scenariogeneration carries them. What an attribute means that is left out is in no schema: see translation.py.
"""

from __future__ import annotations

from importlib.metadata import distribution
from pathlib import Path
from xml.etree import ElementTree

import pytest

from monitor.commissioning.scenario_file.scenario import ScenarioFile
from monitor.commissioning.scenario_file.translation import BEFORE_DIRECTIONS, EDGES, Translation
from tests.judging.hand import STUDY, study_of

XSD = "{http://www.w3.org/2001/XMLSchema}"
FOLDER = Path(str(distribution("scenariogeneration").locate_file("schemas")))
VERSIONS = ("1_0", "1_1", "1_2", "1_3_1")
READ: dict[str, set[str]] = {
    "TimeHeadwayCondition": {"entityRef", "value", "rule", "freespace", "alongRoute"},
    "TimeToCollisionCondition": {"value", "rule", "freespace", "alongRoute"},
    "RelativeDistanceCondition": {"entityRef", "value", "rule", "freespace", "relativeDistanceType"},
    "SpeedCondition": {"value", "rule"},
    "RelativeSpeedCondition": {"entityRef", "value", "rule"},
    "AccelerationCondition": {"value", "rule"},
    "ReachPositionCondition": {"tolerance"},
    "DistanceCondition": {"value", "rule", "freespace", "alongRoute"},
    "SimulationTimeCondition": {"value", "rule"},
    "StoryboardElementStateCondition": {"storyboardElementRef", "storyboardElementType", "state"},
    "ParameterCondition": {"parameterRef", "value", "rule"},
    "VariableCondition": {"variableRef", "value", "rule"},
    "UserDefinedValueCondition": {"name", "value", "rule"},
}
"""Attributes that are read of a condition in every version that has it."""
LEFT_OUT = {"alongRoute", "coordinateSystem", "relativeDistanceType", "routingAlgorithm", "direction"}
"""Attributes that may be left out in some version, so that a meaning is given to that."""


def schema(version: str) -> ElementTree.Element:
    return ElementTree.parse(FOLDER / f"OpenSCENARIO_{version}.xsd").getroot()


def attributes(version: str, kind: str) -> dict[str, bool]:
    """Attribute → whether it is required; empty where the version has no such element."""
    found = schema(version).find(f"{XSD}complexType[@name='{kind}']")
    each = [] if found is None else found.iter(f"{XSD}attribute")
    return {str(one.get("name")): one.get("use") == "required" for one in each}


def words(version: str, kind: str) -> set[str]:
    """The words that an attribute of a kind may have."""
    found = schema(version).find(f"{XSD}simpleType[@name='{kind}']")
    return set() if found is None else {str(one.get("value")) for one in found.iter(f"{XSD}enumeration")}


def test_the_table_has_every_kind_of_condition_that_is_read() -> None:
    translation = Translation(ScenarioFile("f", "", "1.2", {}, ()), study_of(STUDY), None)
    assert set(translation._kinds) == set(READ)


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("kind", READ)
def test_what_is_read_of_a_condition_is_in_the_schema_and_what_may_be_left_out_has_a_meaning(
    version: str, kind: str
) -> None:
    known = attributes(version, kind)
    if not known:
        assert (kind, version) in {("VariableCondition", "1_0"), ("VariableCondition", "1_1")}
        return
    assert READ[kind] <= known.keys()
    assert {name for name, required in known.items() if not required} <= LEFT_OUT


@pytest.mark.parametrize("version", VERSIONS)
def test_a_condition_always_says_its_edge_and_its_delay(version: str) -> None:
    assert attributes(version, "Condition") == {"conditionEdge": True, "delay": True, "name": True}
    assert words(version, "ConditionEdge") == set(EDGES)


@pytest.mark.parametrize("version", VERSIONS)
def test_directions_are_there_from_the_version_on_that_is_taken_for_the_first(version: str) -> None:
    has = [
        "direction" in attributes(version, kind)
        for kind in ("SpeedCondition", "AccelerationCondition", "RelativeSpeedCondition")
    ]
    assert has == [version.replace("_", ".") not in BEFORE_DIRECTIONS] * 3


@pytest.mark.parametrize("version", VERSIONS)
def test_the_words_that_are_known_are_the_schemas(version: str) -> None:
    """Rules that make a band, and the one that makes none; systems along the way, and those that are refused."""
    assert words(version, "Rule") <= {
        *("greaterThan", "greaterOrEqual", "lessThan", "lessOrEqual", "equalTo"),
        "notEqualTo",
    }
    assert words(version, "CoordinateSystem") <= {"entity", "lane", "road", "trajectory", "world"}
    assert "longitudinal" in words(version, "RelativeDistanceType")
    assert "longitudinal" in words(version, "DirectionalDimension") or version.replace("_", ".") in BEFORE_DIRECTIONS
    assert "startTransition" in words(version, "StoryboardElementState")
    assert "event" in words(version, "StoryboardElementType")
    assert words(version, "TriggeringEntitiesRule") == {"any", "all"}
