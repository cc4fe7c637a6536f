"""The ladder: each condition of the coming trial as it stands, and what will be of it at the fire.

The pedals before the hazard are rungs like any other: what the study's rule on them forbids is a band.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.following.coming.foresight import FURTHER, TREND_S, Trend, trend_of
from monitor.following.coming.reach import Moving, least_seconds
from monitor.following.coming.view import Foreseen, OutlookRow
from monitor.judging.case.case import RUN_UP_S
from monitor.judging.case.conditions import RESULTS, condition_result, condition_standing, window_of
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.stretch import Stretch, cut_stretch
from monitor.judging.case.trial import ConditionResult
from monitor.judging.case.values import IN, MISSING, OUT, Cast, Standing, pair_values, values_on
from monitor.judging.rules.before import RESTS_AT_MOST
from monitor.judging.rules.signals import EYES
from monitor.measures.columns import FloatArray, IntArray
from monitor.measures.measured import State
from monitor.study.band import Band
from monitor.study.model import Study, Trigger
from monitor.study.rules import BeforeRule
from monitor.study.terms import AtFire, Condition, During, Looked, Measure

PERSISTS_S = 1.0
"""A condition that fails for less than this is no news: a driver wanders."""

NEAR_S = 3.0
"""From here on what a trend foresees is taken for sure, where nothing tells what a driver could still do."""

AT_ONCE_S = 1.0
"""What cannot be foreseen, such as where the driver looks, must hold from here on."""

BY_DRIVING = ("own", "pair", "lateral", "rolling")
"""Kinds of measure that own driving decides."""

BRAKE, ACCELERATOR = "brake pedal", "accelerator"
"""Names of the rungs for the pedals before the hazard."""


SIDES = {
    "time_gap": ("too long", "too short"),
    "time_headway": ("too long", "too short"),
    "distance_gap": ("too long", "too short"),
    "distance_headway": ("too long", "too short"),
    "ttc": ("too long", "too short"),
    "speed": ("too fast", "too slow"),
    "closing_speed": ("closing too fast", "closing too slowly"),
    "lane_offset": ("too far left", "too far right"),
}
"""What a value above and below its band is called."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of one moment: the frames up to it, the trigger, and the seconds to its fire (None: not known)."""

    stretch: Stretch
    study: Study
    trigger: Trigger
    seconds_left: float | None


def ladder_conditions(trigger: Trigger, study: Study, rest: float = 0.0) -> list[Condition]:
    """The conditions that look at the time until the fire, then the pedals before it, with the brake pedal's resting
    value. One that looks only at what comes after has no outlook."""
    looked_at = [
        one
        for one in trigger.conditions
        if isinstance(one.when, AtFire) or (isinstance(one.when, During) and one.when.start_s < 0.0)
    ]
    return looked_at + (_pedals(trigger.before, study, rest) if trigger.before is not None else [])


def _pedals(rule: BeforeRule, study: Study, rest: float) -> list[Condition]:
    """The rule on the pedals as conditions. That a pedal is not measured is no rung's to say, so it counts as met."""

    def decides(code: str) -> bool:
        return study.reasons[code].severity != "note"

    found = []
    window = (-rule.look_back_s, 0.0)
    if rule.brake_at_most is not None and rule.brake_at_most < 1.0:
        brake, required = Measure("own", "brake", None, ""), decides("braking-before-hazard")
        found.append(Condition(BRAKE, brake, Band(None, rule.brake_at_most + rest), During(*window), required, "met"))
    if rule.accelerator_at_least is not None:
        pedal, required = Measure("own", "accelerator", None, ""), decides("accelerator-released-before")
        once = During(*window, share=1e-3)  # only where it is below all through the look-back
        found.append(Condition(ACCELERATOR, pedal, Band(rule.accelerator_at_least, None), once, required, "met"))
    return found


