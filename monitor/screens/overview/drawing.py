"""The runs one below the other, each with its large word: four of them are read at once in 80 × 24."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.following.heading.model import Heading
from monitor.following.overview.elsewhere import need_words
from monitor.following.overview.row import RunRow
from monitor.following.words import clock
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.glyphs import large
from monitor.screens.panels.slab import Slab, draw_heading

LEAST_WIDTH, LEAST_HEIGHT = 60, 20
AT_ONCE = 4
"""So many runs are always given room as if they were there: a row that comes or goes moves no other one."""
LEAST_ROWS, MOST_ROWS = 5, 14
LARGE_ROWS = 3
BESIDE = 3
"""Rows of the title, of what the last key did, and of the keys."""

KEYS = (("↑↓", "choose"), ("Enter", "look on"), ("w", "watch it"), ("d", "colours"), ("p", "SVG"), ("q", "quit"))

STANDS_STILL = "This overview has learned nothing new for {age_s:.0f} s; nothing is known."


@dataclass(frozen=True, slots=True)
class OverviewPicture:
    """What is drawn. `age_s`: since when nothing new is known, where that is too long; `now` is the time of day."""

    places: tuple[RunRow | None, ...]
    chosen: int = 0
    now: str = ""
    age_s: float | None = None
    trouble: str = ""
    old: int = 0
    exercises: int = 0
    message: str = ""

    @property
    def known(self) -> tuple[RunRow | None, ...]:
        """The runs; where nothing new was learned for too long none of them is as it was."""
        if self.age_s is None:
            return self.places
        said = f"{STANDS_STILL.format(age_s=self.age_s)} {self.trouble}".rstrip()
        unknown = Heading("bad", "UNKNOWN", sentence=said)
        return tuple(
            None if one is None else RunRow(one.record, one.participant, "unknown", replace(unknown))
            for one in self.places
        )


def rows_each(height: int, count: int) -> int:
    """How many rows a run has."""
    return max(LEAST_ROWS, min(MOST_ROWS, (height - BESIDE) // max(AT_ONCE, count)))


def first_shown(height: int, count: int, chosen: int) -> tuple[int, int]:
    """The first place in sight, and how many there are."""
    room = max(1, (height - BESIDE) // rows_each(height, count))
    return max(0, min(chosen - room + 1, count - room)), room


def draw_overview(picture: OverviewPicture, width: int, height: int) -> Canvas:
    """The whole screen."""
    canvas = Canvas(width, height)
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        canvas.put(0, 0, f"Too small: {LEAST_WIDTH} × {LEAST_HEIGHT} at least; no key acts but q.", "strong")
        return canvas
    places = picture.known
    runs = [one for one in places if one is not None]
    wanting = sum(one.wants_somebody for one in runs)
    canvas.fill(0, 0, width, "title")
    said = f"ALL RUNS HERE · {len(runs)} {'run' if len(runs) == 1 else 'runs'}"
    said += f" · {wanting} {'wants' if wanting == 1 else 'want'} somebody" if wanting else ""
    canvas.put(1, 0, fit(said, width - 12), "title-strong")
    canvas.put_right(width - 1, 0, picture.now, "title-strong")
    if not runs:
        canvas.put(2, 2, fit(clean(picture.trouble or "Nothing is being recorded here."), width - 3), "strong")
    each = rows_each(height, len(places))
    first, room = first_shown(height, len(places), picture.chosen)
    for place in range(first, min(first + room, len(places))):
        top = 1 + (place - first) * each
        _draw_run(canvas, range(top, top + each), place, places[place], chosen=place == picture.chosen)
    out_of_sight = _out_of_sight(places, range(first, first + room))
    unclosed = f"{picture.old} older runs were never closed" if picture.old else ""
    exercise = "an exercise goes on" if picture.exercises else ""
    hint = " · ".join(one for one in (out_of_sight, unclosed, exercise) if one)
    canvas.put(1, height - 2, fit(clean(picture.message or picture.trouble or hint), width - 2), "strong")
    x = 1
    for shown, word in KEYS:
        x = canvas.put(x, height - 1, shown, "key")
        x = canvas.put(x, height - 1, f" {word}", "dim") + 2
    return canvas


def _out_of_sight(places: tuple[RunRow | None, ...], shown: range) -> str:
    """Those that there is no room for: how many, and by their places those that want somebody, the worst first."""
    above, below = min(shown.start, len(places)), max(len(places) - shown.stop, 0)
    hidden = [(place, one) for place, one in enumerate(places, start=1) if place - 1 not in shown and one is not None]
    wanting = sorted((one for one in hidden if one[1].wants_somebody), key=lambda one: one[1].heading.tone != "bad")
    said = [f"{above} above" if above else "", f"{below} below" if below else ""]
    return " · ".join(one for one in (*said, *(f"{place} {need_words(run)}" for place, run in wanting)) if one)


def _draw_run(canvas: Canvas, rows: range, place: int, run: RunRow | None, *, chosen: bool) -> None:
    """One run in some rows of the screen."""
    width, top = canvas.width, rows.start
    canvas.fill(0, top, width, "key" if chosen else "title")
    role = "key" if chosen else "title-strong"
    x = canvas.put(0, top, f"{'▶' if chosen else ' '}{place + 1} ", role)
    if run is None:
        canvas.put(x, top, "no run", role)
        return
    where = f"feed {run.feed} · disk {run.disk}"
    left = [run.participant, *([] if run.drive is None else [f"drive {run.drive}", clock(run.t, tenths=False)])]
    who = " · ".join([*left, *([f"by {run.by}"] if run.by else [])])
    end = canvas.put_right(width - 1, top, fit(clean(where), min(len(where), width * 3 // 5)), role)
    canvas.put(x, top, fit(clean(who), max(0, end - x - 1)), role)
    slab = 6 if len(rows) >= 9 and width >= 150 else 3
    hint = f"{len(run.waits)} waiting" if run.waits else ""
    _paste(canvas, top + 1, draw_heading(Slab(run.heading, run.second, hint), width, slab))
    below, x = top + 1 + slab, 3
    said = run.heading.seconds is not None  # large beside the word already
    if len(rows) - 1 - slab >= LARGE_ROWS and run.seconds_to_next is not None and not said:
        for y, figure in enumerate(large(f"{run.seconds_to_next:.0f}", bold=True)):
            end = canvas.put(x, below + y, figure, "strong")
        x = canvas.put(end + 1, below + LARGE_ROWS - 1, "s", "strong") + 3
    for y, line in zip(range(below, rows.stop), _lines(run), strict=False):
        canvas.put(x, y, fit(clean(line), width - x - 1), "strong" if y == below else "plain")


def _lines(run: RunRow) -> list[str]:
    """What stands below the word, the most needed first."""
    coming = ""
    if run.next_trigger:
        coming = f"next {run.next_trigger}"
        coming += "" if run.seconds_to_next is None else f" in {run.seconds_to_next:.0f} s"
    waits = ", ".join(f"{word} {trial}" for trial, word in run.waits)
    first = " · ".join(one for one in (coming, f"waits: {waits}" if waits else "") if one)
    nothing = "nothing waits" if run.state == "recording" else ""
    if run.withheld and nothing:
        nothing = "what follows the trial that is to be ruled on is hidden until then"
    return [first or nothing, f"{run.state} · {run.record}"]


def _paste(canvas: Canvas, top: int, piece: Canvas) -> None:
    for y in range(piece.height):
        x = 0
        for text, role in piece.runs(y):
            x = canvas.put(x, top + y, text, role)
