"""The motion platform about a trial: at a limit of its travel, or not moving any more.

A limit reached after the fire comes of the driver's response as well, so there it is a note whatever the study says.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch, cut_signals
from monitor.judging.case.trial import Finding
from monitor.measures.columns import BoolArray, FloatArray
from monitor.measures.runs import longest_run
from monitor.study.model import Signal

STOPPED_S = 1.0
"""A platform that keeps every digit of its place for this long has stopped …"""
ALIVE_S = 0.5
"""… if it never did so for this long before: one that always stands still is switched off on purpose, or no platform
(common practice, no source)."""
LOOK_BACK_S = 60.0
"""How far before the fire the platform's moving is looked for."""


def judge_platform(case: Case) -> list[Finding]:
    """Findings about the signals that the study says come from the platform."""
    signals = [signal for signal in case.study.signals.values() if signal.source == "platform"]
    if not signals or case.stretch is None:
        return []
    span = case.stretch.window(case.start_t, case.end_t)
    limits = [finding for signal in signals for finding in _limit(case, case.stretch, span, signal)]
    return [*limits, *_stopped(case, signals)]


def _limit(case: Case, stretch: Stretch, span: slice, signal: Signal) -> list[Finding]:
    column = stretch.frames.signals.get(signal.name)
    if column is None:
        return []
    value = column[span]
    low = -np.inf if signal.lower_limit is None else signal.lower_limit
    high = np.inf if signal.upper_limit is None else signal.upper_limit
    at_limit = (value <= low) | (value >= high)
    if not at_limit.any():
        return []
    t, first = stretch.t[span], int(at_limit.argmax())
    after = t[first] > case.fired_at
    sentence = (
        f"{signal.name} stood at {value[first]:.2f} {signal.unit}".rstrip()
        + f" at {t[first]:.2f} s{', after the fire' if after else ''}; its limits are "
        + " and ".join(f"{one:g}" for one in (signal.lower_limit, signal.upper_limit) if one is not None)
        + "."
    )
    finding = case.finding("platform-limit", sentence, float(t[first]))
    return [replace(finding, severity="note") if after else finding]


def _stopped(case: Case, signals: list[Signal]) -> list[Finding]:
    t, columns = cut_signals(
        case.drive, [signal.name for signal in signals], case.fired_at - LOOK_BACK_S, case.end_t, case.number
    )
    known = [column for column in columns if np.isfinite(column).any()]
    if len(t) < 2 or not known:
        return []
    still = _still(known)
    run = longest_run(still)
    if run is None:
        return []
    begin, length = run
    from_t, until_t = float(t[begin]), float(t[begin + length])
    before = longest_run(still[:begin])
    period_s = case.drive.period_s
    was_alive = begin * period_s > 2.0 * ALIVE_S and (before is None or before[1] * period_s < ALIVE_S)
    stands_still = begin + length == len(still)  # at the newest frame: of a fire to come, it will still if nobody acts
    if until_t - from_t < STOPPED_S or not (until_t >= case.start_t or stands_still) or not was_alive:
        return []
    sentence = (
        f"The motion platform stopped at {from_t:.2f} s: none of its signals changed for {until_t - from_t:.1f} s."
    )
    return [case.finding("platform-stopped", sentence, from_t)]


def _still(columns: list[FloatArray]) -> BoolArray:
    """Per step: no column changed by a single digit."""
    still: BoolArray = columns[0][1:] == columns[0][:-1]
    for column in columns[1:]:
        still &= column[1:] == column[:-1]
    return still
