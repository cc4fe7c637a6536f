"""One trial about its fire: the measures that its conditions ask for, each with its band where and when it counted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from monitor.judging.case.trial import ConditionResult, Trial
from monitor.measures.columns import FloatArray
from monitor.reports.page.svg import WIDTH, Picture, Scale, around
from monitor.study.model import AtFire, Condition, During, Trigger

BEFORE_S, AFTER_S = 6.0, 3.0
LEFT, RIGHT = 96.0, 24.0
PANEL, GAP, ROW = 88.0, 30.0, 15.0
LETTER = 7.2
"""Width of a letter of the words above the picture, about."""
LOST_STEPS = 1.8
"""Frames are missing where a step is so many times as long as they usually are."""
AT_FIRE_S = 0.25
"""Half the width at which the band of a condition at the fire is drawn: the instant itself could not be seen."""
MOST_PANELS = 7


SAID = {"met": "said-valid", "not met": "said-invalid", "undecided": "said-undecided"}


@dataclass(slots=True)
class Panel:
    """Columns that share an axis, and the conditions on them."""

    title: str
    unit: str
    columns: list[str]
    conditions: list[tuple[Condition, ConditionResult]]


@dataclass(frozen=True, slots=True)
class About:
    """The frames about a fire: seconds from it, the columns, and where they stand in the picture."""

    t: FloatArray
    frames: Mapping[str, FloatArray]
    across: Scale


def trial_plot(trial: Trial, trigger: Trigger, frames: Mapping[str, FloatArray], hidden_from: float | None) -> str:
    """The picture; empty where the trigger did not fire or no frame is near. `frames` are masked already."""
    if trial.fired_at is None or trial.told_fired_at is None or "t" not in frames:
        return ""
    after_s = max(trigger.response.horizon_s if trigger.response else 0.0, AFTER_S)
    t = frames["t"] - trial.fired_at
    near = (t >= -BEFORE_S) & (t <= after_s)
    if not near.any():
        return ""
    shown = {name: column[near] for name, column in frames.items()}
    panels = _panels(trial, trigger, shown)
    across = Scale(-BEFORE_S, after_s, LEFT, WIDTH - RIGHT)
    events = _placed(_events(trial, hidden=hidden_from is not None), across)
    top = GAP + ROW * (1 + max((row for *_, row in events), default=0))
    picture = Picture(top + len(panels) * (PANEL + GAP) + 22.0)
    bottom = picture.height - 22.0 - GAP
    lost = _lost(t[near])
    for begin, end in lost:
        picture.box(across.at(begin), top, across.at(end) - across.at(begin), bottom - top, "lost")
    for index, panel in enumerate(panels):
        _draw(picture, panel, About(t[near], shown, across), top + index * (PANEL + GAP))
    if hidden_from is not None:
        x = across.kept(hidden_from - trial.fired_at)
        picture.box(x, top, WIDTH - RIGHT - x, bottom - top, "hidden")
        picture.text((x + WIDTH - RIGHT) / 2.0, top + 18.0, "hidden until the ruling", "small", "middle")
    for at, words, kind, row in events:
        y = top - GAP - ROW * row
        x = across.at(at)
        picture.line(x, y - 10.0, x, bottom, kind)
        inside = x + LETTER * len(words) < WIDTH
        picture.text(x + 4.0 if inside else x - 4.0, y, words, "small", "start" if inside else "end")
    for tick in across.ticks(10):
        picture.text(across.at(tick), bottom + 18.0, f"{tick:g} s", "small", "middle")
    names = ", ".join(panel.title for panel in panels)
    about = f"From {BEFORE_S:g} s before the fire on: {names}."
    return picture.done(f"Trial {trial.id}, {trial.effective}", f"{about} Frames were lost in {len(lost)} places.")


def _lost(t: FloatArray) -> list[tuple[float, float]]:
    """Begin and end of each stretch without frames."""
    steps = np.diff(t)
    if not len(steps):
        return []
    long = np.flatnonzero(steps > LOST_STEPS * np.median(steps))
    return [(float(t[place]), float(t[place + 1])) for place in long]


def _panels(trial: Trial, trigger: Trigger, frames: Mapping[str, FloatArray]) -> list[Panel]:
    found = {"own.speed": Panel("speed", "m/s", ["own.speed", "lead.speed"], [])}
    for condition, result in zip(trigger.conditions, trial.conditions, strict=False):
        name = _column(condition)
        if name not in frames:
            continue
        panel = found.setdefault(name, Panel(condition.name, result.unit, [name], []))
        panel.conditions.append((condition, result))
    panels = list(found.values())[: MOST_PANELS - 1]
    return [*panels, Panel("pedals", "", ["own.accelerator", "own.brake"], [])]


def _column(condition: Condition) -> str:
    """The column of the frames that a condition looks at; empty where none is it alone."""
    measure = condition.measure
    if measure.rate_over_s is not None or measure.from_role is not None or condition.or_else:
        return ""
    if measure.kind == "own":
        return f"own.{measure.name}"
    if measure.kind in ("pair", "role"):
        return measure.text if measure.role == "lead" else ""
    return measure.name if measure.kind in ("lateral", "signal") else ""


def _draw(picture: Picture, panel: Panel, about: About, top: float) -> None:
    t, frames, across = about.t, about.frames, about.across
    columns = [name for name in panel.columns if name in frames]
    values = np.concatenate([frames[name] for name in columns] or [np.empty(0)])
    edges = [edge for _, one in panel.conditions for part in one.band.parts for edge in part if math.isfinite(edge)]
    pedals = panel.title == "pedals"
    low, high = (0.0, 1.0) if pedals else around(values.tolist(), include=edges, least_span=_least_span(panel.unit))
    up = Scale(low, high, top + PANEL, top)
    picture.line(LEFT, top + PANEL, WIDTH - RIGHT, top + PANEL, "axis")
    for tick in up.ticks(3):
        picture.line(LEFT, up.at(tick), WIDTH - RIGHT, up.at(tick), "grid")
        picture.text(LEFT - 8.0, up.at(tick) + 4.0, f"{tick:g}", "small", "end")
    for condition, result in panel.conditions:
        begin, end = _window(condition)
        x, until = across.kept(begin), across.kept(end)
        for least, most in result.band.parts:
            above, below = up.kept(most), up.kept(least)
            picture.box(x, above, until - x, below - above, "band")
            for edge in (least, most):
                if low <= edge <= high:
                    picture.line(x, up.at(edge), until, up.at(edge), "edge")
    for name in columns:
        kind = "other" if name in ("lead.speed", "own.brake") else "own"
        missing = [(0.5 * (begin + end), float("nan")) for begin, end in _lost(t)]  # breaks the line
        points = sorted([*zip(t.tolist(), frames[name].tolist(), strict=True), *missing])
        picture.path([(across.at(x), up.kept(y) if y == y else y) for x, y in points], kind)
    unit = f" ({panel.unit})" if panel.unit else ""
    legend = {"speed": ": own, lead dashed", "pedals": ": accelerator, brake dashed"}.get(panel.title, "")
    picture.text(LEFT, top - 7.0, f"{panel.title}{unit}{legend}", "strong")
    x = WIDTH - RIGHT
    for condition, result in reversed(panel.conditions):
        said = result.result + ("" if result.required else ", advisory")
        said = said if len(panel.conditions) == 1 else f"{condition.name} {said}"
        picture.text(x, top - 7.0, said, SAID[result.result], "end")
        x -= 8.0 * len(said) + 16.0


def _least_span(unit: str) -> float:
    """So that noise of a value that stands still does not fill the panel."""
    return {"m/s": 2.0, "m": 0.5, "s": 0.5, "m/s²": 1.0, "rad/s": 0.05, "rad": 0.1, "": 1.0}.get(unit, 0.0)


def _window(condition: Condition) -> tuple[float, float]:
    when = condition.when
    if isinstance(when, AtFire):
        return -AT_FIRE_S, AT_FIRE_S
    if isinstance(when, During):
        return when.start_s, when.end_s
    return 0.0, when.limit_s + when.held_s


def _events(trial: Trial, *, hidden: bool) -> list[tuple[float, str, str]]:
    """What happened when, in seconds from the fire, with the class of its line."""
    fired_at = trial.fired_at or 0.0
    events: list[tuple[float, str, str]] = [(0.0, "fire", "fire")]
    if trial.alert.at is not None:
        events.append((trial.alert.at - fired_at, "alert", "mark"))
    response = trial.response
    if response is None or hidden or trial.response_hidden:
        return events
    origin = response.t0 - fired_at
    onsets = {
        "release": response.accelerator_release_s,
        "brake": response.brake_onset_s,
        "steering": response.steering_onset_s,
        "end of waiting": response.censored_at_s,
    }
    return events + [(origin + onset, name, "mark") for name, onset in onsets.items() if onset is not None]


def _placed(events: list[tuple[float, str, str]], across: Scale) -> list[tuple[float, str, str, int]]:
    """Each event in the picture with its words and their row: a staircase down to the right, the first event at the
    top, so that no event's line runs through another's words."""
    shown = [
        (at, name if kind == "fire" else f"{name} {at:+.2f} s", kind)
        for at, name, kind in sorted(events)
        if across.low <= at <= across.high
    ]
    return [(*event, len(shown) - 1 - place) for place, event in enumerate(shown)]
