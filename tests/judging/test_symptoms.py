"""The questionnaire's scores against worked examples of its published key."""

from __future__ import annotations

import pytest

from monitor.judging.symptoms import ITEMS, score_symptoms

WORKED = [
    # raw sums by hand from the key of 1993: nausea 4, oculomotor 5, disorientation 5
    ((1, 1, 0, 2, 1, 0, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0), (38.16, 37.90, 69.60, 52.36)),
    ((1,) * 16, (66.78, 53.06, 97.44, 78.54)),
    ((3,) * 16, (200.34, 159.18, 292.32, 235.62)),
    ((0,) * 16, (0.0, 0.0, 0.0, 0.0)),
]


@pytest.mark.parametrize(("answers", "scores"), WORKED)
def test_the_scores_are_those_of_the_published_key(answers: tuple[int, ...], scores: tuple[float, ...]) -> None:
    found = score_symptoms(answers)
    assert (found.nausea, found.oculomotor, found.disorientation, found.total) == pytest.approx(scores)


def test_each_item_counts_in_one_or_two_scales_and_always_in_the_total() -> None:
    for place in range(len(ITEMS)):
        found = score_symptoms([int(at == place) for at in range(len(ITEMS))])
        scales = sum(score > 0.0 for score in (found.nausea, found.oculomotor, found.disorientation))
        assert scales in (1, 2)
        assert found.total == pytest.approx(3.74 * scales)


@pytest.mark.parametrize("answers", [(), (1,) * 15, (4,) + (0,) * 15, (-1,) + (0,) * 15])
def test_a_questionnaire_that_is_not_whole_has_no_score(answers: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="16 items, each answered with 0 to 3"):
        score_symptoms(answers)
