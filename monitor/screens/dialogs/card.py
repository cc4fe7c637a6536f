"""The trial card: everything about one trial on one sheet."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import chain, repeat

from rich.cells import cell_len

from monitor.following.source_words import evidence_words
from monitor.following.view import ResponseTraces
from monitor.following.words import NO_ALERT, clock, trial_time, verdict_word, with_unit
from monitor.judging.case.trial import ConditionResult, Response, Trial
from monitor.screens.dialogs.response_plot import response_rows
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import Canvas, clean, wrap
from monitor.screens.drawing.marks import OPEN, SEVERITY_MARKS, SEVERITY_TONES, VERDICT_MARKS, VERDICT_TONES
from monitor.screens.panels.outlook import conditions_as_rows, draw_condition

NAIVE_WORDS = {"yes": "naive", "no": "not naive", "unknown": "naive not known, counts as spent"}

BESIDE_FROM = 140
"""Columns from which the plot stands beside the words."""
FEWEST_ROWS = 15
"""Of three plots with three rows each, title, axis and legend."""
BELOW_PLOT_ROWS, BESIDE_PLOT_ROWS = 6, 9

MOST_ROWS = 24
"""Of one paragraph: the card scrolls, and what is cut is not there."""
UNITS = re.compile(r"(\d) (m/s²|m/s|rad/s|ms|m|s|Hz)(?![\w/])")
"""A number is not parted from its unit at the end of a row."""


class CardSheet(Sheet[str]):
    """Follows its trial as it goes on; gives "rule" or "reveal" where that key was pressed, else None."""

    least_rows = 20
    takes_notes = True

    def __init__(
        self,
        trials: Callable[[], tuple[Trial, ...]],
        traces: Callable[[], tuple[ResponseTraces, ...]] = tuple,
        *,
        may_rule: bool,
        may_reveal: bool,
    ) -> None:
        super().__init__()
        self._trials = trials
        self._traces = traces
        self._may_rule = may_rule
        self._may_reveal = may_reveal
        self._last = trials()
        self.at = len(self._last) - 1

    @property
    def trial(self) -> Trial:
        """The trial on the card, as it is now, or as it was where a replay has gone back to before it."""
        self._last = self._trials() or self._last
        self.at = max(0, min(self.at, len(self._last) - 1))
        return self._last[self.at]

    @property
    def traces(self) -> ResponseTraces | None:
        """The response's traces, where there are any and they may be shown."""
        trial = self.trial
        if trial.response_hidden:
            return None
        return next((one for one in self._traces() if one.trial == trial.id), None)

    @property
    def heading(self) -> str:
        """Trial, time, verdict."""
        trial = self.trial
        count = len(self._last)
        more = f"   ← → trial {self.at + 1} of {count}" if count > 1 else ""
        mark = OPEN if verdict_word(trial) == "FIRED" else VERDICT_MARKS[trial.effective]
        return f"TRIAL {clean(trial.id)}   {trial_time(trial)}   {mark} {verdict_word(trial)}{more}"

    @property
    def foot(self) -> str:
        """The keys that do something here."""
        keys = "r rule   " if self._may_rule else ""
        if self._may_reveal and self.trial.response_hidden:
            keys += "x reveal   "
        if self._goes_to_plot:
            keys += "g plots   "
        return keys + "Esc closes"

    @property
    def _goes_to_plot(self) -> bool:
        """Whether there is a plot below the words, for which the sheet may have to be scrolled."""
        return self.traces is not None and self.size.width - 4 < BESIDE_FROM

    def press(self, key: str, character: str | None) -> bool:
        """Rule, reveal, and the other trials."""
        if character == "r" and self._may_rule:
            self.dismiss("rule")
        elif character == "x" and self._may_reveal and self.trial.response_hidden:
            self.dismiss("reveal")
        elif character == "g" and self._goes_to_plot:
            text = len(card_rows(self.trial, self.size.width - 4))
            self.scrolled = 0 if self.scrolled else text
            self.redraw()
        elif key in ("left", "right"):
            self.at = (self.at + (1 if key == "right" else -1)) % len(self._last)
            self.scrolled = 0
            self.redraw()
        else:
            return False
        return True

    def rows(self, width: int) -> list[Row]:
        """The card of the trial, the plot of the response below it, or beside it where there is room for both."""
        trial, traces = self.trial, self.traces
        if traces is None:
            return card_rows(trial, width)
        if width < BESIDE_FROM:
            text = card_rows(trial, width)
            return text + response_rows(trial, traces, width, self._plot_rows(len(text)))
        left = width // 2 - 2
        high = min(BESIDE_PLOT_ROWS, (self._region.height - 8) // 3)
        return _beside(card_rows(trial, left), left + 4, response_rows(trial, traces, width - left - 4, high))

    def _plot_rows(self, text_rows: int) -> int:
        """Rows of each plot: those that are left below the text, or a screen of its own."""
        room = self._region.height - 2
        left = room - text_rows if room - text_rows >= FEWEST_ROWS else room
        return max(2, min(BELOW_PLOT_ROWS, (left - 6) // 3))


def card_rows(trial: Trial, width: int) -> list[Row]:
    """What now first, then conditions, timing, alert, findings, response, ruling."""
    rows: list[Row] = []
    rows += _paragraph("what now   ", trial.what_now or "nothing yet", width, "strong")
    if trial.ruling:
        ruling = trial.ruling
        text = f"{ruling.verdict}, {ruling.reason or 'confirmed'}, by {ruling.by} {ruling.words}".strip()
        rows += _paragraph("ruling     ", f"{text} (computed: {trial.verdict})", width, VERDICT_TONES[ruling.verdict])
    rows += [_condition(one, width) for one in trial.conditions]
    rows += _paragraph("timing     ", _timing(trial), width, "plain")
    rows += _paragraph("alert      ", _alert(trial), width, "plain")
    exposure = NAIVE_WORDS[trial.naive] if trial.surprises else "surprises nobody"
    rows += _paragraph("exposure   ", f"{exposure}, stage {trial.stage}", width, "plain")
    if trial.sources:
        rows += _paragraph("clocks     ", clean(evidence_words(trial.sources)), width, "plain")
    for finding in trial.findings:
        tone = SEVERITY_TONES[finding.severity]
        head = f"{SEVERITY_MARKS[finding.severity]} {finding.severity:<8} "
        at = "" if finding.at is None else f" ({clock(finding.at)})"
        rows += _paragraph(head, f"{finding.sentence} [{finding.code}]{at}", width, "plain", head_role=tone)
    rows += _response(trial, width)
    checked = [one for one in trial.conditions if one.evidence is not None]
    for one, head in zip(checked, chain(["checked    "], repeat(" " * 11)), strict=False):
        by = "by " if one.evidence and one.evidence.by else ""
        rows += _paragraph(head, f"{one.name}: {by}{one.checked_words}", width, "plain")
    return rows


def _beside(left: list[Row], column: int, right: list[Row]) -> list[Row]:
    """Two lists of rows side by side, the right one from `column` on."""
    rows: list[Row] = []
    for y in range(max(len(left), len(right))):
        row = left[y] if y < len(left) else []
        blank = " " * max(0, column - sum(cell_len(text) for text, _ in row))
        rows.append([*row, (blank, "plain"), *(right[y] if y < len(right) else [])])
    return rows


def _paragraph(head: str, text: str, width: int, role: str, *, head_role: str = "dim") -> list[Row]:
    kept_together = UNITS.sub("\\1\u00a0\\2", clean(text))
    lines = wrap(kept_together, max(10, width - len(head)), MOST_ROWS)
    return [[(head if not y else " " * len(head), head_role), (line, role)] for y, line in enumerate(lines)]


def _condition(condition: ConditionResult, width: int) -> Row:
    canvas = Canvas(width, 1)
    (row,) = conditions_as_rows((condition,))
    draw_condition(canvas, 0, row, x=-1)
    return canvas.runs(0)


def _timing(trial: Trial) -> str:
    timing = trial.timing
    parts = [f"fired {timing.result}" if trial.fired_at is not None else timing.result]
    if trial.told_expected_at is not None:
        parts.append(f"expected {clock(trial.told_expected_at)}")
    if timing.delay_s is not None:
        frames = "" if timing.delay_frames is None else f" = {timing.delay_frames:.1f} frames"
        parts.append(f"delay {timing.delay_s:.3f} s{frames}")
    return ", ".join(parts)


def _alert(trial: Trial) -> str:
    alert = trial.alert
    if alert.result == NO_ALERT:
        return "none: the study gives no alert at this trigger"
    expected = "group not known" if alert.expected is None else ", ".join(alert.expected) or "none"
    given = ", ".join(alert.given) or "none"
    at = "" if alert.at is None else f" at {clock(alert.at)}"
    how = f", {alert.evidence}" if alert.evidence else ""
    return f"{alert.result}: expected {expected}, given {given}{at}{how}"


def _response(trial: Trial, width: int) -> list[Row]:
    if trial.response_hidden:
        return [[("response   ", "dim"), ("masked until the ruling", "strong")]]
    if trial.response is None:
        return [[("response   ", "dim"), ("none yet", "plain")]]
    return _paragraph("response   ", response_text(trial.response), width, "plain")


def sign_words(response: Response) -> list[str]:
    """What became of the signs that the study names, and how the car was kept after them."""
    words = []
    for name, state in response.sign_states.items():
        at = response.signs[name]
        words.append(f"{name} {state if at is None else with_unit(at, 's')}")
    if response.max_lateral_deviation_m is not None:
        words.append(f"greatest lateral deviation {with_unit(response.max_lateral_deviation_m, 'm')}")
    if response.min_ttc_bodies_s is not None:
        words.append(f"least time until the bodies touch {with_unit(response.min_ttc_bodies_s, 's')}")
    if response.time_to_stable_s is not None:
        words.append(f"stable after {with_unit(response.time_to_stable_s, 's')}")
    return words


def response_text(response: Response) -> str:
    """The response in one sentence; figures that are not there are left out."""
    parts = [response.outcome]
    if response.first is not None and response.first_s is not None:
        parts.append(f"first {response.first} {response.first_s:.2f} s after {response.origin}")
    if response.censored_at_s is not None:
        parts.append(f"censored at {response.censored_at_s:.2f} s")
    figures = (
        ("accelerator released", response.accelerator_release_s, "s"),
        ("brake", response.brake_onset_s, "s"),
        ("steering", response.steering_onset_s, "s"),
        ("least TTC", response.min_ttc_s, "s"),
        ("least gap", response.min_gap_m, "m"),
        ("hardest braking", response.max_decel_mps2, "m/s²"),
    )
    parts += [f"{name} {with_unit(value, unit)}" for name, value, unit in figures if value is not None]
    parts += [one for one in sign_words(response) if one not in parts]  # a sign may be one of the figures
    return ", ".join(parts) + "."
