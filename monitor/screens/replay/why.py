"""Why a trial came out so: conditions over the whole drive and about the fire, the nearest miss, what was enough."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from monitor.following.words import clock, verdict_word
from monitor.replay.explain.explanation import Explanation
from monitor.replay.lines.line import MIXED, NOTHING
from monitor.replay.lines.rows import Row
from monitor.replay.provider import ReplayProvider
from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.marks import MET, NOT_MET, UNDECIDED, VERDICT_MARKS, VERDICT_TONES
from monitor.screens.drawing.trace import Area
from monitor.screens.replay.page import Page, title_line

HALF_SPANS_S = (2.0, 5.0, 10.0, 20.0, 30.0, 60.0)
"""Half the length of the piece about the fire."""

MARKS = {1: MET, 0: "·", -1: UNDECIDED, MIXED: "▄", NOTHING: " "}
ROLES = {1: "good", 0: "dim", -1: "wait", MIXED: "good", NOTHING: "dim"}
WORDS = {
    1: f"{MET} met",
    0: f"{NOT_MET} not met",
    -1: f"{UNDECIDED} no data",
    MIXED: f"{MET} met",
    NOTHING: "░ no frame",
}
WORD_ROLES = {1: "good", 0: "bad", -1: "wait", MIXED: "good", NOTHING: "wait"}


WHOLE = "whole drive"


class _Piece(NamedTuple):
    """A piece of a drive that has a line of its own, in seconds of the drive, and how it is called."""

    start_t: float
    end_t: float
    words: str


class Ways(NamedTuple):
    """The ways from a page to a time of a drive: the replay goes there, or plots open there."""

    go: Callable[[int, float], None]
    plot: Callable[[int, float], None]


class WhyPage(Page):
    """The condition time line of one trial of `trial_ids`, that at place `at` first."""

    keys = (
        ("←→", "cursor"),
        ("+ −", "zoom"),
        ("↑↓", "trial"),
        ("home", "fire"),
        ("Enter", "replay here"),
        ("g", "plots"),
    )

    def __init__(self, source: ReplayProvider, folder: Path, trial_ids: list[str], at: int, ways: Ways) -> None:
        super().__init__(source, folder)
        self._ids = trial_ids
        self._at = at
        self._ways = ways
        self._half = 2
        self._cursor_t: float | None = None
        self._step_s = 0.1

    @property
    def explanation(self) -> Explanation | None:
        """What is known of the trial so far."""
        value = self.source.explained(self._ids[self._at]).value
        return value if isinstance(value, Explanation) else None

    def press(self, key: str, character: str | None) -> bool:
        """Cursor, zoom, the other trials, going there."""
        explained = self.explanation
        if key in ("up", "down"):
            self._at = (self._at + (1 if key == "down" else -1)) % len(self._ids)
            self._cursor_t = None
        elif explained is None:
            return False
        elif key in ("left", "right", "shift+left", "shift+right"):
            steps = 10 if key.startswith("shift") else 1
            moved = self._cursor(explained) + (steps if key.endswith("right") else -steps) * self._step_s
            self._cursor_t = min(max(moved, explained.start_t), explained.end_t)
        elif character in ("+", "-", "−", "="):
            self._half = min(max(self._half + (-1 if character in "+=" else 1), 0), len(HALF_SPANS_S) - 1)
        elif key == "home":
            self._cursor_t = explained.anchor_t
        elif key == "enter":
            self._ways.go(explained.trial.drive, self._cursor(explained))
            self.dismiss(None)
        elif character == "g":
            self._ways.plot(explained.trial.drive, self._cursor(explained))
        else:
            return False
        return True

    def _cursor(self, explained: Explanation) -> float:
        return explained.anchor_t if self._cursor_t is None else self._cursor_t

    def hint(self) -> str:
        """Where the cursor is."""
        explained = self.explanation
        if explained is None:
            return ""
        cursor = self._cursor(explained)
        about = "drive's end" if explained.trial.timing.expected_at is None else "instant expected"
        about = "fire" if explained.trial.fired_at is not None else about
        off = f"{cursor - explained.anchor_t:+.2f}".replace("-", "−")
        return f"cursor {clock(cursor)}, {cursor:.2f} s, {off} s from the {about}"

    def draw_page(self, canvas: Canvas, rows: int) -> None:
        """Title, the line over the drive, the line about the fire, the sentences."""
        answer = self.source.explained(self._ids[self._at])
        explained = self.explanation
        if explained is None:
            title_line(canvas, 0, f"WHY {clean(self._ids[self._at])}")
            said = answer.trouble or self.source.transport().sentence or "being worked out …"
            for y, line in enumerate(wrap(clean(said), canvas.width - 4, rows - 3), start=2):
                canvas.put(2, y, line, "strong")
            return
        trial = explained.trial
        more = f"   trial {self._at + 1} of {len(self._ids)}" if len(self._ids) > 1 else ""
        fired = "did not fire" if trial.fired_at is None else f"fired at {clock(trial.fired_at)}"
        mark = VERDICT_MARKS[trial.effective]
        title_line(canvas, 0, f"WHY {clean(trial.id)}   {mark} {verdict_word(trial)}   {fired}{more}")
        canvas.paint(0, f"{VERDICT_TONES[trial.effective]}-slab", 0, canvas.width)
        block = len(explained.line.rows) + 4
        y = 1
        both = rows - 1 >= 2 * block + 7
        if both:
            y = self._draw_line(canvas, y, explained, _Piece(explained.start_t, explained.end_t, WHOLE))
        y = self._draw_line(canvas, y, explained, self._piece(explained, HALF_SPANS_S[self._half]))
        if not both and rows - y >= 10:
            y = self._draw_strip(canvas, y, explained)
        if both and self._half >= 2 and rows - y >= block + 16:
            y = self._draw_line(canvas, y, explained, self._piece(explained, HALF_SPANS_S[self._half - 2]))
        _draw_sentences(canvas, y, rows, explained)

    def _piece(self, explained: Explanation, half: float) -> _Piece:
        """The piece about the fire, moved where the cursor has left it."""
        start_t = explained.anchor_t - half
        cursor = self._cursor(explained)
        if not start_t <= cursor <= start_t + 2 * half:
            start_t = cursor - half
        return _Piece(start_t, start_t + 2 * half, f"{2 * half:g} s")

    def _draw_line(self, canvas: Canvas, y: int, explained: Explanation, piece: _Piece) -> int:
        start_t, end_t, words = piece
        names = 16 if canvas.width < 100 else 22
        right = 11
        area = Area(names + 2, y, canvas.width - names - right - 4, 1, start_t, end_t, 0.0, 1.0)
        if words != WHOLE:
            self._step_s = max((end_t - start_t) / max(area.width, 1), explained.line.period_s)
        cursor = self._cursor(explained)
        _draw_scale(canvas, y, area, words)
        grid = explained.line.columns(start_t, end_t, area.width)
        at = area.column_of(cursor)
        state_at = explained.line.columns(cursor, cursor + 0.5 * explained.line.period_s, 1)
        rows = [(row.name, row.required) for row in explained.line.rows] + [("ALL TOGETHER", True)]
        for place, (name, required) in enumerate(rows):
            line_y = y + 1 + place
            last = place == len(rows) - 1
            role = "strong" if last else "plain" if required else "dim"
            canvas.put(1, line_y, fit(clean(name), names), role)
            for column in range(area.width):
                state = int(grid[place, column])
                canvas.put(area.x + column, line_y, MARKS[state], ROLES[state])
            if at is not None:
                here = canvas.chars[line_y][at]
                canvas.put(at, line_y, here if here not in (" ", "·") else "│", "key")
            state = int(state_at[place, 0])
            word, role = _words_at(explained.line.rows[place] if not last else None, state)
            canvas.put(area.x + area.width + 1, line_y, word, role)
        _draw_marks(canvas, y + 1 + len(rows), area, explained, at)
        return y + 2 + len(rows)

    def _draw_strip(self, canvas: Canvas, y: int, explained: Explanation) -> int:
        """The whole drive as one row, where there is no room for all rows of it."""
        area = Area(18, y, canvas.width - 20, 1, explained.start_t, explained.end_t, 0.0, 1.0)
        grid = explained.line.columns(explained.start_t, explained.end_t, area.width)
        canvas.put(1, y, "whole drive, all", "dim")
        for column in range(area.width):
            state = int(grid[-1, column])
            canvas.put(area.x + column, y, MARKS[state], ROLES[state])
        for t, letter in ((explained.trial.told_expected_at, "E"), (explained.trial.told_fired_at, "T")):
            at = None if t is None else area.column_of(t)
            if at is not None:
                canvas.put(at, y, letter, "key")
        return y + 1


def _words_at(row: Row | None, state: int) -> tuple[str, str]:
    """Word and role at the cursor. Only a condition that counts at the fire can be "not met" there."""
    if row is not None and row.part != "condition":
        return {1: (f"{MET} holds", "good"), 0: ("· not yet", "dim")}.get(state, (WORDS[state], WORD_ROLES[state]))
    if row is not None and not row.before_fire:
        return {1: (f"{MET} in band", "good"), 0: ("· out", "dim")}.get(state, (WORDS[state], WORD_ROLES[state]))
    return WORDS[state], WORD_ROLES[state]


def _draw_scale(canvas: Canvas, y: int, area: Area, words: str) -> None:
    canvas.fill(0, y, canvas.width, "title")
    canvas.put(1, y, words, "title-strong")
    for share in (0.0, 0.25, 0.5, 0.75) if area.width >= 60 else (0.0, 0.5):
        column = area.x + int(share * area.width)
        canvas.put(column, y, f"└{clock(area.start_t + share * (area.end_t - area.start_t))}", "title")
    canvas.put_right(area.x + area.width, y, clock(area.end_t), "title")


def _draw_marks(canvas: Canvas, y: int, area: Area, explained: Explanation, at: int | None) -> None:
    """Under the rows: the fire, the fire expected, the drive's end, the cursor."""
    canvas.put(1, y, "fire T, expected E", "dim", width=area.x - 2)
    if at is not None:
        canvas.put(at, y, "▲", "strong")
    trial = explained.trial
    for t, letter in ((explained.end_t, "┤"), (trial.told_expected_at, "E"), (trial.told_fired_at, "T")):
        place = None if t is None else area.column_of(t)
        if place is not None:
            canvas.put(place, y, letter, "key")


def _draw_sentences(canvas: Canvas, y: int, rows: int, explained: Explanation) -> None:
    """Why, the nearest miss, and what would have been enough."""
    sentences: list[tuple[str, str]] = [("plain", one) for one in explained.why]
    if explained.nearest is not None:
        sentences.append(("strong", explained.nearest.sentence))
    sentences += [("good", one) for one in explained.enough]
    lines = [(role, line) for role, one in sentences for line in wrap(clean(one), canvas.width - 3, 3)]
    room = max(rows - y, 0)
    for place, (role, line) in enumerate(lines[:room]):
        canvas.put(1, y + place, line, role)
    if len(lines) > room > 0:
        canvas.put_right(
            canvas.width - 1, rows - 1, f" +{len(lines) - room} rows: a taller window, or replay --why ", "wait"
        )
