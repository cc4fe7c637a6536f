"""The response about a fire as a picture: speeds, gap and pedals over one time axis that begins at the fire."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.following.view import ResponseTraces, TimelineMark
from monitor.following.words import MINUS
from monitor.judging.case.trial import Trial
from monitor.screens.dialogs.sheet import Row
from monitor.screens.drawing.canvas import Canvas, wrap
from monitor.screens.drawing.plot import GUTTER, LETTERS, Lines, draw_letters, draw_lines, draw_time_axis, range_of
from monitor.screens.drawing.trace import Area

LEAST_WIDTH = 40
MARK_WORDS = {
    "trigger": "fire",
    "alert": "alert",
    "release": "accelerator released",
    "brake": "brake",
    "steering": "steering",
}


def response_rows(trial: Trial, traces: ResponseTraces, width: int, plot_rows: int) -> list[Row]:
    """The plots, `plot_rows` rows each without its title; nothing where there is too little room."""
    if width < LEAST_WIDTH or not len(traces.t):
        return []
    marks = response_marks(trial)
    between = ("gap, bumper to bumper  m", "m", (traces.gap,))
    if steers(trial):
        between = ("steering wheel, left positive  rad", "rad", (traces.steering,))
    plots = (
        ("own speed, lead (dashed)  m/s", "m/s", (traces.own_speed, traces.lead_speed)),
        between,
        ("accelerator, brake (dashed)  0 to 1", "", (traces.accelerator, traces.brake)),
    )
    canvas = Canvas(width, len(plots) * (plot_rows + 1) + 2)
    y = 0
    for title, unit, values in plots:
        canvas.put(GUTTER, y, title, "strong")
        lines = Lines(traces.t, values, unit, traces.period_s)
        canvas.lay(0, y + 1, _plot((width, plot_rows), traces, lines, [mark.t for mark in marks]))
        y += plot_rows + 1
    area = Area(GUTTER, y, width - GUTTER - 1, 1, traces.start_t, traces.end_t, 0.0, 1.0)
    draw_letters(canvas, area, y, marks, labelled=False)
    fired_at = marks[0].t if marks else traces.start_t
    seconds = range(math.ceil(area.start_t - fired_at), math.floor(area.end_t - fired_at) + 1)
    draw_time_axis(canvas, area, y + 1, lambda t: _apart(t - fired_at), [fired_at + one for one in seconds])
    legend: list[Row] = [[(line, "dim")] for line in wrap(mark_words(marks), width, 3)]
    return [canvas.runs(row) for row in range(canvas.height)] + legend


def steers(trial: Trial) -> bool:
    """Whether the driver answered by steering alone: then the wheel is drawn and not the gap."""
    response = trial.response
    return response is not None and response.steering_onset_s is not None and response.brake_onset_s is None


def response_marks(trial: Trial) -> tuple[TimelineMark, ...]:
    """Fire, alert, accelerator release, brake and steering onset, those that there are, the fire first."""
    response = trial.response
    found: list[tuple[str, float | None]] = [("trigger", trial.fired_at), ("alert", trial.alert.at)]
    if response is not None:
        onsets = (
            ("release", response.accelerator_release_s),
            ("brake", response.brake_onset_s),
            ("steering", response.steering_onset_s),
        )
        for kind, after_s in onsets:
            found.append((kind, None if after_s is None else response.t0 + after_s))
    return tuple(TimelineMark(t, kind, MARK_WORDS[kind]) for kind, t in found if t is not None)


def mark_words(marks: tuple[TimelineMark, ...]) -> str:
    """The letters with what they are and how long after the fire: "T fire   A alert +0.25 s"."""
    said = []
    for mark in marks:
        after = "" if mark.kind == "trigger" else f"\u00a0{_apart(mark.t - marks[0].t)}\u00a0s"
        said.append(f"{LETTERS[mark.kind]}\u00a0{mark.label}{after}".replace(" ", "\u00a0"))
    return "\u00a0\u00a0 ".join(said)


def _apart(seconds: float) -> str:
    text = f"{seconds:+.2f}"
    return "0" if float(text) == 0 else text.replace("-", MINUS).removesuffix(".00")


def _plot(size: tuple[int, int], traces: ResponseTraces, lines: Lines, marks: Sequence[float]) -> Canvas:
    canvas = Canvas(*size)
    if not any(np.isfinite(value).any() for value in lines.values):
        canvas.put(GUTTER, 0, "not measured", "dim")
        return canvas
    low, high = (0.0, 1.0) if lines.unit == "" else range_of(lines.values)
    area = Area(GUTTER, 0, canvas.width - GUTTER - 1, canvas.height, traces.start_t, traces.end_t, low, high)
    draw_lines(canvas, area, lines, marks)
    return canvas
