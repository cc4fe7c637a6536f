"""The plot of the response on the trial card: where its marks stand, and that a blind study does not show it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.following.words import verdict_sentences
from monitor.judging.case.trial import AlertResult, ConditionEvidence, Response
from monitor.screens.dialogs.card import card_rows
from monitor.screens.dialogs.response_plot import response_marks, response_rows
from monitor.screens.dialogs.sheet import Sheet
from monitor.screens.drawing.plot import GUTTER
from tests.screens import conftest as kit
from tests.screens.conftest import MakeApp, redraw, sheet

UNCHECKED = ConditionEvidence((), None, None, None)
WIDTH = 90  # 80 columns for 8 s: a tenth of a second each


def responded() -> Response:
    response = kit.trial().response
    assert response is not None
    return response


def lines(**more: object) -> list[str]:
    rows = response_rows(kit.trial(), kit.traces(**more), WIDTH, 4)
    return ["".join(text for text, _ in row) for row in rows]


def test_the_marks_stand_where_fire_alert_release_and_brake_were() -> None:
    letters = next(line for line in lines() if line.split() == ["T", "A", "R", "B"])
    # from 202.2 s: fire 204.2, alert 204.45, release 204.3 + 0.62, brake 204.3 + 0.86
    assert [letters.index(letter) - GUTTER for letter in "TARB"] == [20, 22, 27, 29]


def test_the_marks_are_told_in_seconds_after_the_fire() -> None:
    assert lines()[-1].split() == "T fire A alert +0.25 s R accelerator released +0.72 s B brake +0.96 s".split()
    nothing = replace(responded(), accelerator_release_s=None, brake_onset_s=None)
    assert [mark.kind for mark in response_marks(kit.trial(response=nothing))] == ["trigger", "alert"]


def test_the_lines_lie_where_the_numbers_are() -> None:
    text = lines()
    at = text.index(next(line for line in text if "gap, bumper" in line))
    # 45 m before the van brakes, some 30 m at the end, on a range of 30 to 46 m
    assert text[at + 1][GUTTER] != " "
    assert text[at + 4][WIDTH - 2] != " "
    assert text[at + 1][WIDTH - 2] == text[at + 4][GUTTER] == " "
    assert [text[at + 1].split()[0], text[at + 4].split()[0]] == ["46.0", "30.0"]


def test_a_driver_who_only_steers_has_the_wheel_drawn() -> None:
    answered = replace(responded(), brake_onset_s=None, accelerator_release_s=None, steering_onset_s=0.55)
    rows = response_rows(kit.trial(response=answered), kit.traces(), WIDTH, 4)
    text = "\n".join("".join(piece for piece, _ in row) for row in rows)
    assert "steering wheel, left positive" in text
    assert "gap, bumper" not in text
    assert "W steering +0.65 s" in " ".join(text.split())  # timed from 204.3 s, a tenth after the fire


def test_what_was_not_measured_is_a_word() -> None:
    nothing = np.full(len(kit.traces().t), np.nan)
    text = lines(gap=nothing)
    assert text[text.index(next(line for line in text if "gap, bumper" in line)) + 1].split() == ["not", "measured"]


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (200, 60)])
async def test_the_card_shows_the_whole_plot_at_every_size(make_app: MakeApp, size: tuple[int, int]) -> None:
    app = make_app(kit.FakeSource(kit.states()["valid"]))
    async with app.run_test(size=size) as pilot:
        await pilot.press("t")
        await pilot.pause()
        if "g plots" in sheet(app):
            await pilot.press("g")
        text = sheet(app)
        for piece in ("own speed, lead (dashed)", "gap, bumper to bumper", "accelerator, brake (dashed)", "B brake"):
            assert piece in text
        if "g plots" in text:
            await pilot.press("g")
            assert "what now" in sheet(app)


async def test_a_blind_study_shows_no_plot_until_it_is_revealed(make_app: MakeApp) -> None:
    blind = kit.trial(blind=True)
    source = kit.FakeSource(kit.after_fire(blind, masked=True, blind=True))
    app = make_app(source)
    async with app.run_test(size=(200, 60)) as pilot:
        await pilot.press("t")
        await pilot.pause()
        assert "masked until the ruling" in sheet(app)
        assert "accelerator" not in sheet(app)
        assert "p plot" not in sheet(app)
        source.shown = kit.after_fire(replace(blind, revealed=True), blind=True)
        app.watch_screen.tick()
        assert isinstance(app.screen, Sheet)
        redraw(app)
        assert "accelerator, brake (dashed)" in sheet(app)


def test_a_trigger_without_an_alert_says_so_kindly() -> None:
    trial = kit.trial(alert=AlertResult((), (), None, None, "not stated"))
    card = "\n".join("".join(text for text, _ in row) for row in card_rows(trial, 76))
    assert "none: the study gives no alert at this trigger" in card
    assert "not stated" not in card
    assert verdict_sentences(trial) == ["All 5 conditions met, fired on time."]


def test_a_card_says_by_what_each_value_was_checked_and_what_would_not_show() -> None:
    trial = kit.trial()
    first, second, *rest = trial.conditions
    by_speed = ConditionEvidence(("lead speed",), 1.55, -0.05, 0.08)
    shown = replace(trial, conditions=(replace(first, evidence=by_speed), replace(second, evidence=UNCHECKED), *rest))
    told = ["".join(text for text, _ in row) for row in card_rows(shown, 116)]
    assert f"checked    {first.name}: by lead speed; an error shows from 0.08 {first.unit}" in told
    assert f"           {second.name}: as published, nothing to check it by" in told


@pytest.mark.parametrize(
    ("evidence", "words"),
    [
        (ConditionEvidence(("station",), 2.4, 0.9, 0.08), "station: +0.9 s off; an error shows from 0.08 s"),
        (
            ConditionEvidence(("station",), 1.6, 0.1, None),
            "station: +0.1 s off; an error that was there all along would not show",
        ),
        (ConditionEvidence(("station",), None, None, None), "station"),  # a blind run: its numbers are hidden
        (None, ""),
    ],
)
def test_what_a_value_was_checked_by_in_words(evidence: ConditionEvidence | None, words: str) -> None:
    gap = next(one for one in kit.trial().conditions if one.unit == "s")
    assert replace(gap, evidence=evidence).checked_words == words
