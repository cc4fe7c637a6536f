"""The simulator sickness questionnaire: sixteen items, three scales and a total, by its published key.

Kennedy, Lane, Berbaum & Lilienthal 1993, Int. J. Aviation Psychology 3, 203-220: each item 0 (none) to 3 (severe);
nausea × 9.54, oculomotor × 7.58, disorientation × 13.92, total of the three raw sums × 3.74; seven items a scale (from
memory; some reprints leave item 8 out of disorientation). Who feels well is no zero: ask before and after. The score
decides nothing here: a stop is the operator's and the participant's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

ITEMS = (
    "general discomfort",
    "fatigue",
    "headache",
    "eyestrain",
    "difficulty focusing",
    "increased salivation",
    "sweating",
    "nausea",
    "difficulty concentrating",
    "fullness of head",
    "blurred vision",
    "dizzy (eyes open)",
    "dizzy (eyes closed)",
    "vertigo",
    "stomach awareness",
    "burping",
)
"""In the order of the questionnaire, item 1 first."""

ANSWERS = ("none", "slight", "moderate", "severe")

_NAUSEA = (1, 6, 7, 8, 9, 15, 16)
_OCULOMOTOR = (1, 2, 3, 4, 5, 9, 11)
_DISORIENTATION = (5, 8, 10, 11, 12, 13, 14)


@dataclass(frozen=True, slots=True)
class Symptoms:
    """The scores of one filled-in questionnaire."""

    nausea: float
    oculomotor: float
    disorientation: float
    total: float

    def words(self) -> str:
        """All four in one line."""
        return (
            f"total {self.total:.1f} (nausea {self.nausea:.1f}, oculomotor {self.oculomotor:.1f}, "
            f"disorientation {self.disorientation:.1f})"
        )


def score_symptoms(answers: Sequence[int]) -> Symptoms:
    """The scores of sixteen answers, 0 to 3 each, in the order of `ITEMS`. Raises ValueError for anything else."""
    if len(answers) != len(ITEMS) or any(answer not in (0, 1, 2, 3) for answer in answers):
        raise ValueError(f"the questionnaire has {len(ITEMS)} items, each answered with 0 to 3")
    raw = [sum(answers[item - 1] for item in items) for items in (_NAUSEA, _OCULOMOTOR, _DISORIENTATION)]
    return Symptoms(raw[0] * 9.54, raw[1] * 7.58, raw[2] * 13.92, sum(raw) * 3.74)
