"""Two runs on one page, laid over each other at one instant: the lines, the conditions side by side, what differs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np

from monitor.following.words import condition_value
from monitor.judging.case.trial import ConditionResult
from monitor.measures.columns import FloatArray
from monitor.replay.beside.document import Pair, Summary, condition_pairs, summary
from monitor.replay.beside.runs import AFTER_S, ALIGNMENTS, BEFORE_S, Alignment, LaidRun
from monitor.replay.provider import ReplayProvider
from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.marks import RESULT_MARKS
from monitor.screens.drawing.plot import GUTTER, Lines, draw_lines, draw_time_axis, range_of
from monitor.screens.drawing.trace import Area
from monitor.screens.replay.page import Page, title_line

STEP_S = 0.05
LEAST_ROWS = 5
SIDE_WIDTH = 78
"""From this much more than a page of lines on, the conditions stand beside the lines and not below them."""
FAR_S = 20.0
LINES = (
    "time_gap",
    "speed",
    "lead.speed",
    "lane_offset",
    "ttc",
    "lead.accel",
    "accelerator",
    "brake",
    "steering_angle",
)


@dataclass(frozen=True, slots=True)
class LaidOver:
    """What is laid over the record: another record, at which instant, and at which trial (None: the first)."""

    other: Path
    alignment: Alignment = "trigger"
    trial: str | None = None


class BesidePage(Page):
    """The first run's lines are solid, the second's dashed; zero is the instant at which they are aligned."""

    keys = (("↑↓", "lines"), ("a", "aligned at"), ("t", "trial"))

    def __init__(self, source: ReplayProvider, folder: Path, laid: LaidOver) -> None:
        super().__init__(source, folder)
        self.laid = laid
        self._first = 0
        self._known: tuple[object, Summary] = (None, Summary((), ()))

    def runs(self) -> tuple[LaidRun, LaidRun] | None:
        """Both runs, once they have been read."""
        answer = self.source.beside(self.laid.other, self.laid.alignment, self.laid.trial)
        self.message = answer.trouble
        return cast("tuple[LaidRun, LaidRun] | None", answer.value)

    def press(self, key: str, character: str | None) -> bool:
        """Scrolls the lines, aligns them otherwise, goes to the next trial."""
        laid = self.laid
        if key in ("up", "down"):
            self._first = min(max(self._first + (1 if key == "down" else -1), 0), len(LINES) - 1)
        elif character == "a":
            at = ALIGNMENTS.index(laid.alignment)
            self.laid = LaidOver(laid.other, ALIGNMENTS[(at + 1) % len(ALIGNMENTS)], laid.trial)
        elif character == "t":
            ids = [one.id for one in self.source.trials()]
            if ids:
                at = ids.index(laid.trial) if laid.trial in ids else 0
                self.laid = LaidOver(laid.other, laid.alignment, ids[(at + 1) % len(ids)])
        else:
            return False
        return True

    def draw_page(self, canvas: Canvas, rows: int) -> None:
        """Title, what differs, the lines, the conditions beside or below them."""
        title_line(canvas, 0, f"TWO RUNS  aligned at the {self.laid.alignment}")
        runs = self.runs()
        if runs is None:
            canvas.put(2, 2, self.source.transport().sentence or self.message or "both are being read …", "strong")
            return
        found = self._found(runs)
        wide = canvas.width >= 2 * SIDE_WIDTH
        width = canvas.width - SIDE_WIDTH - 1 if wide else canvas.width
        y = _draw_heads(canvas, runs)
        y = _draw_differences(canvas, y, canvas.width, found, most=3 if rows <= 30 else 6 if rows <= 45 else 10)
        pairs = condition_pairs(*runs)
        if wide:
            _draw_conditions(canvas, width + 1, y, rows - y, pairs)
            self._draw_lines(canvas, y, rows, width, runs)
        else:
            below = min(len(pairs) + 1, max((rows - y) // 3, 4))
            self._draw_lines(canvas, y, rows - below, width, runs)
            _draw_conditions(canvas, 0, rows - below, below, pairs)

    def _found(self, runs: tuple[LaidRun, LaidRun]) -> Summary:
        if self._known[0] is not runs:
            self._known = (runs, summary(*runs))
        return self._known[1]

    def _draw_lines(self, canvas: Canvas, top: int, bottom: int, width: int, runs: tuple[LaidRun, LaidRun]) -> None:
        first = runs[0]
        grid = np.arange(-BEFORE_S, AFTER_S + STEP_S / 2, STEP_S)
        names = [one for one in LINES if np.isfinite(first.values(one, grid)).any()]
        room = bottom - top - 1
        shown = max(1, min(len(names), room // LEAST_ROWS))
        start = min(self._first, max(len(names) - shown, 0))
        each, rest = divmod(room, shown)
        y = top
        for place, name in enumerate(names[start : start + shown]):
            high = each + (1 if place < rest else 0)
            area = Area(GUTTER, y + 1, width - GUTTER - 1, high - 1, -BEFORE_S, AFTER_S, 0.0, 1.0)
            _draw_one(canvas, area, name, grid, runs)
            y += high
        axis = Area(GUTTER, y, width - GUTTER - 1, 1, -BEFORE_S, AFTER_S, 0.0, 1.0)
        draw_time_axis(canvas, axis, y, _seconds, ticks=(-15.0, -10.0, -5.0, 0.0, 5.0))


def _draw_heads(canvas: Canvas, runs: tuple[LaidRun, LaidRun]) -> int:
    """Who drives, which record, which trial: one line a run; gives the next free row."""
    for y, (line, run) in enumerate(zip(("━━ first ", "╍╍ second"), runs, strict=True), start=1):
        x = canvas.put(1, y, f"{line} {clean(run.stretch.participant)}", "strong")
        said = f"{run.trial.id} {run.trial.verdict}, zero at {run.zero_t:.2f} s  {clean(run.stretch.record)}"
        canvas.put(x + 2, y, fit(said, canvas.width - x - 3), "plain")
    return 3


def _draw_differences(canvas: Canvas, y: int, width: int, said: Summary, *, most: int) -> int:
    """What differs first, what decided, and then the other differences in words, as many as there is room for, and what
    speaks against them; gives the next free row."""
    shown, against = said.weightiest_first[:most], said.against[: max(1, most - 3)]
    for place, sentence in enumerate([*shown, *against]):
        result = said.decisive.get(sentence)
        mark = RESULT_MARKS[result] if result else "▸" if place == 0 else "!" if place >= len(shown) else " "
        for line in wrap(clean(sentence), width - 4, 2):
            canvas.put(1, y, mark, "strong")
            canvas.put(3, y, line, "strong" if place == 0 or result else "plain")
            mark = " "
            y += 1
    more = len(said.differs) + len(said.against) - len(shown) - len(against)
    if more:
        canvas.put(3, y, f"and {more} more: replay … --beside … --text has them all", "dim")
        y += 1
    return y


def _draw_conditions(canvas: Canvas, x: int, y: int, rows: int, pairs: list[Pair]) -> None:
    """One row a condition, the first run's value and mark, then the second's."""
    width = min(canvas.width - x, SIDE_WIDTH)
    column = (width - 26) // 2
    canvas.put(x + 1, y, "condition", "dim")
    canvas.put(x + 26, y, "first", "dim")
    canvas.put(x + 26 + column, y, "second", "dim")
    shown, hint = pairs_in(pairs, rows - 1)
    canvas.put(x + 1, y + len(shown) + 1, fit(hint, width - 2), "dim")
    for place, (name, here, there) in enumerate(shown, start=1):
        canvas.put(x + 1, y + place, fit(clean(name), 24), "plain")
        for at, one in enumerate((here, there)):
            role = "strong" if one is not None and one.result != "met" else "plain"
            canvas.put(x + 26 + at * column, y + place, fit(_cell(one), column - 1), role)


def pairs_in(pairs: list[Pair], room: int) -> tuple[list[Pair], str]:
    """The conditions that there is room for, and how many more there are: those that are not met in both come first."""
    if len(pairs) <= room:
        return pairs, ""
    fine = [all(one is not None and one.result == "met" for one in sides) for _, *sides in pairs]
    order = sorted(range(len(pairs)), key=lambda place: (fine[place], place))
    shown, left = order[: max(room - 1, 0)], order[max(room - 1, 0) :]
    met = ", met in both" if all(fine[place] for place in left) else ""
    return [pairs[place] for place in shown], f"and {len(left)} more{met}"


def _cell(one: ConditionResult | None) -> str:
    return "not asked" if one is None else f"{RESULT_MARKS[one.result]} {condition_value(one)} {one.result}"


def _draw_one(canvas: Canvas, area: Area, name: str, grid: FloatArray, runs: tuple[LaidRun, LaidRun]) -> None:
    series = runs[0].stretch.named(name)
    assert series is not None
    values = [run.values(name, grid) for run in runs]
    if name == "ttc":
        values = [np.where(value <= FAR_S, value, np.nan) for value in values]
    band = series.bands[0][1] if series.bands else None
    low, high = range_of(values, band, most=FAR_S if name == "ttc" else np.inf)
    area = Area(area.x, area.y, area.width, area.rows, area.start_t, area.end_t, low, high)
    canvas.put(1, area.y - 1, f"{clean(name)} {series.measure.unit}".rstrip(), "strong")
    draw_lines(canvas, area, Lines(grid, values, series.measure.unit, 2 * STEP_S, band), (0.0,))


def _seconds(t: float) -> str:
    return "fire" if t == 0.0 else f"{t:+.0f} s".replace("-", "−")
