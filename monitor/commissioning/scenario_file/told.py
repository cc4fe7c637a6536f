"""What a rule of a scenario file is in the study's words: its conditions one by one, and as terms of a rule."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import product

from monitor.commissioning.scenario_file.elements import number
from monitor.commissioning.scenario_file.scenario import ScriptCondition
from monitor.study.terms import FireTerm

MOST_CASES = 64
"""Cases of a rule with either-or that are worked out; more are not compared."""


@dataclass(frozen=True, slots=True)
class Told:
    """A condition of the file, and what it is in the study's words; `term` is None where it cannot be told, and `why`
    says so."""

    condition: ScriptCondition
    term: FireTerm | None
    why: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def is_always(self) -> bool:
        """Whether it holds from the begin of a drive on, such as "simulation time is greater than 0"."""
        condition = self.condition
        value = number(condition.attributes.get("value"))
        return (
            condition.kind == "SimulationTimeCondition"
            and condition.edge == "none"
            and number(condition.delay) == 0.0
            and condition.attributes.get("rule") in ("greaterThan", "greaterOrEqual")
            and value is not None
            and value <= 0.0
        )


def as_terms(told: list[list[Told]]) -> tuple[FireTerm, ...] | None:
    """One group of conditions or another as terms that must all hold, each of which holds one of all groups; none where
    a group always holds, None where there would be more than `MOST_CASES`."""
    cases = [[one.term for one in group if one.term is not None and not one.is_always] for group in told]
    if not cases or any(not case for case in cases):
        return ()
    if math.prod(len(case) for case in cases) > MOST_CASES:
        return None
    return tuple(replace(either[0], or_else=either[1:]) for either in product(*cases))


def words_of(term: FireTerm) -> str:
    """A term as a sentence says it: measure, band, edge, delay."""
    edge = "" if term.edge == "none" else f", {term.edge}"
    delay = f", {term.delay_s:g} s later" if term.delay_s else ""
    role = f" to {term.measure.role}" if term.measure.kind == "pair" else ""
    return f"{term.measure.text}{role} {term.band.words(term.measure.unit)}{edge}{delay}"
