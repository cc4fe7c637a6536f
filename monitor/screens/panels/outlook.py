"""The next trigger's conditions as a ladder: name, value, margin, place against the band, mark and word."""

from __future__ import annotations

from rich.cells import cell_len

from monitor.following.coming.view import OutlookRow
from monitor.following.words import MASKED, band_text, condition_value, margin_text
from monitor.judging.case.trial import ConditionResult
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.marks import OPEN, RESULT_MARKS, RESULT_TONES
from monitor.screens.drawing.picture import Picture

_TREND_WORDS = {-1: "leaving", 0: "", 1: "coming"}


def draw_outlook(picture: Picture, width: int, height: int) -> Canvas:
    """A title (what is said of the coming trial, with the seconds left) and one row for each condition."""
    canvas = Canvas(width, height)
    outlook = picture.view.outlook
    title(canvas, width, picture)
    if outlook is None:
        known = picture.view.nothing_ahead and not picture.old
        canvas.put(1, 1, "no trigger ahead" if known else "what comes next is not known", "dim")
        return canvas
    roomy = height - 1 >= 2 * len(outlook.rows) and width >= 84
    hidden = MASKED if picture.view.masked else picture.old_word
    shown, left_out = rungs_for(outlook.rows, len(outlook.rows) if roomy else height - 1)
    for place, row in enumerate(shown):
        y = 1 + place * (2 if roomy else 1)
        draw_condition(canvas, y, row, hidden=hidden)
        if roomy:
            condition = row.condition
            canvas.put(3, y + 1, clean(condition.measure), "dim", width=40)
            canvas.put(44, y + 1, f"band {band_text(condition.band, condition.unit)}", "dim")
    if left_out and height > 1:
        failing = sum(row.condition.result == "not met" for row in left_out)
        met = all(row.condition.result == "met" for row in left_out)
        said = hidden or (f"{failing} not met" if failing else "all met" if met else "undecided")
        canvas.put(1, height - 1, f"+{len(left_out)} more, {said}", "dim" if hidden or met else "wait")
    return canvas


def rungs_for(rows: tuple[OutlookRow, ...], room: int) -> tuple[tuple[OutlookRow, ...], tuple[OutlookRow, ...]]:
    """The rungs there is room for, and those that are left out: advisory ones first, then those that are met, and of
    alike ones the last. What is left out is counted in a row of its own."""
    if len(rows) <= room:
        return rows, ()
    order = sorted(
        range(len(rows)), key=lambda at: (not rows[at].condition.required, rows[at].condition.result == "met")
    )
    kept = set(order[: max(0, room - 1)])
    shown = tuple(row for at, row in enumerate(rows) if at in kept)
    return shown, tuple(row for at, row in enumerate(rows) if at not in kept)


def title(canvas: Canvas, width: int, picture: Picture) -> None:
    """The title line: the trigger, the word for it, the seconds left; over a held picture how old it is."""
    canvas.fill(0, 0, width, "title")
    x = canvas.put(1, 0, "NEXT", "title") + 1
    outlook = picture.view.outlook
    if outlook is None:
        known = picture.view.nothing_ahead and not picture.old
        x = canvas.put(x, 0, "no trigger" if known else "not known", "title-strong") + 2
    else:
        x = canvas.put(x, 0, fit(clean(outlook.trigger), min(20, len(outlook.trigger))), "title-strong")
        if outlook.which:
            which = outlook.which if width >= 60 else outlook.which.replace(" of any number", "")
            x = canvas.put(x, 0, f", {which}", "title")
        x += 2
    if picture.frozen_for_s is not None:
        canvas.put(x, 0, f" HELD {picture.frozen_for_s:.0f} s ", "held-slab")
        return
    head = picture.over_the_ladder
    if head is None:
        return
    x = canvas.put(x, 0, f" {head.word} ", f"{head.tone}-slab") + 1
    if outlook is not None and outlook.seconds_left is not None:
        canvas.put(x, 0, f"{max(0.0, outlook.seconds_left):.0f} s left", "title-strong")


