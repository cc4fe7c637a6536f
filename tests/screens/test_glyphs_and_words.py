"""Large characters, numbers, times and sentences as text."""

from __future__ import annotations

import pytest

from monitor.following.words import (
    band_text,
    clock,
    condition_sentence,
    minutes_text,
    value_text,
    verdict_sentences,
    verdict_word,
)
from monitor.judging.case.trial import Timing
from monitor.screens.dialogs.lists import HelpSheet
from monitor.screens.drawing.glyphs import large, large_width
from monitor.screens.keymap import keys_for
from monitor.study.band import Band
from tests.screens import conftest as kit

WORDS = ("READY", "HOLD", "LOSING", "FIRED", "LATER", "NO TRIGGER", "VALID", "INVALID", "UNDECIDED", "STOP", "STALE")
MORE_WORDS = (
    "NO RECORD",
    "RESTART",
    "WAITING",
    "NO FEED",
    "PAUSED",
    "PRACTICE",
    "LET IT RUN",
    "NOT YET",
    "NOT FIRED",
    "NOT MEASURED",
    "NO LEAD",
    "MASKED",
)


@pytest.mark.parametrize("word", WORDS + MORE_WORDS)
def test_every_large_word_has_all_its_letters(word: str) -> None:
    parts = [large_width(letter) for letter in word]
    assert large_width(word) == sum(parts) + len(word) - 1


@pytest.mark.parametrize("bold", [True, False])
def test_no_two_digits_look_alike(bold: bool) -> None:
    drawn = {large(digit, bold=bold) for digit in "0123456789"}
    assert len(drawn) == 10


def test_a_digit_is_three_rows_high_and_six_when_doubled() -> None:
    assert large("7", bold=True) == ("▀▀▀██", "  ██ ", " ██  ")
    assert len(large("7", bold=True, scale=2)) == 6
    assert {len(row) for row in large("2.61", bold=True)} == {large_width("2.61", bold=True)}


def test_the_minus_sign_of_the_texts_is_drawn_large_too() -> None:
    assert large("−1") == large("-1")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(None, "–:––"), (0.0, "0:00.0"), (192.4, "3:12.4"), (59.96, "0:59.9"), (3792.44, "1:03:12.4"), (-1.5, "−0:01.5")],
)
def test_times(seconds: float | None, text: str) -> None:
    assert clock(seconds) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (2.614, "s", "2.61"),
        (12.34, "s", "12.3"),
        (131.6, "s", "132"),
        (-0.001, "m", "0.00"),
        (-0.12, "m", "−0.12"),
        (22.34, "m/s", "22.3"),
        (1.0, "", "1"),
        (0.85, "", "0.85"),
    ],
)
def test_values(value: float, unit: str, text: str) -> None:
    assert value_text(value, unit) == text


def test_bands() -> None:
    assert band_text(Band(1.8, 2.2), "s") == "1.80 to 2.20 s"
    assert band_text(Band(4.0, None), "s") == "at least 4.00 s"
    assert band_text(Band(None, 0.5), "m") == "at most 0.50 m"
    assert band_text(Band(1.0, 1.0), "") == "exactly 1"


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(None, ""), (41.9, "41 min"), (412.0, "6 h 52 min"), (4000.0, "66 h"), (1.8e7, "over 99 h")],
)
def test_disk_time(minutes: float | None, text: str) -> None:
    assert minutes_text(minutes) == text


def test_a_condition_not_met_names_itself_its_value_its_band_and_by_how_much() -> None:
    sentence = condition_sentence(kit.conditions(2.61)[0]).replace("\u00a0", " ")
    assert sentence == "time gap 2.61 s, band 1.80 to 2.20 s: out by 0.41 s."


def test_a_condition_without_a_value_says_why() -> None:
    judged = kit.condition("TTC", None, 4.0, None, "s", "undecided", state="no lead")
    assert condition_sentence(judged).replace("\u00a0", " ") == "TTC no lead, band at least 4.00 s."


def test_valid_is_not_said_before_the_trial_is_final() -> None:
    assert verdict_word(kit.trial("valid", "fired")) == "FIRED"
    assert verdict_word(kit.trial("valid", "final")) == "VALID"
    assert verdict_word(kit.trial("invalid", "fired")) == "INVALID"


def test_a_ruling_speaks_for_the_trial() -> None:
    assert verdict_word(kit.ruled(kit.trial("valid"))) == "INVALID"


def test_a_trial_that_never_fired_says_so_first() -> None:
    missed = kit.trial("invalid", fired_at=None, timing=Timing(204.0, None, None, "missed"))
    assert verdict_sentences(missed)[0] == "Never fired: what fires it held and no marker came."


def test_the_undecided_verdict_names_what_could_not_be_judged() -> None:
    sentences = [one.replace("\u00a0", " ") for one in verdict_sentences(kit.trial("undecided"))]
    assert sentences[0] == "time gap not measured, band 1.80 to 2.20 s."
    assert "14 frames were lost" in sentences[1]


@pytest.mark.parametrize("replay", [False, True])
def test_what_a_key_does_can_be_read_whole_on_the_smallest_sheet(replay: bool) -> None:
    sheet = HelpSheet(read_only=False, replay=replay)
    text = "\n".join("".join(piece for piece, _ in row) for row in sheet.rows(74))
    for key in keys_for(read_only=False, replay=replay, every=True):
        assert key.help in text, "it is cut off"
