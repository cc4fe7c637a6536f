"""How often the next group is guessed rightly by who knows the groups so far, with and without lost trials."""

from __future__ import annotations

import random
from pathlib import Path

from monitor.study.loading import load_study
from monitor.study.lots import draw_lots
from tests.benchmarks.measuring import Figure
from tests.study.guessing import Guesser, blocks, same_group_next, share_right, with_known_boundaries

STUDY = Path(__file__).resolve().parents[2] / "configs" / "dusk-road.toml"
PLACES, LOST = 10_000, 0.25


def measure(rounds: int) -> list[Figure]:
    """Shares over so many drawn orders of the demo's study, each of ten thousand lots."""
    study = load_study(STUDY)
    assert study.assignment is not None
    names, sizes = sorted(study.groups), study.assignment.block_sizes
    lots, before = [], []
    for _ in range(rounds):
        drawn = draw_lots(study, "site", PLACES)
        order = [names.index(lot.group) for lot in drawn.lots]
        lots.append(share_right(order, len(names), sizes))
        before.append(_same_group(order, len(names), sizes))
    ideal = [share_right(blocks(len(names), sizes, PLACES, random.Random(n)), len(names), sizes) for n in range(rounds)]
    known = sum(with_known_boundaries((size // len(names),) * len(names)) for size in sizes) / sum(sizes)
    return [
        Figure("next group guessed rightly; the next lot makes up for a loss", tuple(lots), "of the lots"),
        Figure("the least that blocks of such sizes allow (ideal blocks, simulated)", tuple(ideal), "of the places"),
        Figure("where the beginnings of blocks were known (exact)", (float(known),), "of the places"),
        Figure("a quarter lost, were the same group next", tuple(before), "of the participants"),
    ]


def _same_group(order: list[int], groups: int, sizes: tuple[int, ...]) -> float:
    rng = random.Random(1)
    given, known = same_group_next(order, (rng.random() < LOST for _ in range(2 * len(order))))
    guesser, right = Guesser(groups, sizes), 0
    for group, is_known in zip(given, known, strict=True):
        right += is_known or guesser.guess() == group
        if not is_known:
            guesser.see(group)
    return right / len(given)
