"""Scenario files written by hand: what is read, and what is refused. No file may cost memory or reach another one."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.commissioning.scenario_file.comparison import compare_with_study
from monitor.commissioning.scenario_file.elements import DEEPEST, LARGEST_FILE_BYTES, MOST_ELEMENTS, read_elements
from monitor.commissioning.scenario_file.proposal import propose_triggers
from monitor.commissioning.scenario_file.scenario import load_scenario_file
from monitor.errors import ScenarioFaults
from monitor.study.loading import parse_study

STUDY = parse_study(
    """
[study]
name = "hand"
participant_pattern = "Q[0-9]+"
[groups.all]
alert = []
[[trigger]]
name = "gate-brake"
[[trigger.fires_when]]
measure = "speed"
at_least = 19.0
""",
    "hand.toml",
)
BY_HAND = """<?xml version="1.0" encoding="UTF-8"?>
<OpenSCENARIO>
  <FileHeader revMajor="1" revMinor="0" date="2026-11-01T10:00:00" description="by hand" author="nobody"/>
  <ParameterDeclarations>
    <ParameterDeclaration name="fast" parameterType="double" value="19.0"/>
    <ParameterDeclaration name="OWN" parameterType="string" value="Ego"/>
  </ParameterDeclarations>
  <Entities><ScenarioObject name="Ego"/></Entities>
  <Storyboard><Init/><Story name="s"><Act name="a">
    <ManeuverGroup name="g" maximumExecutionCount="1"><Maneuver name="m">
      <Event name="gate-brake" priority="overwrite">
        <StartTrigger><ConditionGroup>
          <Condition name="c" delay="0" conditionEdge="none"><ByEntityCondition>
            <TriggeringEntities triggeringEntitiesRule="any"><EntityRef entityRef="$OWN"/></TriggeringEntities>
            <EntityCondition><SpeedCondition value="$fast" rule="greaterThan"/></EntityCondition>
          </ByEntityCondition></Condition>
        </ConditionGroup></StartTrigger>
      </Event>
    </Maneuver></ManeuverGroup>
  </Act></Story></Storyboard>
</OpenSCENARIO>
"""


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "hand.xosc"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def fault(tmp_path: Path, text: str | bytes) -> str:
    with pytest.raises(ScenarioFaults) as raised:
        load_scenario_file(written(tmp_path, text))
    (sentence,) = raised.value.faults
    return sentence


def test_a_file_by_hand_with_its_parameters_put_in(tmp_path: Path) -> None:
    file = load_scenario_file(written(tmp_path, BY_HAND))
    assert (file.version, file.description, file.own) == ("1.0", "by hand", "Ego")
    assert compare_with_study(file, STUDY).found == ()
    other = load_scenario_file(written(tmp_path, BY_HAND.replace('value="19.0"', 'value="21.0"')))
    (difference,) = compare_with_study(other, STUDY).found
    assert (
        difference.sentence == "speed at least 21 m/s in the file (line 13), at least 19 m/s in the study's fires_when"
    )


def test_an_expression_is_not_worked_out_and_said(tmp_path: Path) -> None:
    file = load_scenario_file(written(tmp_path, BY_HAND.replace('value="$fast"', 'value="${$fast + 1}"')))
    told = [one.sentence for one in compare_with_study(file, STUDY).found]
    assert "line 13, SpeedCondition: the value ${$fast + 1} is worked out by the simulator" in told


BOMB = """<?xml version="1.0"?>
<!DOCTYPE lol [<!ENTITY a "aaaaaaaaaaaaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>
<OpenSCENARIO><Storyboard name="&b;"/></OpenSCENARIO>
"""
OTHER_FILE = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]><OpenSCENARIO>&f;</OpenSCENARIO>'
)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (BOMB, "line 2: a document type is refused"),
        (OTHER_FILE, "a document type is refused"),
        ("", "this is no XML (no element found)"),
        ("<a><b></a>", "line 1, column 9: this is no XML (mismatched tag)"),
        ("<OpenSCENARIO>&undeclared;<Storyboard/></OpenSCENARIO>", "this is no XML (undefined entity)"),
        ("<OpenSCENARIO><Catalog name='x'/></OpenSCENARIO>", "expected a Storyboard, found none; a catalog"),
        ("<svg/>", 'expected the element OpenSCENARIO, found "svg"'),
        (b"\xff\xfe\x00", "this is no XML"),
        ("<?xml version='1.0' encoding='klingon'?><OpenSCENARIO/>", ""),
        ("<a>" * (DEEPEST + 1), f"more than {DEEPEST} deep"),
        ("<a>" + "<b/>" * MOST_ELEMENTS + "</a>", f"more than {MOST_ELEMENTS} elements"),
        (f'<a b="{"x" * 5000}"/>', "has more than 4096 characters"),
        (b" " * (LARGEST_FILE_BYTES + 1), "larger than 16 MiB"),
    ],
    ids=map(str, range(13)),  # one of the texts has 16 MiB
)
def test_what_is_refused_in_one_sentence(tmp_path: Path, text: str | bytes, words: str) -> None:
    assert words in fault(tmp_path, text)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ScenarioFaults, match="cannot be read"):
        read_elements(tmp_path / "none.xosc")


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_a_file_cut_or_changed_anywhere_is_read_or_refused_with_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    start = data.draw(st.integers(0, len(BY_HAND)))
    stop = data.draw(st.integers(start, min(start + 60, len(BY_HAND))))
    middle = data.draw(st.text(alphabet="<>/=\"'& $a1!-", max_size=6))
    path = tmp_path_factory.getbasetemp() / "changed.xosc"
    path.write_text(BY_HAND[:start] + middle + BY_HAND[stop:], encoding="utf-8")
    try:
        file = load_scenario_file(path)
    except ScenarioFaults:
        return
    compare_with_study(file, STUDY)
    propose_triggers(file, STUDY)


def test_no_name_of_the_file_can_begin_a_line_of_what_is_proposed(tmp_path: Path) -> None:
    nasty = BY_HAND.replace('<Maneuver name="m">', '<Maneuver name="m&#10;[study]&#10;blind = false">')
    text = propose_triggers(load_scenario_file(written(tmp_path, nasty)), STUDY)
    assert not [line for line in text.splitlines() if line.startswith(("[study", "blind"))]