def ladder_rows(
    log: DriveLog, study: Study, trigger: Trigger, number: int, seconds_left: float | None
) -> tuple[OutlookRow, ...]:
    """The rungs as of entry `number`."""
    conditions = ladder_conditions(trigger, study, resting_brake(log))
    back_s = [one.looks_back_s - window_of(one)[0] for one in conditions]
    now_t = float(log.newest_t)
    stretch = cut_stretch(log, now_t - max([TREND_S + PERSISTS_S, *back_s]), now_t, number)
    if stretch is None:
        return ()
    asked = Asked(stretch, study, trigger, seconds_left)
    return tuple(_row(one, asked) for one in conditions)


def resting_brake(log: DriveLog) -> float:
    """The brake pedal's resting value over the run-up, as judging takes it."""
    recent = [block.frames for block in log.blocks if block.frames.t[-1] >= log.newest_t - RUN_UP_S]
    brake = np.concatenate([frames.own["brake"] for frames in recent]) if recent else np.empty(0)
    known = brake[np.isfinite(brake)]
    return min(max(float(known.min()), 0.0), RESTS_AT_MOST) if len(known) else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Rung:
    """A condition at a moment: the alternative that it is looked at by, how the frames stand in its band, and the last
    seconds of its values with their times, each of shape (n,)."""

    condition: Condition
    looked: Looked
    standing: Standing
    t: FloatArray
    value: FloatArray

    def by_now(self, at: int = -1) -> bool | None:
        """Whether it holds at a frame; None where that cannot be told."""
        inside = self.standing.inside[at]
        return None if inside == MISSING else bool(inside == IN)


def _row(condition: Condition, asked: Asked) -> OutlookRow:
    stretch, seconds_left = asked.stretch, asked.seconds_left
    rows_of = Cast(asked.study.roles, asked.trigger.role, int(stretch.lead_id[-1])).rows_in(stretch)
    newest = slice(len(stretch.t) - 1, len(stretch.t))
    standing = condition_standing(condition, stretch, rows_of, newest)
    looked = condition.alternatives[0 if standing.which is None else int(standing.which[-1])]
    measure, band = looked.measure, looked.band
    recent = stretch.t >= stretch.t[-1] - TREND_S - PERSISTS_S - 1e-9
    first = int(np.argmax(recent))
    t, value = stretch.t[first:], values_on(stretch, measure, rows_of, newest).value[first:]
    trend = trend_of(measure, t, value)
    rung = _Rung(condition, looked, standing, t, value)
    by_now = rung.by_now()
    by_trend, then = _by_trend(rung, trend, by_now, seconds_left)
    for_good = _failed_already(condition, standing, seconds_left)
    least_s = least_seconds(
        measure, band, float(standing.value[-1]), _moving(stretch, rows_of(measure.role)), asked.trigger
    )
    start_s = window_of(condition)[0]
    lost_in_s = None if seconds_left is None or least_s is None else seconds_left + start_s - least_s
    shown = condition_result(condition, looked, RESULTS[int(standing.inside[-1])], standing.reading(-1))
    if for_good or _is_silent(rung):
        foreseen: Foreseen = "lost"
    elif _is_to_come(rung, asked) or _ripens(rung, seconds_left):
        foreseen = "to come"
    elif by_now is False and by_trend is not True and _is_out_of_reach(measure, lost_in_s, seconds_left):
        foreseen = "lost"
    else:
        foreseen = "fails" if by_now is not True or by_trend is False else "holds"
    return OutlookRow(
        condition=shown,
        trend=trend_sign(trend, band),
        words=row_words(shown, trend, band, then),
        foreseen=foreseen,
        why="" if foreseen == "holds" else failing_words(shown, then, by_trend=by_trend, for_good=for_good),
        persists=for_good
        or (by_now is False and seconds_left is not None and seconds_left <= NEAR_S)
        or _persists(rung, seconds_left),
        by_driving=measure.kind in BY_DRIVING,
        lost_in_s=None if lost_in_s is None else float(lost_in_s),
    )


