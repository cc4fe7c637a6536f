"""How well the next group can be guessed from the last ones: the drawn lots are no worse than blocks must be."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

import pytest

from monitor.study.lots import draw_lots
from monitor.study.model import AssignmentRule, Study
from tests.study.guessing import Guesser, blocks, same_group_next, share_right, with_known_boundaries

PLACES = 12_000


def drawn(study: Study, sizes: tuple[int, ...]) -> list[int]:
    names = sorted(study.groups)
    rule = replace(study, assignment=AssignmentRule("blocks", block_sizes=sizes))
    return [names.index(lot.group) for lot in draw_lots(rule, "s", PLACES, random.Random(11).randrange).lots]


def test_a_block_of_four_by_hand() -> None:
    # four groups once each: 1/4 + 1/3 + 1/2 + 1 of four places
    assert with_known_boundaries((1, 1, 1, 1)) == Fraction(25, 12)
    # two groups twice each: 1/2, then 2/3 for the other one, then 1/2 or 1, then 1
    assert with_known_boundaries((2, 2)) == Fraction(1, 2) + Fraction(2, 3) + Fraction(2, 3) + 1


def test_a_guesser_with_one_size_is_right_as_often_as_counted(dusk_road: Study) -> None:
    found = share_right(drawn(dusk_road, (4,)), 4, (4,))
    assert found == pytest.approx(25 / 48, abs=3 * (0.25 / PLACES) ** 0.5)


def test_a_guesser_of_the_drawn_lots_is_right_as_often_as_of_ideal_blocks(dusk_road: Study) -> None:
    sizes = (4, 8)
    lots = share_right(drawn(dusk_road, sizes), 4, sizes)
    ideal = share_right(blocks(4, sizes, PLACES, random.Random(3)), 4, sizes)
    assert lots == pytest.approx(ideal, abs=4 * (0.5 / PLACES) ** 0.5)
    # and less often than where the boundaries are known
    known = (with_known_boundaries((1,) * 4) + with_known_boundaries((2,) * 4)) / (4 + 8)
    assert lots < float(known)


def test_lost_trials_tell_nothing_because_the_next_lot_takes_their_place(dusk_road: Study) -> None:
    """A quarter lost: the lots come as they come, so that a loss changes no guess. "Same group next" told the group."""
    order, rng = drawn(dusk_road, (4, 8)), random.Random(5)
    lost = [rng.random() < 0.25 for _ in range(2 * len(order))]
    assert share_right(order, 4, (4, 8)) < 0.5
    given, known = same_group_next(order, lost)
    guesser, right = Guesser(4, (4, 8)), 0
    for group, is_known in zip(given, known, strict=True):
        right += is_known or guesser.guess() == group
        if not is_known:
            guesser.see(group)
    assert right / len(given) > 0.58
