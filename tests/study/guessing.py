"""A guesser who knows the groups so far and the block sizes, and guesses the next group as well as anybody can.

What is not known is where blocks begin and how large they are. The guesser keeps the chance of each possibility (which
size, how many places of each group are left) and guesses the group that is then the likeliest.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import cache

State = tuple[int, ...]
"""Places left of each group in the block that runs."""


class Guesser:
    """Guesses one group after the other."""

    def __init__(self, groups: int, sizes: Sequence[int]) -> None:
        self.groups = groups
        self._starts = [(size // groups,) * groups for size in sizes]
        self._chances: dict[State, float] = self._begun()

    def _begun(self) -> dict[State, float]:
        share = 1.0 / len(self._starts)
        chances: dict[State, float] = {}
        for state in self._starts:
            chances[state] = chances.get(state, 0.0) + share
        return chances

    def chances(self) -> list[float]:
        """The chance of each group to be next."""
        found = [0.0] * self.groups
        for state, chance in self._chances.items():
            left = sum(state)
            for group, places in enumerate(state):
                found[group] += chance * places / left
        return found

    def guess(self) -> int:
        """The likeliest group; the first of several."""
        chances = self.chances()
        return chances.index(max(chances))

    def see(self, group: int) -> None:
        """Learns what the next group was."""
        after: dict[State, float] = {}
        for state, chance in self._chances.items():
            if not state[group]:
                continue
            weight = chance * state[group] / sum(state)
            left = tuple(places - (place == group) for place, places in enumerate(state))
            nexts = self._begun() if not sum(left) else {left: 1.0}
            for one, share in nexts.items():
                after[one] = after.get(one, 0.0) + weight * share
        total = sum(after.values())
        self._chances = {state: chance / total for state, chance in after.items()}


def share_right(order: Iterable[int], groups: int, sizes: Sequence[int]) -> float:
    """How often the guesser is right over an order."""
    guesser, right, count = Guesser(groups, sizes), 0, 0
    for group in order:
        right += guesser.guess() == group
        count += 1
        guesser.see(group)
    return right / count


def blocks(groups: int, sizes: Sequence[int], count: int, rng: random.Random) -> list[int]:
    """An ideal order of permuted blocks: what the drawing is held against."""
    order: list[int] = []
    while len(order) < count:
        block = list(range(groups)) * (rng.choice(sizes) // groups)
        rng.shuffle(block)
        order += block
    return order


def same_group_next(order: Iterable[int], lost: Iterable[bool]) -> tuple[list[int], list[bool]]:
    """The groups that come where the place of a lost trial is given to the next participant: (groups, which are such).

    Who knows the rule and sees a loss knows the next group.
    """
    given: list[int] = []
    known: list[bool] = []
    losses = iter(lost)
    for group in order:
        given.append(group)
        known.append(False)
        while next(losses, False):
            given.append(group)
            known.append(True)
    return given, known


@cache
def with_known_boundaries(state: State) -> Fraction:
    """How many of a block's places are guessed rightly on average by who knows where it begins and how large it is."""
    left = sum(state)
    if not left:
        return Fraction(0)
    expected = Fraction(max(state), left)
    for group, places in enumerate(state):
        if places:
            after = tuple(one - (place == group) for place, one in enumerate(state))
            expected += Fraction(places, left) * with_known_boundaries(tuple(sorted(after)))
    return expected
