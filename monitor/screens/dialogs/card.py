"""The trial card: everything about one trial on one sheet."""

from __future__ import annotations

from collections.abc import Callable

from monitor.judging.trial import ConditionResult, Response, Trial
from monitor.screens.canvas import Canvas, clean, wrap
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.marks import OPEN, SEVERITY_MARKS, SEVERITY_TONES, VERDICT_MARKS, VERDICT_TONES
from monitor.screens.outlook import conditions_as_rows, draw_condition
from monitor.screens.words import clock, trial_time, verdict_word, with_unit

NAIVE_WORDS = {"yes": "naive", "no": "not naive", "unknown": "naive not known, counts as spent"}


class CardSheet(Sheet[str]):
    """Follows its trial as it goes on; gives "rule" or "reveal" where that key was pressed, else None."""

    least_rows = 20

    def __init__(self, trials: Callable[[], tuple[Trial, ...]], *, may_rule: bool, may_reveal: bool) -> None:
        super().__init__()
        self._trials = trials
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
    def heading(self) -> str:  # type: ignore[override]
        """Trial, time, verdict."""
        trial = self.trial
        count = len(self._last)
        more = f"   ← → trial {self.at + 1} of {count}" if count > 1 else ""
        mark = OPEN if verdict_word(trial) == "FIRED" else VERDICT_MARKS[trial.effective]
        return f"TRIAL {clean(trial.id)}   {trial_time(trial)}   {mark} {verdict_word(trial)}{more}"

    @property
    def foot(self) -> str:  # type: ignore[override]
        """The keys that do something here."""
        keys = "r rule   " if self._may_rule else ""
        if self._may_reveal and self.trial.response_hidden:
            keys += "x reveal   "
        return keys + "Esc closes"

    def press(self, key: str, character: str | None) -> bool:
        """Rule, reveal, and the other trials."""
        if character == "r" and self._may_rule:
            self.dismiss("rule")
        elif character == "x" and self._may_reveal and self.trial.response_hidden:
            self.dismiss("reveal")
        elif key in ("left", "right"):
            self.at = (self.at + (1 if key == "right" else -1)) % len(self._last)
            self.scrolled = 0
            self.redraw()
        else:
            return False
        return True

    def rows(self, width: int) -> list[Row]:
        """The card of the trial."""
        return card_rows(self.trial, width)


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
    rows += _paragraph("exposure   ", f"{NAIVE_WORDS[trial.naive]}, stage {trial.stage}", width, "plain")
    for finding in trial.findings:
        tone = SEVERITY_TONES[finding.severity]
        head = f"{SEVERITY_MARKS[finding.severity]} {finding.severity:<8} "
        at = "" if finding.at is None else f" ({clock(finding.at)})"
        rows += _paragraph(head, f"{finding.sentence} [{finding.code}]{at}", width, "plain", head_role=tone)
    rows += _response(trial, width)
    return rows


def _paragraph(head: str, text: str, width: int, role: str, *, head_role: str = "dim") -> list[Row]:
    lines = wrap(clean(text), max(10, width - len(head)), 4)
    return [[(head if not y else " " * len(head), head_role), (line, role)] for y, line in enumerate(lines)]


def _condition(condition: ConditionResult, width: int) -> Row:
    canvas = Canvas(width, 1)
    (row,) = conditions_as_rows((condition,))
    draw_condition(canvas, 0, row, x=-1)
    return canvas.runs(0)


def _timing(trial: Trial) -> str:
    timing = trial.timing
    parts = [f"fired {timing.result}" if trial.fired_at is not None else timing.result]
    if timing.expected_at is not None:
        parts.append(f"expected {clock(timing.expected_at)}")
    if timing.delay_s is not None:
        frames = "" if timing.delay_frames is None else f" = {timing.delay_frames:.1f} frames"
        parts.append(f"delay {timing.delay_s:.3f} s{frames}")
    return ", ".join(parts)


def _alert(trial: Trial) -> str:
    alert = trial.alert
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
    return ", ".join(parts) + "."
