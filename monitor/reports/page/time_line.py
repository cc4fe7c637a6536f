"""A drive from its begin to its end: own speed, and below it what happened when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.feed.marker_kinds import KINDS
from monitor.judging.case.received import Loss
from monitor.measures.columns import FloatArray
from monitor.reports.page.svg import WIDTH, Picture, Scale, around, in_rows

LEFT, RIGHT = 96.0, 24.0
TOP, SPEED_HEIGHT, ROW = 18.0, 96.0, 20.0
LANE_GAP = 14.0
LETTER = 7.6
"""Width of a letter of the words beside a mark, about."""
MOST_POINTS = 900
HIDDEN_SHARE = 0.3
"""How much is drawn of what is hidden, of what is shown: the same however long the drive went on."""


@dataclass(frozen=True, slots=True)
class DriveLine:
    """What is drawn of one drive. `frames` and `markers` are masked already; from `hidden_from` on nothing is shown."""

    drive: int
    frames: Mapping[str, FloatArray]
    markers: Sequence[Mapping[str, Any]]
    trials: Sequence[Mapping[str, Any]]
    notes: Sequence[Mapping[str, Any]]
    losses: Sequence[Loss]
    hidden_from: float | None


@dataclass(frozen=True, slots=True)
class Item:
    """Something in a lane, in seconds of the drive, with the words beside it and the mark that it has."""

    begin: float
    end: float
    words: str
    mark: str
    """A verdict, or the class of a box."""


def time_line(one: DriveLine) -> str:
    """The picture; empty for a drive without frames."""
    t = one.frames.get("t")
    if t is None or not len(t):
        return ""
    end = float(t[-1]) if one.hidden_from is None else one.hidden_from + HIDDEN_SHARE * (one.hidden_from - float(t[0]))
    across = Scale(float(t[0]), end, LEFT, WIDTH - RIGHT)
    lanes = {name: items for name, items in _lanes(one).items() if items}
    placed = {name: _placed(items, across) for name, items in lanes.items()}
    heights = {name: ROW * (1 + max(row for _, row, _ in items)) + LANE_GAP for name, items in placed.items()}
    bottom = TOP + SPEED_HEIGHT + sum(heights.values())
    picture = Picture(bottom + 34.0)
    _speed(picture, one, across)
    y = TOP + SPEED_HEIGHT
    for name, items in placed.items():
        picture.text(LEFT - 12.0, y + ROW, name, "small", "end")
        picture.line(LEFT, y + heights[name], WIDTH - RIGHT, y + heights[name], "grid")
        for item, row, at_left in items:
            _draw(picture, item, across, y + LANE_GAP + ROW * row, at_left=at_left)
        y += heights[name]
    if one.hidden_from is not None:
        x = across.kept(one.hidden_from)
        picture.box(x, TOP, WIDTH - RIGHT - x, bottom - TOP, "hidden")
        picture.text((x + WIDTH - RIGHT) / 2.0, TOP + 18.0, "hidden until the ruling", "small", "middle")
    picture.line(LEFT, bottom, WIDTH - RIGHT, bottom, "axis")
    for tick in across.ticks(10):
        picture.line(across.at(tick), bottom, across.at(tick), bottom + 5.0, "axis")
        picture.text(across.at(tick), bottom + 19.0, f"{tick:g} s", "small", "middle")
    return picture.done(f"Time line of drive {one.drive}", _about(one))


def _lanes(one: DriveLine) -> dict[str, list[Item]]:
    notes = [
        (str(number), note["at"])
        for number, note in enumerate(one.notes, start=1)
        if one.hidden_from is None or (note["at"] is not None and note["at"] <= one.hidden_from)
    ]
    return {
        "triggers": [
            Item(at, at, f"{each['trigger']} {each['effective']}", each["effective"]) for at, each in _stand(one)
        ],
        "alerts": _spans(one.markers, "alert_on"),
        "task": _spans(one.markers, "task_start"),
        "notes": [Item(at, at, number, "event-box") for number, at in notes if at is not None],
        "frames lost": [Item(loss.after_t, loss.before_t, "", "loss") for loss in one.losses],
    }


def _spans(markers: Sequence[Mapping[str, Any]], kind: str) -> list[Item]:
    ended_by, found = KINDS[kind].ended_by, []
    for place, marker in enumerate(markers):
        if marker["kind"] == kind:
            later = (one for one in markers[place:] if one["kind"] == ended_by and one["name"] == marker["name"])
            given = marker["data"].get("modality", marker["name"])
            words = "+".join(given) if isinstance(given, list | tuple) else str(given)
            found.append(Item(marker["t"], next((one["t"] for one in later), marker["t"]), words, "bar"))
    return found


def _stand(one: DriveLine) -> list[tuple[float, Mapping[str, Any]]]:
    """Trials with where they stand: fired, else expected."""
    found = []
    for trial in one.trials:
        at = trial["fired_at"] if trial["fired_at"] is not None else trial["timing"]["expected_at"]
        if at is not None:
            found.append((float(at), trial))
    return found


def _placed(items: Sequence[Item], across: Scale) -> list[tuple[Item, int, bool]]:
    """Each item with its row, and whether its words stand at the left because they would leave the picture."""
    spans, lefts = [], []
    for item in items:
        begin, end, long = across.kept(item.begin) - 8.0, across.kept(item.end) + 8.0, LETTER * len(item.words) + 8.0
        at_left = end + long > WIDTH
        lefts.append(at_left)
        spans.append((begin - long, end) if at_left else (begin, end + long))
    return list(zip(items, in_rows(spans), lefts, strict=True))


def _speed(picture: Picture, one: DriveLine, across: Scale) -> None:
    t, speed = one.frames["t"], one.frames.get("own.speed")
    if speed is None:
        return
    up = Scale(*around([0.0, *speed.tolist()]), TOP + SPEED_HEIGHT - 8.0, TOP + 4.0)
    every = max(1, len(t) // MOST_POINTS)
    known = ~np.isnan(speed[::every])
    at, values = t[::every][known], speed[::every][known]
    trace = [(across.at(x), up.at(y)) for x, y in zip(at.tolist(), values.tolist(), strict=True)]
    if trace:
        floor = up.at(0.0)
        picture.shape([(trace[0][0], floor), *trace, (trace[-1][0], floor)], "area")
    for tick in up.ticks(3):
        picture.text(LEFT - 12.0, up.at(tick) + 4.0, f"{tick:g}", "small", "end")
    picture.text(LEFT, 12.0, "own speed (m/s)", "small")


def _draw(picture: Picture, item: Item, across: Scale, y: float, *, at_left: bool) -> None:
    x, end = across.kept(item.begin), across.kept(item.end)
    verdict = item.mark in ("valid", "invalid", "undecided")
    if verdict:
        picture.verdict(x, y, item.mark)
    elif item.mark == "event-box":
        picture.line(x, y - 8.0, x, y + 8.0, "event")
    else:
        picture.box(x, y - 6.0, end - x, 12.0, item.mark)
    kind = f"said-{item.mark}" if verdict else "small"
    if at_left:
        picture.text(x - 12.0, y + 4.0, item.words, kind, "end")
    else:
        picture.text(end + (12.0 if verdict else 6.0), y + 4.0, item.words, kind)


def _about(one: DriveLine) -> str:
    trials = ", ".join(f"{trial['trigger']} {trial['effective']} at {at:.1f} s" for at, trial in _stand(one))
    t = one.frames["t"]
    return f"Own speed from {t[0]:.1f} to {t[-1]:.1f} s; {trials or 'no trigger'}; {len(one.losses)} times frames lost."
