"""The next trigger before it fires: will its conditions hold, and how long is there to decide?

READY: every required condition that can be foreseen holds and is foreseen to hold at the fire. HOLD: one does not yet,
and there is time, or the time is not known. ABORT: one is foreseen not to hold and less than `DECIDE_S` are left.
The foresight is a straight line through the last two seconds; it advises, and decides no verdict.
"""

from __future__ import annotations

import numpy as np

from monitor.following.view import Heading, OutlookRow, OutlookView
from monitor.judging.conditions import window_of
from monitor.judging.firing import FireWatch
from monitor.judging.session import DriveTrials, Session
from monitor.judging.stretch import Stretch, cut_stretch
from monitor.judging.trial import ConditionResult, Result
from monitor.judging.values import IN, MISSING, OUT, Standing, held_rows, stand_in_band, values_on
from monitor.study.model import AtFire, Band, Condition, Study, Trigger, Within

DECIDE_S = 10.0
"""From here on a condition that is foreseen to fail means ABORT; before, there is time for it to come right."""

TREND_S = 2.0
"""The straight line of the foresight is laid through this much of the past."""


def look_out(session: Session, drive: DriveTrials) -> OutlookView | None:
    """The outlook on the drive's next trigger; None where no trigger is waited for or nothing is known yet."""
    log = drive.log
    if log.ended or not log.blocks:
        return None
    waiting = [
        (seconds, order, watch)
        for order, (name, watch) in enumerate(drive.watches.items())
        for track in drive.tracks.get(name, ())
        if track.marker is None
        for seconds in (seconds_to_fire(watch, drive),)
    ]
    if not waiting:
        return None
    seconds_left, _, watch = min(waiting, key=lambda one: (one[0] is None, one[0] or 0.0, one[1]))
    trigger = watch.trigger
    span_s = max([TREND_S, *(-window_of(condition)[0] for condition in trigger.conditions)])
    stretch = cut_stretch(log, log.newest_t - span_s, log.newest_t, session.last_number)
    if stretch is None:
        return None
    rows = [
        row
        for condition in trigger.conditions
        if (row := _row(condition, stretch, session.study, trigger, seconds_left)) is not None
    ]
    heading, why = _heading([row for _, row in rows], [foreseen for foreseen, _ in rows], seconds_left)
    return OutlookView(trigger.name, heading, seconds_left, why, tuple(row for _, row in rows))


def seconds_to_fire(watch: FireWatch, drive: DriveTrials) -> float | None:
    """Seconds until `fires_when` can hold, where it tells the place: its own `station` term and the speed now.

    None where the place is not told, the car stands, or the rule holds already.
    """
    frames = drive.log.blocks[-1].frames
    station, speed = float(frames.own["station"][-1]), float(frames.own["speed"][-1])
    places = [
        term.band.at_least + term.delay_s * speed
        for term in watch.trigger.fires_when
        if term.measure.kind == "own" and term.measure.name == "station" and term.band.at_least is not None
    ]
    if not places or not np.isfinite(station) or not speed > 0.1 or station >= max(places):
        return None
    return (max(places) - station) / speed


def _row(
    condition: Condition, stretch: Stretch, study: Study, trigger: Trigger, seconds_left: float | None
) -> tuple[bool | None, OutlookRow] | None:
    """A condition as it stands now, and whether it is foreseen to hold (None: it cannot be foreseen).

    A condition that looks only at what comes after the fire has no outlook.
    """
    if isinstance(condition.when, Within) or (
        window_of(condition)[0] >= 0.0 and not isinstance(condition.when, AtFire)
    ):
        return None
    role = study.roles.get(condition.measure.role or trigger.role)
    measured = values_on(stretch, condition.measure, held_rows(stretch, role, int(stretch.lead_id[-1])))
    standing = stand_in_band(stretch.t, measured, condition.band, condition.measure, condition.if_missing)
    inside = int(standing.inside[-1])
    result: Result = "met" if inside == IN else "not met" if inside == OUT else "undecided"
    state = standing.state_text(-1)
    value = None if state else float(standing.value[-1])
    margin = None if state or np.isnan(standing.margin[-1]) else float(standing.margin[-1])
    slope = _slope_per_s(standing)
    shown = ConditionResult(
        name=condition.name,
        measure=condition.measure.text,
        role=condition.measure.role,
        at_least=condition.band.at_least,
        at_most=condition.band.at_most,
        value=value,
        state=state,
        margin=margin,
        unit=condition.measure.unit,
        result=result,
        at_edge=result == "met" and margin is not None and margin < 0.0,
        required=condition.required,
    )
    trend = _trend(value, slope, condition.band)
    foreseen = _foreseen(condition, standing, slope, seconds_left)
    return foreseen, OutlookRow(shown, trend, _words(shown, value, slope, condition.band, seconds_left))


