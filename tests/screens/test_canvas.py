"""The canvas: what is cut, what is repainted, and text from outside that may not harm the screen."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from monitor.screens.drawing.canvas import Canvas, clean, fit, wrap
from monitor.screens.drawing.marks import PALETTES, WITHOUT_COLOUR


def test_text_outside_the_canvas_is_cut_off() -> None:
    canvas = Canvas(6, 2)
    canvas.put(4, 0, "abcd")
    canvas.put(-2, 1, "abcd")
    canvas.put(0, 5, "nowhere")
    assert canvas.line(0) == "    ab"
    assert canvas.line(1) == "cd    "


def test_a_wide_character_takes_two_cells_and_is_not_halved_at_the_edge() -> None:
    canvas = Canvas(4, 1)
    canvas.put(0, 0, "a霧b霧")
    assert canvas.line(0) == "a霧b"
    assert cell_len(canvas.line(0)) == 4


@given(st.text(max_size=40), st.integers(-5, 12), st.integers(1, 10))
def test_whatever_is_put_a_row_keeps_its_width(text: str, x: int, width: int) -> None:
    canvas = Canvas(width, 1)
    canvas.put(x, 0, clean(text))
    assert cell_len(canvas.line(0)) == width


@given(st.text(max_size=40), st.integers(0, 12))
def test_fitted_text_has_exactly_its_width(text: str, width: int) -> None:
    assert cell_len(fit(clean(text), width)) == width


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=60))
def test_cleaned_text_has_no_controls_and_nothing_without_width(text: str) -> None:
    for char in clean(text):
        assert char.isprintable() or char == "\u00a0" or char.isspace()
        assert cell_len(char) in (1, 2)


def test_escape_sequences_and_pictograms_do_not_reach_the_screen() -> None:
    assert clean("\x1b[2Jvan\u202e \U0001f697\ufe0f left\n2") == "[2Jvan ? left 2"


def test_wrapping_keeps_a_number_with_its_unit_and_marks_what_was_cut() -> None:
    assert wrap("gap 2.61\u00a0s, band 1.80 to 2.20\u00a0s.", 18, 2) == ["gap 2.61 s, band", "1.80 to 2.20 s."]
    assert wrap("one two three four", 9, 1) == ["one two …"]


def test_only_changed_rows_are_repainted_up_to_their_last_change() -> None:
    before, after = Canvas(10, 3), Canvas(10, 3)
    after.put(2, 1, "x")
    after.put(5, 1, "y")
    assert after.changed_rows(before) == [(1, 6)]
    assert after.changed_rows(after) == []
    assert after.changed_rows(None) == [(0, 10), (1, 10), (2, 10)]


def test_a_changed_role_alone_is_a_change() -> None:
    before, after = Canvas(5, 1), Canvas(5, 1)
    before.put(0, 0, "met", "good")
    after.put(0, 0, "met", "bad")
    assert after.changed_rows(before) == [(0, 3)]


def test_blanks_between_pieces_of_one_ground_cost_no_change_of_style() -> None:
    canvas = Canvas(9, 1)
    canvas.put(0, 0, "ab", "strong")
    canvas.put(4, 0, "cd", "strong")
    canvas.put(7, 0, " ", "bad")
    assert canvas.runs(0) == [("ab  cd ", "strong"), (" ", "bad"), (" ", "plain")]


@given(
    st.lists(st.tuples(st.integers(-2, 12), st.integers(0, 4), st.text("abc ", max_size=6), st.sampled_from("pq"))),
    st.lists(st.tuples(st.integers(-2, 12), st.integers(0, 4), st.text("abc ", max_size=6), st.sampled_from("pq"))),
)
def test_repainting_the_changed_rows_gives_the_new_picture(
    first: list[tuple[int, int, str, str]], second: list[tuple[int, int, str, str]]
) -> None:
    before, after = Canvas(10, 4), Canvas(10, 4)
    for canvas, pieces in ((before, first), (after, second)):
        for x, y, text, role in pieces:
            canvas.put(x, y, text, role)
    for y, end in after.changed_rows(before):
        before.chars[y][:end] = after.chars[y][:end]
        before.roles[y][:end] = after.roles[y][:end]
    assert (before.chars, before.roles) == (after.chars, after.roles)


def test_a_solid_block_is_seen_in_sixteen_colours_and_without_any() -> None:
    for palette in (PALETTES["sixteen"], WITHOUT_COLOUR):
        assert not palette.style("bad-block").reverse  # a full block reversed is the ground
        assert palette.style("bad").reverse
        assert palette.style("good-block") == palette.style("good")
    assert all(style.color is None for style in WITHOUT_COLOUR.styles.values())
    assert PALETTES["dark"].style("bad-block") == PALETTES["dark"].style("bad")