def _is_to_come(rung: _Rung, asked: Asked) -> bool:
    """Whether it need not hold yet: before it settles, where the next moment may change it, or where the trigger's own
    rule looks at the same, so that it is out of its band until the fire is near."""
    if rung.by_now() is True:
        return False
    looked = rung.looked
    settles_s, seconds_left = rung.condition.settles_at_s, asked.seconds_left
    if settles_s is None and looked.measure.kind == "signal":
        settles_s = AT_ONCE_S
    if settles_s is None and looked.measure in _looked_at_by_rule(asked.trigger):
        settles_s = 0.0
    return settles_s is not None and (seconds_left is None or seconds_left > settles_s)


def _looked_at_by_rule(trigger: Trigger) -> set[Measure]:
    return {one.measure for term in trigger.fires_when for one in term.alternatives}


def _ripens(rung: _Rung, seconds_left: float | None) -> bool:
    """Whether nothing but time is wanting: a time since an event that grows into its band before the fire, as far as
    that is known."""
    looked, newest = rung.looked, float(rung.standing.value[-1])
    if looked.measure.kind != "event" or rung.by_now() is True:
        return False
    value = newest if np.isfinite(newest) else 0.0  # the event is yet to come
    wait_s = looked.band.next_edge(value, rising=True) - value
    growing = looked.band.beyond(value) < 0 and np.isfinite(wait_s)
    return growing and (seconds_left is None or wait_s <= seconds_left + window_of(rung.condition)[0])


def _is_silent(rung: _Rung) -> bool:
    """Whether nothing has been measured for a second: then the condition will be left open.

    Where the eyes were is the operator's to call where nothing measures them: that is no loss.
    """
    measure, standing = rung.looked.measure, rung.standing
    if measure.kind == "signal" and measure.name.startswith(EYES) and np.isnan(standing.value).all():
        return False
    recent = standing.t >= rung.t[-1] - PERSISTS_S
    missing = (standing.inside == MISSING) & (standing.state == int(State.NOT_MEASURED))
    return bool(missing[-1]) if measure.kind == "rolling" else bool(missing[recent].all())


def _is_out_of_reach(measure: Measure, lost_in_s: float | None, seconds_left: float | None) -> bool:
    """Whether no driving brings it in any more; where nothing tells that, whether the fire is near. What a signal says,
    such as where the eyes are, can be otherwise in the next moment."""
    if lost_in_s is not None:
        return lost_in_s < 0.0
    return measure.kind != "signal" and seconds_left is not None and seconds_left <= NEAR_S


def _by_trend(
    rung: _Rung, trend: Trend | None, by_now: bool | None, seconds_left: float | None
) -> tuple[bool | None, float | None]:
    """Whether it will hold by the line through its last seconds, and the value foreseen at the fire."""
    looked = rung.looked
    if trend is None or seconds_left is None or looked.measure.kind == "signal":
        return by_now, None
    start_s, end_s = window_of(rung.condition)
    if trend.is_known and seconds_left + start_s <= FURTHER * trend.reach_s:
        then = trend.after(seconds_left + min(end_s, 0.0))
        both = (then, trend.after(seconds_left + start_s))
        return all(looked.band.contains_one(value) for value in both), then
    if by_now is False and (not trend.is_known or trend_sign(trend, looked.band) > 0):
        return None, None  # too far off to tell, and coming in; or too early to tell
    return by_now, None


def _persists(rung: _Rung, seconds_left: float | None) -> bool:
    """Whether it failed, or was foreseen to fail, a second ago as well, and in every frame since where it is out."""
    measure, standing, t = rung.looked.measure, rung.standing, rung.t
    if measure.kind == "rolling":
        return True
    back = int(np.searchsorted(t, t[-1] - PERSISTS_S + 1e-6, side="right"))
    if back < 1:
        return False  # nothing is known of a second ago: too early to tell
    offset = len(standing.t) - len(t)
    then_left = None if seconds_left is None else seconds_left + PERSISTS_S
    before = rung.by_now(offset + back - 1)
    if rung.by_now() is not True and before is not True:
        since = standing.inside[offset + back - 1 :]
        return bool((since != IN).all())
    trend = trend_of(measure, t[:back], rung.value[:back])
    return before is not True or _by_trend(rung, trend, before, then_left)[0] is False