def _slope_per_s(standing: Standing) -> float:
    recent = standing.t >= standing.t[-1] - TREND_S
    t, value = standing.t[recent], standing.value[recent]
    known = np.isfinite(value)
    if known.sum() < 2 or t[known][-1] - t[known][0] < 0.5 * TREND_S:
        return 0.0
    return float(np.polyfit(t[known] - t[-1], value[known], 1)[0])


def _trend(value: float | None, slope: float, band: Band) -> int:
    """+1 coming towards the middle of the band, −1 leaving it, 0 neither (or a band open on one side, well inside)."""
    if value is None or abs(slope) < 1e-3:
        return 0
    low = band.at_least if band.at_least is not None else -np.inf
    high = band.at_most if band.at_most is not None else np.inf
    middle = (low + high) / 2.0 if np.isfinite(low) and np.isfinite(high) else (high if np.isinf(low) else low)
    return 1 if (middle - value) * slope > 0 else -1


def _foreseen(condition: Condition, standing: Standing, slope: float, seconds_left: float | None) -> bool | None:
    if condition.measure.kind == "signal" or seconds_left is None:
        return None if condition.measure.kind == "signal" else standing.inside[-1] == IN
    start_s, _ = window_of(condition)
    if seconds_left < -start_s:
        # the window has begun: what was outside in it is outside for good
        in_window = standing.t >= standing.t[-1] + seconds_left + start_s
        if (standing.inside[in_window] == OUT).any():
            return False
    if standing.inside[-1] == MISSING:
        return None
    value = float(standing.value[-1])
    if not np.isfinite(value):
        return bool(standing.inside[-1] == IN)
    band = condition.band
    then = value + slope * min(seconds_left, TREND_S * 2.0)
    low = -np.inf if band.at_least is None else band.at_least - band.tolerance
    high = np.inf if band.at_most is None else band.at_most + band.tolerance
    return bool(low <= then <= high)


def _words(shown: ConditionResult, value: float | None, slope: float, band: Band, seconds_left: float | None) -> str:
    if value is None:
        return shown.state or ""
    if shown.result == "met":
        return f"{shown.margin:.2f} inside" if shown.margin is not None else "in"
    off = abs(shown.margin or 0.0)
    side = "too much" if band.at_most is not None and value > band.at_most else "too little"
    way = {1: ", coming in", -1: ", going out", 0: ""}[_trend(value, slope, band)]
    if seconds_left is not None and abs(slope) > 1e-3:
        way += f", {value + slope * min(seconds_left, TREND_S * 2.0):.2f} foreseen"
    return f"{off:.2f} {side}{way}"


def _heading(rows: list[OutlookRow], foreseen: list[bool | None], seconds_left: float | None) -> tuple[Heading, str]:
    """The word over the ladder, and the sentence under it."""
    when = f", fires in {seconds_left:.0f} s" if seconds_left is not None else ""
    bad = [row for row, holds in zip(rows, foreseen, strict=True) if holds is False and row.condition.required]
    if bad:
        worst = bad[0].condition
        value = worst.state or f"{worst.value:.2f} {worst.unit}".strip()
        sentence = f"{worst.name} is {value}, band {band_text(worst)}{when}"
        return ("ABORT" if seconds_left is not None and seconds_left <= DECIDE_S else "HOLD"), sentence
    not_yet = [row for row in rows if row.condition.required and row.condition.result != "met"]
    close = seconds_left is not None and seconds_left <= 0.5
    foreseeable = [row for row in not_yet if foreseen[rows.index(row)] is not None]
    if foreseeable or (not_yet and close):
        first = (foreseeable or not_yet)[0].condition
        return "HOLD", f"{first.name} is not in its band yet{when}"
    waits = f"; waits for {not_yet[0].condition.name}" if not_yet else ""
    return "READY", f"every condition holds{waits}{when}" if not not_yet else f"all else holds{waits}{when}"


def band_text(condition: ConditionResult) -> str:
    """A band in words: "1.3–1.9 s", "at least 2 s", "at most 0.6 m"."""
    low, high, unit = condition.at_least, condition.at_most, condition.unit
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}".rstrip()
    if low is not None:
        return f"at least {low:g} {unit}".rstrip()
    return f"at most {high:g} {unit}".rstrip()
