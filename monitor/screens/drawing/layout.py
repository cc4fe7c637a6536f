"""Where the panels stand: three layouts by size, as a function of width and height alone.

small (from 60 × 20), medium (from 112 × 32), large (from 170 × 55). Every row between the sizes goes to the panel
that gains most by it. The panels cover the whole screen and never overlap; a property test holds that for all sizes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from textual.geometry import Region

LEAST_WIDTH, LEAST_HEIGHT = 60, 20

LESSER_FROM = 10
ONE_ROW_OF_KEYS_FROM = 196
"""All keys of the writing screen with their words are 194 columns wide."""

ALL_KEYS_IN_TWO_ROWS_FROM = 100

NUMBER_PANELS = ("first", "second", "third")

Kind = Literal["too small", "small", "medium", "large"]


@dataclass(frozen=True, slots=True)
class Layout:
    """The kind of layout and each panel's region; a panel that is left out has none."""

    kind: Kind
    regions: dict[str, Region]


_SMALL_ROWS = {"health": 1, "slab": 3, "numbers": 5, "middle": 6, "now": 2, "timeline": 1, "keys": 2}
_SMALL_STEPS = ("numbers", "numbers", "numbers", "middle", "timeline", "middle", "middle", "numbers")

_MEDIUM_ROWS = {"health": 1, "slab": 3, "numbers": 9, "middle": 7, "road": 6, "now": 2, "timeline": 2, "keys": 2}
_MEDIUM_STEPS = ("road", "road", "middle", "numbers", "middle", "timeline", "middle", "numbers", "middle")

_LARGE_ROWS = {
    "health": 1,
    "slab": 6,
    "numbers": 17,
    "middle": 13,
    "road": 11,
    "now": 2,
    "whole": 0,
    "timeline": 3,
    "keys": 1,
}
_LARGE_STEPS = ("road", "road", "numbers", "middle", "numbers", "middle", "road")
_LOWER_ROWS = {"now": 2, "whole": 9, "timeline": 3, "keys": 1}
_WHOLE_ROWS = {"health": 1, "slab": 6, "numbers": 16, "middle": 11, "road": 7, **_LOWER_ROWS}
_WHOLE_STEPS = ("middle", "road", "numbers", "road", "whole", "whole", "whole", "middle", "numbers", "road")
"""The large layout with the strips of the whole run above its time line: three rows each."""


SLOW_COUNT = 3
SLOW_ANYWAY_FROM = {"small": 1000, "medium": 42, "large": 59}
"""Rows from which lane keeping is shown also where the study has no condition on it."""


def arrange(width: int, height: int, *, replay: bool = False, slow_used: int = 0) -> Layout:
    """The layout for a terminal of this size; a replay takes one row for its line, lane keeping some where the study
    uses it."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return Layout("too small", {"health": Region(0, 0, width, 1), "small": Region(0, 1, width, max(0, height - 1))})
    slow = min(slow_used, max(0, height - LEAST_HEIGHT - 1))
    extra = slow + (1 if replay else 0)
    kind: Kind = "small"
    if width >= 170 and height >= 55 + extra:
        kind = "large"
    elif width >= 112 and height >= 32 + extra:
        kind = "medium"
    if height - (1 if replay else 0) >= SLOW_ANYWAY_FROM[kind]:
        slow = SLOW_COUNT
    rows = _rows(kind, width, height - slow - (1 if replay else 0))
    return Layout(kind, _stacked(_with_slow(rows, slow), kind, width, replay=replay))


def _rows(kind: Kind, width: int, height: int) -> dict[str, int]:
    if kind == "large":
        is_whole = height >= sum(_WHOLE_ROWS.values())
        rows = _grown(_WHOLE_ROWS, _WHOLE_STEPS, height) if is_whole else _grown(_LARGE_ROWS, _LARGE_STEPS, height)
        if width < ONE_ROW_OF_KEYS_FROM:
            rows["keys"], rows["numbers"] = 2, rows["numbers"] - 1
        return rows
    if kind == "medium":
        return _grown(_MEDIUM_ROWS, _MEDIUM_STEPS, height)
    rows = _grown(_SMALL_ROWS, _SMALL_STEPS, height)
    if width < ALL_KEYS_IN_TWO_ROWS_FROM:  # where it is narrow they are worth more than a row of what the last one did
        gives = "middle" if width >= 78 and height > LEAST_HEIGHT else "now"
        rows["keys"], rows[gives] = rows["keys"] + 1, rows[gives] - 1
    if width >= ONE_ROW_OF_KEYS_FROM:
        rows["keys"], rows["middle"] = 1, rows["middle"] + 1
    return rows


def _with_slow(rows: dict[str, int], slow: int) -> dict[str, int]:
    """The rows for lane keeping go above what now."""
    if not slow:
        return rows
    found: dict[str, int] = {}
    for name, count in rows.items():
        if name == "now":
            found["slow"] = slow
        found[name] = count
    return found


def _grown(base: dict[str, int], steps: tuple[str, ...], height: int) -> dict[str, int]:
    rows = dict(base)
    left = height - sum(rows.values())
    if left < 0:  # the least height with a replay's line: the middle gives a row
        rows["middle"] += left
        return rows
    for number in range(left):
        rows[steps[number % len(steps)]] += 1
    return rows


def _stacked(rows: dict[str, int], kind: Kind, width: int, *, replay: bool) -> dict[str, Region]:
    regions: dict[str, Region] = {}
    y = 0
    for name, height in rows.items():
        if name == "keys" and replay:
            regions["transport"] = Region(0, y, width, 1)
            y += 1
        if name == "middle":
            left, right, right_name = _split(kind, width)
            regions["outlook"] = Region(0, y, left, height)
            if right:
                regions[right_name] = Region(left, y, right, height)
        elif name == "numbers":
            regions |= _columns(y, width, height)
        else:
            regions[name] = Region(0, y, width, height)
        y += height
    return regions


def _columns(y: int, width: int, height: int) -> dict[str, Region]:
    """The three large numbers side by side, and the row of the lesser ones where there is room."""
    lesser = 1 if height >= LESSER_FROM else 0
    column = width // 3
    edges = (0, column, 2 * column, width)
    regions = {
        name: Region(edges[place], y, edges[place + 1] - edges[place], height - lesser)
        for place, name in enumerate(NUMBER_PANELS)
    }
    if lesser:
        regions["lesser"] = Region(0, y + height - 1, width, 1)
    return regions


def _split(kind: Kind, width: int) -> tuple[int, int, str]:
    """Width of the outlook, of what stands beside it, and what that is."""
    if kind == "small":
        if width < 78:
            return width, 0, "road"
        left = max(54, width * 5 // 8)
        return left, width - left, "road"
    left = width * 2 // 3 if kind == "medium" else width * 3 // 5
    return left, width - left, "side"
