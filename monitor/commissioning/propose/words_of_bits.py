"""What a name that no channel uses may be for markers: a flag, a code, a counter, or a word of bits."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from monitor.connect.channel_map.values import ABSENT, code_in, number_in

CODES_AT_MOST = 12
"""Different values up to which a name may be an enumeration, a flag or a counter."""
TIMES_SHOWN = 5
WIDE, WIDEST = 16, 1 << 63
"""A word of fewer than five bits is shown by its codes alone."""


def watched_lines(name: str, column: Sequence[Any], seconds: Sequence[float]) -> list[str]:
    """Lines on a name: its codes where it has few, and each bit that changes where it is a word of several.

    `column`: its value in each sample; `seconds`: the time of each.
    """
    given = [one for one in column if one is not None and one is not ABSENT and one != ""]
    codes = list(dict.fromkeys(code_in(one) for one in given))
    few = f": {', '.join(codes[:CODES_AT_MOST])}" if 1 < len(codes) <= CODES_AT_MOST else ""
    return [f"{name}{few}", *(f"    {line}" for line in _bit_lines(column, seconds, codes))]


def _bit_lines(column: Sequence[Any], seconds: Sequence[float], codes: list[str]) -> list[str]:
    """A line for each bit that rose, where the values are whole numbers that are no flag and no counter."""
    words: list[int] = []
    times: list[float] = []
    for raw, t in zip(column, seconds, strict=False):
        number = number_in(raw)
        if number != number:
            continue
        if not number.is_integer() or not 0 <= number < WIDEST:
            return []
        words.append(int(number))
        times.append(t)
    if len(set(words)) < 2 or max(words) < WIDE or _counts(words):
        return []
    lines = []
    for bit in range(max(words).bit_length()):
        rises = [
            t
            for (before, now), t in zip(pairwise(words), times[1:], strict=True)
            if not _up(before, bit) and _up(now, bit)
        ]
        if rises:
            shown = ", ".join(f"{t:.2f}" for t in rises[:TIMES_SHOWN])
            often = "once" if len(rises) == 1 else f"{len(rises)} times"
            lines.append(f"bit {bit} rose {often} at {shown}{' …' if len(rises) > TIMES_SHOWN else ''} s")
    return lines


def _up(word: int, bit: int) -> bool:
    return bool(word >> bit & 1)


def _counts(words: Sequence[int]) -> bool:
    """Whether it only ever goes up, by small steps: a counter."""
    steps = [now - before for before, now in pairwise(words)]
    return all(0 <= step <= 4 for step in steps)
