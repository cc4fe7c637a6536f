"""Who drives what: participant, group and scenario as the simulator says, and what the participant had met before."""

from __future__ import annotations

from monitor.feed.schema import Hello
from monitor.judging.case.case import make_finding
from monitor.judging.case.trial import Finding
from monitor.judging.rules.exposure import Exposure
from monitor.study.model import Study

MISMATCHES = {"participant-mismatch": "participant", "group-mismatch": "group", "scenario-mismatch": "scenario"}
"""Finding → what simulator and plan differ in; the operator is asked for it once a run."""


def identity_findings(
    study: Study, participant: str, group: str | None, hello: Hello | None, at: float | None
) -> list[Finding]:
    """Whether the simulator runs the participant, group and scenario that the operator meant.

    `group`: as the operator gave it; None where it is taken from the simulator.
    """
    if hello is None:
        return []
    found = []
    if hello.participant is not None and hello.participant != participant:
        sentence = f"The simulator says participant {hello.participant}, the run is of {participant}."
        found.append(make_finding(study, "participant-mismatch", sentence, at))
    if group is not None and hello.group is not None and hello.group != group:
        sentence = f"The simulator says group {hello.group}, the participant is assigned {group}."
        found.append(make_finding(study, "group-mismatch", sentence, at))
    if hello.scenario is not None and study.scenarios and hello.scenario not in study.scenarios:
        sentence = f"The simulator says scenario {hello.scenario}, which the study file does not list."
        found.append(make_finding(study, "scenario-mismatch", sentence, at))
    return found


def exposure_findings(study: Study, earlier: Exposure, at: float | None) -> list[Finding]:
    """A participant who was surprised before, or may have been."""
    if earlier.naive == "yes":
        return []
    code = "not-naive" if earlier.naive == "no" else "naive-unknown"
    return [make_finding(study, code, earlier.why, at)]
