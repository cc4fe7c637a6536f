"""The three large numbers with definitions, bands and strips; the lesser ones in one line below where there is room."""

from __future__ import annotations

from monitor.following.view import NumberView, StripView
from monitor.following.words import BEHIND, MASKED, STALE, band_text, value_text, with_unit
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.glyphs import large, large_width
from monitor.screens.drawing.marks import OPEN, RESULT_MARKS, RESULT_TONES
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.strips import draw_strip

LARGE_COUNT = 3
SHORTER = {
    "time_gap": ("bumper to bumper", "to its rear"),
    "ttc": ("gap over closing speed", "gap over closing"),
    "lane_offset": ("from the lane's centre", "left positive", "left is +"),
}
"""Definitions for where the whole one does not fit."""

MOST_S = 99.0
"""A time beyond this is as good as none, and its digits say nothing."""

_IN_WORDS = {"met": "in band", "not met": "out of band", "undecided": "undecided"}


def draw_number(picture: Picture, width: int, height: int, *, place: int) -> Canvas:
    """One of the large numbers: label and definition, the number, mark with band, strip."""
    canvas = Canvas(width, height)
    if place < len(picture.view.numbers):
        x = 1 if place else 0
        canvas.lay(x, 0, _number(width - x, height, picture.view.numbers[place], picture))
    if place:
        for y in range(height):
            canvas.put(0, y, "╎", "dim")
    return canvas


def draw_lesser(picture: Picture, width: int, height: int) -> Canvas:
    """The lesser numbers in one row; those that do not fit are left out."""
    canvas = Canvas(width, height)
    x = 1
    for number in picture.view.numbers[LARGE_COUNT:]:
        word = why_no_value(number, picture)
        said = word if word is not None or number.value is None else with_unit(number.value, number.unit)
        label = clean(number.label)
        if x + len(label) + len(said or "") + 5 > width:
            break
        after = canvas.put(x, 0, label, "dim")
        x = canvas.put(after + 1, 0, f"{said or '':<10}", "plain") + 3
    return canvas


def why_no_value(number: NumberView, picture: Picture) -> str | None:
    """The word to show instead of a number, or None where there is a number to show."""
    if picture.view.masked:
        return MASKED
    if picture.old:
        return picture.old_word
    if number.value is None:
        return number.state or "not measured"
    return None


def _number(width: int, height: int, number: NumberView, picture: Picture) -> Canvas:
    canvas = Canvas(width, height)
    scale = 2 if height >= 14 and width >= 50 else 1
    word = why_no_value(number, picture)
    label = f"{clean(number.label).upper()} {number.unit}".rstrip()
    after = canvas.put(1, 0, fit(label, min(len(label), width - 2)), "strong") + 2
    canvas.put(after, 0, definition_for(number, width - after), "dim")
    if word is not None:
        _word(canvas, scale, word)
    else:
        assert number.value is not None
        if number.unit == "s" and number.value >= MOST_S:
            _word(canvas, scale, f"over {MOST_S:.0f} s")
        else:
            _digits(canvas, scale, value_text(number.value, number.unit), picture)
    y = 1 + 3 * scale
    _band_line(canvas, y, number, word)
    rows = height - y - 1
    if rows >= 2 and not picture.calm:
        strip = None if picture.view.masked else _strip_of(picture, number.measure)
        canvas.lay(1, y + 1, draw_strip((width - 1, rows), strip, number.unit, picture.view.t, old=picture.old))
    return canvas


def definition_for(number: NumberView, width: int) -> str:
    """What the number is, in as many words as there is room for; nothing where even the fewest do not fit whole."""
    known = (clean(number.definition), *SHORTER.get(number.measure, ()))
    return next((words for words in known if len(words) <= width), "")


def _digits(canvas: Canvas, scale: int, text: str, picture: Picture) -> None:
    width = canvas.width
    role = "dim" if picture.frozen_for_s is not None else "strong"
    if picture.calm:
        canvas.put(1, 2, text, role)
        return
    bold = large_width(text, bold=True, scale=scale) <= width - 1
    needed = large_width(text, bold=bold, scale=scale)
    if needed > width:
        canvas.put(1, 2, text, role)
        return
    for row, line in enumerate(large(text, bold=bold, scale=scale)):
        canvas.put(0 if needed == width else 1, 1 + row, line, role)


def _word(canvas: Canvas, scale: int, word: str) -> None:
    """A word between two dashed rules: nothing about it looks like a number."""
    rows, width = 3 * scale, canvas.width
    role = "bad" if word in (STALE, BEHIND) else "strong"
    said = word.upper()
    canvas.fill(1, 1, width - 2, "dim", "╌")
    canvas.fill(1, rows, width - 2, "dim", "╌")
    if scale == 2 and large_width(said) <= width - 2:
        for row, line in enumerate(large(said)):
            canvas.put(1, 2 + row, line, role)
        return
    spaced = " ".join(said)
    canvas.put(1, 1 + rows // 2, spaced if len(spaced) <= width - 2 else said, role, width=width - 2)


def _band_line(canvas: Canvas, y: int, number: NumberView, word: str | None) -> None:
    """Mark, word and band; where there is no room for all of it the word is shortened, then the band."""
    if number.band is None:
        canvas.put(1, y, "no band", "dim")
        return
    result = None if word in (MASKED, STALE, BEHIND) else number.result
    band = band_text(number.band, number.unit)
    short = band.replace("at least", "≥").replace("at most", "≤").replace(" to ", "–").removesuffix(f" {number.unit}")
    if result is None:
        said = f"{OPEN} no value"
    else:  # "not closing" has no value and yet keeps at least 4 s
        in_words = word is None and not number.band.outside
        said = f"{RESULT_MARKS[result]} {_IN_WORDS[result] if in_words else result}"
    room = canvas.width - 2 - len(said)
    if len(band) > room:
        band = short
    if len(band) > room:
        said = said.removesuffix(" band").removesuffix(" of").replace("no value", "none")
        room = canvas.width - 2 - len(said)
    after = canvas.put(1, y, said, "dim" if result is None else RESULT_TONES[result])
    canvas.put(after + 1, y, fit(band, room).rstrip(), "plain")


def _strip_of(picture: Picture, measure: str) -> StripView | None:
    return next((strip for strip in picture.view.strips if strip.measure == measure), None)