def _moving(stretch: Stretch, rows: IntArray) -> Moving:
    """Own car and the condition's vehicle in the last frame."""
    row = int(rows[-1])
    nothing = float("nan")
    if row < 0:
        return Moving(float(stretch.frames.own["speed"][-1]), nothing, nothing)
    other = float(stretch.frames.others.channels["speed"][row])
    gap = float(pair_values(stretch, rows)["distance_gap"].value[-1])
    return Moving(float(stretch.frames.own["speed"][-1]), other, gap)


def _failed_already(condition: Condition, standing: Standing, seconds_left: float | None) -> bool:
    """Whether the window has begun and has been out of the band for longer than it may: that cannot come right."""
    if seconds_left is None or not isinstance(condition.when, During) or condition.measure.kind == "rolling":
        return False
    start_s, end_s, share = condition.when.start_s, condition.when.end_s, condition.when.share
    begun_t = standing.t[-1] + seconds_left + start_s
    out = (standing.t >= begun_t) & (standing.inside == OUT)
    if share >= 1.0:
        return bool(out.any())
    out_s = float(np.sum(out[1:] * np.diff(standing.t)))
    return out_s > (1.0 - share) * (end_s - start_s)


def trend_sign(trend: Trend | None, band: Band) -> int:
    """+1 coming towards the middle of the band, or into it; −1 leaving it; 0 neither."""
    if trend is None or abs(trend.slope) < 1e-3:
        return 0
    low, high = band.at_least, band.at_most
    if band.outside is not None:
        return 1 if (trend.value - sum(band.outside) / 2.0) * trend.slope > 0.0 else -1
    if low is not None and high is not None:
        return 1 if ((low + high) / 2.0 - trend.value) * trend.slope > 0.0 else -1
    inward = trend.slope if low is not None else -trend.slope
    return 1 if inward > 0.0 else -1


def row_words(shown: ConditionResult, trend: Trend | None, band: Band, then: float | None) -> str:
    """What a row says beside its value: "0.69 s too long, coming in, 1.62 foreseen"."""
    if shown.value is None or trend is None:
        return shown.state or ""
    foreseen = f", {then:.2f} foreseen" if then is not None and abs(then - shown.value) >= 0.005 else ""
    if shown.result == "met":
        inside = f"{shown.margin:.2f} inside" if shown.margin is not None else "in"
        return inside + (f", leaving{foreseen}" if then is not None and not band.contains_one(then) else "")
    sides = ("too much", "too little")
    above, below = sides if band.outside is not None else SIDES.get(shown.measure, sides)
    side = above if band.beyond(shown.value) > 0 else below
    way = {1: ", coming in", -1: ", going out", 0: ""}[trend_sign(trend, band)]
    return f"{abs(shown.margin or 0.0):.2f} {shown.unit} {side}".replace("  ", " ") + way + foreseen


def failing_words(shown: ConditionResult, then: float | None, *, by_trend: bool | None, for_good: bool) -> str:
    """What is wrong with a condition: "time gap will be 2.6 s, band 1.3–1.9 s"."""
    band = shown.band.words(shown.unit)
    if for_good:
        return f"{shown.name} has been out of its band, {band}"
    if shown.value is None:
        return f"{shown.name}: {shown.state}, band {band}"
    if then is None or by_trend is not False:
        coming = f", {then:.2f} foreseen" if then is not None else ", coming in" if by_trend is None else ""
        return f"{shown.name} is {shown.value:.2f} {shown.unit}".rstrip() + f", band {band}{coming}"
    return f"{shown.name} will be {then:.2f} {shown.unit}".rstrip() + f", band {band}"
