"""Sealed lots: blocks as counted, digests that hold, and nothing of the order in the study file."""

from __future__ import annotations

import json
import random
from collections import Counter
from dataclasses import replace

import pytest

from monitor.errors import WitnessError
from monitor.study.loading import parse_study
from monitor.study.lots import SealedOrder, assignment_digest, draw_lots, order_from_json
from monitor.study.model import AssignmentRule, Study
from tests.study.conftest import CONFIGS


def study_with(dusk_road: Study, groups: str, *sizes: int, strata: tuple[str, ...] = ()) -> Study:
    named = {name: replace(dusk_road.groups["chime"], name=name, planned=None) for name in groups}
    return replace(dusk_road, groups=named, assignment=AssignmentRule("blocks", block_sizes=sizes, strata=strata))


@pytest.mark.parametrize(
    ("groups", "size", "orders"),
    [("ab", 4, 6), ("abc", 6, 90), ("abcd", 4, 24)],
)
def test_blocks_have_as_many_orders_as_counted_and_all_about_equally_often(
    dusk_road: Study, groups: str, size: int, orders: int
) -> None:
    # Counts of orders: multinomial coefficients 4!/(2!2!) = 6, 6!/(2!2!2!) = 90, 4! = 24.
    drawn = draw_lots(study_with(dusk_road, groups, size), "s", 100 * orders * size, random.Random(5).randrange)
    given = [lot.group for lot in drawn.lots]
    seen = Counter(tuple(given[first : first + size]) for first in range(0, len(given), size))
    assert len(seen) == orders
    # Chi-square of equal frequencies: mean orders − 1, standard deviation √(2·(orders − 1)); within four of them.
    chi_square = sum((times - 100) ** 2 / 100 for times in seen.values())
    assert abs(chi_square - (orders - 1)) < 4 * (2 * (orders - 1)) ** 0.5


def test_sizes_are_mixed_and_every_group_has_its_share(dusk_road: Study) -> None:
    drawn = draw_lots(study_with(dusk_road, "abc", 3, 6), "s", 90, random.Random(1).randrange)
    given = [lot.group for lot in drawn.lots]
    assert len(given) >= 90
    assert set(Counter(given).values()) == {len(given) // 3}
    # with threes alone every third place would complete all three groups
    thirds = [set(given[first : first + 3]) == set("abc") for first in range(0, len(given), 3)]
    assert not all(thirds)
    # a prefix is never further out of balance than half of the largest block
    for length in range(1, len(given)):
        counts = Counter(given[:length])
        assert max(counts.values()) - min(counts[name] for name in "abc") <= 2


def test_two_sites_with_the_same_file_have_orders_of_their_own(dusk_road: Study) -> None:
    north, south = draw_lots(dusk_road, "north"), draw_lots(dusk_road, "south")
    assert [lot.group for lot in north.lots] != [lot.group for lot in south.lots]
    assert north.root != south.root
    again = draw_lots(dusk_road, "north")
    assert [lot.group for lot in again.lots] != [lot.group for lot in north.lots], "no seed tells the order"


def test_twice_the_trials_planned_are_drawn_or_as_many_as_are_asked_for(dusk_road: Study) -> None:
    assert len(draw_lots(dusk_road, "s").lots) in range(96, 96 + 8)
    assert len(draw_lots(dusk_road, "s", 5).lots) in (8, 12)
    strata = study_with(dusk_road, "ab", 2, strata=("young", "old"))
    order = draw_lots(strata, "s", 10)
    assert Counter(lot.stratum for lot in order.lots) == {"young": 10, "old": 10}
    assert [lot.number for lot in order.lots if lot.stratum == "old"] == list(range(1, 11))


def test_digests_are_sha_256_of_what_they_name(dusk_road: Study) -> None:
    import hashlib

    order = draw_lots(dusk_road, "north", 4)
    lot = order.lots[2]
    text = f"dusk-road\nnorth\n\n3\n{lot.group}\n{lot.salt}"
    assert lot.digest("dusk-road", "north") == hashlib.sha256(text.encode()).hexdigest()
    whole = "\n".join(
        ["dusk-road", "north", order.drawn_for, *(one.digest("dusk-road", "north") for one in order.lots)]
    )
    assert order.root == hashlib.sha256(whole.encode()).hexdigest()
    assert len({one.salt for one in order.lots}) == len(order.lots)
    assert all(len(bytes.fromhex(one.salt)) == 16 for one in order.lots)


def test_any_change_of_a_lot_shows_in_the_root(dusk_road: Study) -> None:
    order = draw_lots(dusk_road, "north", 8)
    kept = json.loads(json.dumps(order.as_json()))
    assert order_from_json(kept) == order
    first, second, third, fourth, *rest = kept["lots"]
    another = "no-alert" if first[2] != "no-alert" else "chime"
    for changed in (
        [[*first[:2], another, *first[3:]], second, third, fourth, *rest],
        [first, second, third, [*fourth[:3], "00" * 16, *fourth[4:]], *rest],
        kept["lots"][:-1],
        [[*first[:2], *second[2:]], [*second[:2], *first[2:]], third, fourth, *rest],
    ):
        with pytest.raises(ValueError, match="changed after it was sealed"):
            order_from_json({**kept, "lots": changed})
    for nothing in ({}, {"lots": 3}, {**order.as_json(), "lots": [[1, 2]]}):
        with pytest.raises(ValueError):
            order_from_json(nothing)


def test_what_the_order_depends_on_is_in_its_digest_and_nothing_else(dusk_road: Study) -> None:
    text = (CONFIGS / "dusk-road.toml").read_text(encoding="utf-8")
    digest = assignment_digest(dusk_road)
    assert assignment_digest(parse_study(text.replace("at_most = 1.9", "at_most = 2.0"), "s")) == digest
    for old, new in (
        ("block_sizes = [4, 8]", "block_sizes = [4]"),
        ("block_sizes = [4, 8]", "block_sizes = [4, 8]\nseed = 5"),
        ('#: strata = ["under 40", "40 and over"]', 'strata = ["a", "b"]'),
        ('alert = ["sound"]', 'alert = ["tone"]'),
    ):
        assert old in text
        assert assignment_digest(parse_study(text.replace(old, new), "s")) != digest, new


def test_a_seed_still_loads_with_a_caution() -> None:
    text = (CONFIGS / "dusk-road.toml").read_text(encoding="utf-8")
    study = parse_study(text.replace("block_sizes = [4, 8]", "block_sizes = [4, 8]\nseed = 20311"), "s")
    assert any("has a seed, from which anybody could compute the order" in one for one in study.cautions)
    assert not any("seed" in one for one in parse_study(text, "s").cautions)


def test_what_cannot_be_drawn_is_one_sentence(dusk_road: Study) -> None:
    for study, site, count, words in (
        (replace(dusk_road, assignment=None), "s", 8, "no \\[assignment\\] in blocks"),
        (dusk_road, "../x", 8, "needs a name of letters"),
        (dusk_road, "s", 0, "0 lots cannot be drawn"),
    ):
        with pytest.raises(WitnessError, match=words):
            draw_lots(study, site, count)
    assert isinstance(draw_lots(dusk_road, "s", 1), SealedOrder)
