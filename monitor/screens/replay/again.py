"""Judging again: the trials by another study file side by side, and one tolerance swept over all records beside it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor.following.words import value_text
from monitor.judging.case.trial import Trial
from monitor.replay.explain.changes import Again
from monitor.replay.explain.explanation import Explanation
from monitor.replay.explain.sweep import Sweep
from monitor.replay.provider import ReplayProvider
from monitor.screens.dialogs.sheet import Row
from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.marks import VERDICT_MARKS, VERDICT_TONES
from monitor.screens.drawing.trace import Area, Trace, draw_trace
from monitor.screens.replay.page import Page, title_line


class AgainPage(Page):
    """What another study file would change, what would have been enough, and how far a tolerance would go."""

    keys = (("/", "another study file"), ("s", "sweep: next condition"), ("↑↓", "rows"))
    input_label = "Study file: "

    def __init__(self, source: ReplayProvider, folder: Path, trials: tuple[Trial, ...]) -> None:
        super().__init__(source, folder)
        self._trials = trials
        self._study_path = ""
        self._conditions = [
            (trigger.name, condition.name)
            for trigger in source.map.study.triggers
            for condition in trigger.conditions
            if condition.required
        ]
        self._swept = -1
        self._scrolled = 0

    def entered(self, text: str) -> None:
        """Judges by the file that was typed."""
        self._study_path = text
        self._scrolled = 0
        self.say(f"judging again by {text}")

    def press(self, key: str, character: str | None) -> bool:
        """The next sweep, and scrolling."""
        if character == "s" and self._conditions:
            self._swept = (self._swept + 1) % len(self._conditions)
            self.message = ""
        elif key in ("up", "down"):
            self._scrolled = max(0, self._scrolled + (1 if key == "down" else -1))
        else:
            return False
        return True

    def draw_page(self, canvas: Canvas, rows: int) -> None:
        """The table of trials above, the sweep below."""
        title_line(canvas, 0, f"JUDGE AGAIN   {clean(self.source.map.path.name)}")
        lower = min(16, rows // 2) if self._swept >= 0 else 0
        room = rows - 1 - lower
        lines = self._table(canvas.width - 2)
        self._scrolled = min(self._scrolled, max(0, len(lines) - room))
        for y, row in enumerate(lines[self._scrolled : self._scrolled + room], start=1):
            x = 1
            for text, role in row:
                x = canvas.put(x, y, text, role)
        if lower:
            self._draw_sweep(canvas, rows - lower, lower)

    def _table(self, width: int) -> list[Row]:
        again: Again | None = None
        lines: list[Row] = []
        if self._study_path:
            answer = self.source.judged_again(self._study_path)
            again = answer.value if isinstance(answer.value, Again) else None
            if again is None:
                said = answer.trouble or "judging again …"
                lines += [[(line, "strong")] for part in said.split("\n") for line in wrap(clean(part), width, 4)]
        now = {trial.id: trial for trial in again.now} if again is not None else {}
        changes = {one["trial"]: str(one["why"]) for one in again.changes} if again is not None else {}
        other = f"by {clean(self._study_path)}" if again is not None else ""
        lines.append([(fit(f"{'trial':<22}{'by the study used here':<26}{other}", width), "title-strong")])
        ids = [trial.id for trial in self._trials] + [name for name in now if name not in {t.id for t in self._trials}]
        for trial_id in ids:
            lines += self._trial_rows(trial_id, now.get(trial_id), changes.get(trial_id, ""), again, width)
        if again is not None and not changes:
            lines.append([("No trial changes.", "strong")])
        return lines

    def _trial_rows(self, trial_id: str, now: Trial | None, why: str, again: Again | None, width: int) -> list[Row]:
        was = next((trial for trial in self._trials if trial.id == trial_id), None)
        row: Row = [(f"{fit(clean(trial_id), 21)} ", "plain"), *_verdict(was, 26)]
        lines = [row + (_verdict(now, 12) if again is not None else [])]
        if why:
            lines += [[(f"    {line}", "plain")] for line in wrap(clean(why), width - 4, 3)]
        if was is not None and was.verdict != "valid":
            value = self.source.explained(trial_id).value
            enough = value.enough if isinstance(value, Explanation) else ("being worked out …",)
            lines += [[(f"    {line}", "dim")] for one in enough for line in wrap(clean(one), width - 4, 2)]
        return lines

    def _draw_sweep(self, canvas: Canvas, y: int, rows: int) -> None:
        trigger, condition = self._conditions[self._swept]
        title_line(canvas, y, f"TOLERANCE of {clean(trigger)}/{clean(condition)} over all records beside this one")
        answer = self.source.swept(trigger, condition)
        sweep = answer.value if isinstance(answer.value, Sweep) else None
        if sweep is None:
            canvas.put(1, y + 1, fit(answer.trouble or "judging the records …", canvas.width - 2), "strong")
            return
        if not sweep.trials:
            canvas.put(1, y + 1, "no trial of this trigger", "strong")
            return
        _draw_sweep(canvas, y + 1, rows - 1, sweep)


def _verdict(trial: Trial | None, width: int) -> Row:
    if trial is None:
        return [(f"{'no such trial':<{width}}", "dim")]
    return [(f"{VERDICT_MARKS[trial.verdict]} {trial.verdict:<{width - 2}}", VERDICT_TONES[trial.verdict])]


def _draw_sweep(canvas: Canvas, y: int, rows: int, sweep: Sweep) -> None:
    """The curve at the left, the table of the steps at which it rises at the right."""
    total, unit = len(sweep.trials), sweep.trials[0].unit
    table = 34 if canvas.width >= 76 else 0
    area = Area(6, y, canvas.width - table - 8, max(rows - 1, 1), 0.0, sweep.rows[-1].tolerance, 0.0, float(total))
    canvas.put_right(5, y, str(total), "dim")
    canvas.put_right(5, y + area.rows - 1, "0", "dim")
    # a stair: as many as at the last step until the next one
    t = np.repeat([row.tolerance for row in sweep.rows], 2)[1:]
    valid = np.repeat([float(row.valid) for row in sweep.rows], 2)[:-1]
    draw_trace(canvas, area, Trace(t, valid, gap_s=np.inf))
    canvas.put(area.x, y + area.rows, f"└0 {unit}".rstrip(), "dim")
    most = f"{value_text(sweep.rows[-1].tolerance, unit)} {unit}".rstrip()
    canvas.put_right(area.x + area.width, y + area.rows, most, "dim")
    if not table:
        return
    x = canvas.width - table
    canvas.put(x, y, f"{'tolerance':>10} {'valid':>5} {'undec.':>6} {'invalid':>7}", "dim")
    steps = [
        row
        for place, row in enumerate(sweep.rows)
        if place in (0, len(sweep.rows) - 1) or row.valid != sweep.rows[place - 1].valid
    ]
    for place, row in enumerate(steps[: max(rows - 1, 0)], start=1):
        text = f"{row.tolerance:>10.3g} {row.valid:>5} {row.undecided:>6} {row.invalid:>7}"
        canvas.put(x, y + place, text, "plain")
