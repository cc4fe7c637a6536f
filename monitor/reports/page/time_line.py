"""A drive from its begin to its end: own speed, and below it what happened when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.feed.marker_kinds import KINDS
from monitor.judging.case.received import Loss
from monitor.measures.columns import FloatArray
from monitor.reports.page.svg import WIDTH, Picture, Scale, around

LEFT, RIGHT = 96.0, 24.0
TOP, SPEED_HEIGHT, LANE_HEIGHT = 18.0, 96.0, 34.0
MOST_POINTS = 900
APART = 130.0
"""Two labels nearer than this get a row of their own each."""


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


def time_line(one: DriveLine) -> str:
    """The picture; empty for a drive without frames."""
    t = one.frames.get("t")
    if t is None or not len(t):
        return ""
    across = Scale(float(t[0]), float(t[-1]), LEFT, WIDTH - RIGHT)
    lanes = [lane for lane in ("triggers", "alerts", "task", "notes", "lost") if _has(one, lane)]
    bottom = TOP + SPEED_HEIGHT + LANE_HEIGHT * len(lanes)
    picture = Picture(bottom + 34.0)
    _speed(picture, one, across)
    for index, lane in enumerate(lanes):
        y = TOP + SPEED_HEIGHT + LANE_HEIGHT * (index + 0.5)
        picture.text(LEFT - 12.0, y + 4.0, {"lost": "frames lost"}.get(lane, lane), "small", "end")
        picture.line(LEFT, y, WIDTH - RIGHT, y, "grid")
        _lane(picture, one, lane, across, y)
    if one.hidden_from is not None:
        x = across.kept(one.hidden_from)
        picture.box(x, TOP, WIDTH - RIGHT - x, bottom - TOP, "hidden")
        picture.text((x + WIDTH - RIGHT) / 2.0, TOP + 18.0, "hidden until the ruling", "small", "middle")
    picture.line(LEFT, bottom, WIDTH - RIGHT, bottom, "axis")
    for tick in across.ticks(10):
        picture.line(across.at(tick), bottom, across.at(tick), bottom + 5.0, "axis")
        picture.text(across.at(tick), bottom + 19.0, f"{tick:g} s", "small", "middle")
    return picture.done(f"Time line of drive {one.drive}", _about(one))


def _has(one: DriveLine, lane: str) -> bool:
    return {
        "triggers": bool(_placed(one.trials)),
        "alerts": any(marker["kind"] == "alert_on" for marker in one.markers),
        "task": any(marker["kind"] == "task_start" for marker in one.markers),
        "notes": any(note["at"] is not None for note in one.notes),
        "lost": bool(one.losses),
    }[lane]


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


def _lane(picture: Picture, one: DriveLine, lane: str, across: Scale, y: float) -> None:
    if lane == "triggers":
        for at, trial in _placed(one.trials):
            verdict = trial["effective"]
            picture.verdict(across.at(at), y, verdict)
            name = f"{trial['trigger']} {verdict}"
            _beside(picture, across.at(at) + 12.0, y + 4.0, name, f"said-{verdict}")
    elif lane == "alerts":
        _spans(picture, one.markers, "alert_on", across, y)
    elif lane == "task":
        _spans(picture, one.markers, "task_start", across, y)
    elif lane == "notes":
        for number, note in enumerate(one.notes, start=1):
            if note["at"] is not None:
                picture.line(across.kept(note["at"]), y - 8.0, across.kept(note["at"]), y + 8.0, "event")
                picture.text(across.kept(note["at"]) + 4.0, y - 4.0, str(number), "small")
    else:
        for loss in one.losses:
            x = across.kept(loss.after_t)
            picture.box(x, y - 7.0, across.kept(loss.before_t) - x, 14.0, "loss")


def _beside(picture: Picture, x: float, y: float, words: str, kind: str) -> None:
    """Words at the right of a mark, or at its left where they would leave the picture."""
    if x + 7.5 * len(words) > WIDTH:
        picture.text(x - 24.0, y, words, kind, "end")
    else:
        picture.text(x, y, words, kind)


def _spans(picture: Picture, markers: Sequence[Mapping[str, Any]], kind: str, across: Scale, y: float) -> None:
    ended_by = KINDS[kind].ended_by
    for place, marker in enumerate(markers):
        if marker["kind"] != kind:
            continue
        later = (one for one in markers[place:] if one["kind"] == ended_by and one["name"] == marker["name"])
        end = next((one["t"] for one in later), marker["t"])
        x = across.kept(marker["t"])
        picture.box(x, y - 6.0, across.kept(end) - x, 12.0, "bar")
        given = marker["data"].get("modality", marker["name"])
        words = "+".join(given) if isinstance(given, list | tuple) else str(given)
        _beside(picture, across.kept(end) + 6.0, y + 4.0, words, "small")


def _placed(trials: Sequence[Mapping[str, Any]]) -> list[tuple[float, Mapping[str, Any]]]:
    """Trials with where they stand: fired, else expected."""
    found = []
    for trial in trials:
        at = trial["fired_at"] if trial["fired_at"] is not None else trial["timing"]["expected_at"]
        if at is not None:
            found.append((float(at), trial))
    return found


def _about(one: DriveLine) -> str:
    trials = ", ".join(f"{trial['trigger']} {trial['effective']} at {at:.1f} s" for at, trial in _placed(one.trials))
    t = one.frames["t"]
    return f"Own speed from {t[0]:.1f} to {t[-1]:.1f} s; {trials or 'no trigger'}; {len(one.losses)} times frames lost."
