"""The flow of participants after CONSORT 2010 (Schulz, Altman & Moher): allocated, lost and why, analysed, by group."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from monitor.archive.summary import NO_GROUP
from monitor.reports.assigning.asked import BeforeLot
from monitor.reports.forecast.standing import Invited
from monitor.reports.page.svg import WIDTH, Picture

LINE, PAD = 18.0, 10.0
MOST_REASONS = 7
MOST_ABREAST = 4
GUTTER = 16.0
LETTERS = 6.6
"""Width of a letter, about."""
HEAD_ROOM = 42
"""Letters in the box of who was invited."""


class Place(NamedTuple):
    """Where something is drawn: left and upper edge, width and height."""

    x: float
    y: float
    wide: float
    high: float


@dataclass(frozen=True, slots=True)
class Branch:
    """One group's way through the study."""

    group: str
    allocated: int
    lost: tuple[tuple[str, int], ...]
    """Reason and participants; one with two reasons stands under both."""
    lost_participants: int
    waiting: int
    valid: int


def branches_of(groups: Sequence[str], invited: Sequence[Invited]) -> list[Branch]:
    """Each group that the study plans or that somebody was in; last those whose group is not known."""
    names = [*groups, *sorted({one.group for one in invited} - set(groups), key=lambda name: (name == NO_GROUP, name))]
    found = []
    for name in names:
        own = [one for one in invited if one.group == name]
        lost = [one for one in own if one.came == "lost"]
        reasons = Counter(reason for one in lost for reason in one.reasons)
        came = Counter(one.came for one in own)
        found.append(Branch(name, len(own), tuple(reasons.most_common()), len(lost), came["waiting"], came["valid"]))
    return found


def flow(branches: Sequence[Branch], before: BeforeLot | None = None) -> str:
    """The picture; empty for nobody. `before`: who was invited and has no lot, where that was entered."""
    if not any(branch.allocated for branch in branches) and not (before and before.all):
        return ""
    rows = [branches[first : first + MOST_ABREAST] for first in range(0, len(branches), MOST_ABREAST)]
    heights = [max(_height(branch) for branch in row) for row in rows]
    total = sum(branch.allocated for branch in branches)
    head = _head(total, before)
    picture = Picture((len(head)) * LINE + 3 * PAD + sum(heights) + 24.0 * len(rows))
    _boxed(picture, Place(WIDTH / 2.0 - 150.0, 4.0, 300.0, 0.0), head)
    y = len(head) * LINE + 2 * PAD
    for row, height in zip(rows, heights, strict=True):
        wide = (WIDTH - GUTTER * (len(row) - 1)) / len(row)
        centres = [(index + 0.5) * wide + GUTTER * index for index in range(len(row))]
        picture.line(WIDTH / 2.0, y, WIDTH / 2.0, y + 12.0, "axis")
        picture.line(min(*centres, WIDTH / 2.0), y + 12.0, max(*centres, WIDTH / 2.0), y + 12.0, "axis")
        for branch, centre in zip(row, centres, strict=True):
            picture.line(centre, y + 12.0, centre, y + 24.0, "axis")
            _branch(picture, branch, Place(centre - wide / 2.0, y + 24.0, wide, height))
        y += height + 24.0
    about = "; ".join(["; ".join(head), *_about(branches)])
    return picture.done("Flow of participants", about)


def _head(allocated: int, before: BeforeLot | None) -> list[str]:
    """Who was invited, and what became of those who have no lot."""
    if before is None:
        return [f"in a session: {allocated}", "asked before: not known here"]
    lines = [f"invited: {allocated + before.all}", f"{before.no_shows} did not come"]
    lines += [_fitted(f"{number} not taken: {words}", HEAD_ROOM) for words, number in before.not_taken.items()]
    lines += [f"{before.withdrew} withdrew before a lot"] if before.withdrew else []
    lines += [f"{before.waiting} without a lot yet"] if before.waiting else []
    return [*lines, f"{allocated} given a lot"]


def _about(branches: Sequence[Branch]) -> list[str]:
    return [
        f"{one.group}: allocated {one.allocated}, lost {one.lost_participants}, analysed {one.valid}"
        for one in branches
    ]


def _lost_lines(branch: Branch) -> list[tuple[str, int]]:
    shown = list(branch.lost[:MOST_REASONS])
    left = branch.lost[MOST_REASONS:]
    return [*shown, (f"{len(left)} other reasons", sum(number for _, number in left))] if left else shown


def _height(branch: Branch) -> float:
    boxes = [2, 1 + len(_lost_lines(branch)), 1 + (branch.waiting > 0)]
    return sum(lines * LINE + 2 * PAD for lines in boxes) + 2 * 14.0 + 8.0


def _branch(picture: Picture, branch: Branch, place: Place) -> None:
    centre = place.x + place.wide / 2.0
    bottom = _boxed(picture, place, [branch.group, f"allocated {branch.allocated}"])
    picture.line(centre, bottom, centre, bottom + 14.0, "axis")
    room = int((place.wide - 2 * PAD) / LETTERS)
    lines = [f"lost {branch.lost_participants}"]
    lines += [_fitted(f"{number} · {reason}", room) for reason, number in _lost_lines(branch)]
    bottom = _boxed(picture, place._replace(y=bottom + 14.0), lines)
    last = [f"analysed {branch.valid}", *([f"{branch.waiting} without a ruling"] if branch.waiting else [])]
    top = place.y + place.high - 8.0 - (len(last) * LINE + 2 * PAD)
    picture.line(centre, bottom, centre, top, "axis")
    _boxed(picture, place._replace(y=top), last)


def _boxed(picture: Picture, place: Place, lines: Sequence[str]) -> float:
    """Lines of words in a box, the first one strong; its lower edge."""
    high = len(lines) * LINE + 2 * PAD - 4.0
    picture.box(place.x, place.y, place.wide, high, "raised")
    for index, words in enumerate(lines):
        kind = "label" if index else "strong"
        picture.text(place.x + PAD, place.y + PAD + 11.0 + index * LINE, words, kind)
    return place.y + high


def _fitted(words: str, room: int) -> str:
    return words if len(words) <= room else words[: room - 1] + "…"