def draw_condition(canvas: Canvas, y: int, row: OutlookRow, *, hidden: str = "", x: int = 0) -> None:
    """One rung of the ladder; what does not fit is left out from the margin inwards, never mark and word.

    `hidden` is the word that stands in for all that may not be shown.
    """
    condition = row.condition
    width = canvas.width - x
    wide = width >= 64
    verdict = 12 if wide else 11
    name_wide, value_wide, margin_wide = (18, 14, 8) if wide else (12, 9, 5)
    value = hidden or condition_value(condition)
    at = x + 1
    # name and value share their columns: a long one has what the other leaves free
    is_word = bool(hidden) or condition.value is None  # a word has the margin's place, too
    column = value_wide + (1 + margin_wide if is_word else 0)
    room = max(name_wide // 2, name_wide + column - cell_len(value))
    name = fit(clean(condition.name), room)
    if not condition.required:  # in brackets: advisory, it decides nothing
        name = fit(f"({fit(clean(condition.name), room - 2).rstrip()})", room)
    name_long = cell_len(name.rstrip())
    canvas.put(at, y, name.rstrip(), "plain" if condition.required else "dim")
    at += name_wide + 1
    if is_word:
        after_name = max(0, name_long - name_wide)
        canvas.put(at + after_name, y, fit(value, column - after_name).rstrip(), "strong")
    else:
        canvas.put_right(at + value_wide, y, fit(value, name_wide + value_wide - name_long).rstrip(), "strong")
        canvas.put_right(at + value_wide + 1 + margin_wide, y, margin_text(condition), "dim")
    at += value_wide + margin_wide + 2
    words = clean(row.words) or _TREND_WORDS[row.trend]
    words_wide = min(30, max(0, width - (at - x) - verdict - 18)) if width >= 84 else 0
    bar = max(0, min(36, width - (at - x) - verdict - 1 - words_wide))
    if bar >= 7:
        bar = bar if bar % 2 else bar - 1
        canvas.lay(at, y, draw_band_bar(bar, condition, hidden=bool(hidden)))
        at += bar + 1
    mark, word, tone = (OPEN, hidden, "dim") if hidden else result_words(condition)
    at = canvas.put(at, y, f"{mark} {word}", tone, width=verdict)
    if words_wide and not hidden:
        at = max(at + 1, x + width - words_wide)
        canvas.put(at, y, fit(words, x + width - at - 1).rstrip(), "dim")


def result_words(condition: ConditionResult) -> tuple[str, str, str]:
    """Mark, word and role for a condition."""
    if condition.open and condition.result == "undecided":
        return OPEN, "open", "wait"
    return RESULT_MARKS[condition.result], condition.result, RESULT_TONES[condition.result]


def draw_band_bar(width: int, condition: ConditionResult, *, hidden: bool) -> Canvas:
    """A thin line, heavy inside the band, with the value as a block on it; the band is the middle third.

    With one edge only the edge is in the middle. A value beyond the line's end is drawn as a half block at that end.
    Where the band lies to either side of two edges the outer thirds are heavy and the middle one thin.
    """
    if condition.outside is not None:
        return _draw_outside_bar(width, condition, hidden=hidden)
    canvas = Canvas(width, 1)
    low, high = condition.at_least, condition.at_most
    third = width // 3
    if low is not None and high is not None:
        first, after = third, width - third
        unit_cells = (after - first - 1) / ((high - low) or 1.0)
        at = None if condition.value is None else first + (condition.value - low) * unit_cells
    elif low is not None or high is not None:
        edge = low if low is not None else high
        assert edge is not None
        middle = width // 2
        first, after = (middle, width) if low is not None else (0, middle + 1)
        unit_cells = middle / (abs(edge) or 1.0)
        at = None if condition.value is None else middle + (condition.value - edge) * unit_cells
    else:
        first, after, at = 0, width, None
    canvas.fill(0, 0, width, "dim", "─")
    canvas.fill(first, 0, after - first, "plain", "━")
    if low is not None:
        canvas.put(first, 0, "┣", "plain")
    if high is not None:
        canvas.put(after - 1, 0, "┫", "plain")
    if hidden or at is None:
        return canvas
    role = f"{RESULT_TONES[condition.result]}-block"
    cell = round(at)
    if cell < 0:
        canvas.put(0, 0, "▌", role)
    elif cell >= width:
        canvas.put(width - 1, 0, "▐", role)
    else:
        inside_but_not_met = condition.result == "not met" and first <= cell < after
        if inside_but_not_met:  # rounding may not put a value that is out onto the band
            cell = first - 1 if low is not None and condition.value is not None and condition.value < low else after
        canvas.put(max(0, min(width - 1, cell)), 0, "█", role)
    return canvas


def _draw_outside_bar(width: int, condition: ConditionResult, *, hidden: bool) -> Canvas:
    canvas = Canvas(width, 1)
    assert condition.outside is not None
    low, high = condition.outside
    first, after = width // 3, width - width // 3
    canvas.fill(0, 0, width, "plain", "━")
    canvas.fill(first, 0, after - first, "dim", "─")
    canvas.put(first - 1, 0, "┫", "plain")
    canvas.put(after, 0, "┣", "plain")
    if hidden or condition.value is None:
        return canvas
    cell = round(first + (condition.value - low) * (after - first - 1) / (high - low))
    if condition.result == "not met":  # rounding may not put a value that is out onto the band
        cell = min(max(cell, first), after - 1)
    role = f"{RESULT_TONES[condition.result]}-block"
    if cell < 0 or cell >= width:
        canvas.put(0 if cell < 0 else width - 1, 0, "▌" if cell < 0 else "▐", role)
    else:
        canvas.put(cell, 0, "█", role)
    return canvas


def conditions_as_rows(conditions: tuple[ConditionResult, ...]) -> list[OutlookRow]:
    """Judged conditions as rungs without a trend, for the trial card."""
    return [OutlookRow(one, 0, "at the edge" if one.at_edge else _band_words(one)) for one in conditions]


def _band_words(condition: ConditionResult) -> str:
    return f"{band_text(condition.band, condition.unit)}{' or another' if condition.any_of else ''}"
