"""What has been: the trials so far and the last notes."""

from __future__ import annotations

from monitor.following.words import NO_BREAK, clock, trial_time, verdict_sentences, verdict_word
from monitor.judging.case.trial import Note, Trial
from monitor.screens.drawing.canvas import Canvas, clean, fit
from monitor.screens.drawing.marks import VERDICT_MARKS, VERDICT_TONES
from monitor.screens.drawing.picture import Picture

REASONS_FROM = 60
"""Cells from which on each trial has a line with its reason …"""
LEAST_NOTES = 4
"""… where that leaves so many notes."""


def draw_side(picture: Picture, width: int, height: int) -> Canvas:
    """Trials above (newest first), notes below (newest first); the title says how many there are."""
    canvas = Canvas(width, height)
    trials = trials_shown(picture.view.trials)
    notes = picture.view.notes
    _title(canvas, 0, f"TRIALS {len(trials)}")
    rows = trial_rows(picture.view.trials, len(notes), width, height)
    for y, (trial, reason) in enumerate(rows, start=1):
        if reason:
            canvas.put(11, y, fit(reason.replace(NO_BREAK, " "), width - 12), "dim")
        else:
            draw_trial_row(canvas, y, trial)
    y = 1 + len(rows)
    if not trials:
        canvas.put(1, 1, "after the debrief" if picture.view.day.hides_trials else "none yet", "dim")
        y += 1
    if y >= height:
        return canvas
    _title(canvas, y, f"NOTES {len(notes)}")
    if not notes and y + 1 < height:
        canvas.put(1, y + 1, "none yet", "dim")
    for place, note in enumerate(reversed(notes)):
        if y + 1 + place >= height:
            break
        draw_note_row(canvas, y + 1 + place, note)
    return canvas


def _reason(trial: Trial) -> str:
    """Why a trial is not valid, or what a ruling made of it, in one line."""
    if trial.ruling is not None:
        ruling = trial.ruling
        return " ".join(one for one in (f"ruled by {ruling.by}:", ruling.reason, clean(ruling.words)) if one)
    return "" if verdict_word(trial) in ("VALID", "FIRED") else clean(verdict_sentences(trial)[0])


def trials_shown(trials: tuple[Trial, ...]) -> tuple[Trial, ...]:
    """Those that there is something to say of, the newest first; one that never fired and is lost is one of them."""
    return tuple(one for one in reversed(trials) if one.stage != "armed" or one.effective == "invalid")


def trial_rows(trials: tuple[Trial, ...], notes: int, width: int, height: int) -> list[tuple[Trial, str]]:
    """The rows below the first title that trials take: each trial, and where there is room its reason below it. The
    rest is for notes."""
    shown = trials_shown(trials)
    room = height - 2
    most = min(max(1, room - min(2, max(1, notes))), max(1, room * 2 // 3))
    shown = shown[:most]
    more = min(most, room - min(notes, LEAST_NOTES)) - len(shown) if width >= REASONS_FROM else 0
    rows: list[tuple[Trial, str]] = []
    for trial in shown:
        rows.append((trial, ""))
        reason = _reason(trial) if more > 0 else ""
        if reason:
            rows.append((trial, reason))
            more -= 1
    return rows


def _title(canvas: Canvas, y: int, text: str) -> None:
    canvas.fill(0, y, canvas.width, "title")
    canvas.put(1, y, text, "title")


def draw_trial_row(canvas: Canvas, y: int, trial: Trial) -> None:
    """Mark, word, trigger, time, and whether the operator has ruled."""
    word = verdict_word(trial)
    tone = "wait" if word == "FIRED" else VERDICT_TONES[trial.effective]
    mark = "┊" if word == "FIRED" else VERDICT_MARKS[trial.effective]
    x = canvas.put(1, y, f"{mark} {word.lower():<9}", tone) + 1
    ruled = " ruled" if trial.ruling else ""
    tail = f"{trial_time(trial)}{ruled}"
    room = canvas.width - x - len(tail) - 2
    if room >= 4:
        canvas.put(x, y, fit(clean(trial.trigger), room), "plain")
    canvas.put_right(canvas.width - 1, y, tail, "dim")


def draw_note_row(canvas: Canvas, y: int, note: Note) -> None:
    """Time, who, words."""
    x = canvas.put(1, y, f"{clock(note.at):>8}", "dim") + 1
    who = clean(note.by)
    if who and canvas.width >= 40:
        x = canvas.put(x, y, fit(who, min(8, len(who))), "dim") + 1
    if note.retracted is not None:
        x = canvas.put(x, y, "taken back: ", "dim")
    canvas.put(x, y, fit(clean(note.text), canvas.width - x - 1), "plain" if note.retracted is None else "dim")
