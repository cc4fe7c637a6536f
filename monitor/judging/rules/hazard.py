"""The scripted hazard in the telemetry: when it began, whether it was there at all, and its level, ramp and hold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import ConditionResult, Finding
from monitor.judging.case.values import (
    IN,
    MISSING,
    MOST_UNSEEN_S,
    held_rows,
    pair_values,
    role_channel,
    stand_in_band,
    values_on,
)
from monitor.judging.evidence.smoothing import smoothed
from monitor.measures.columns import FloatArray, IntArray
from monitor.study.rules import HazardRule
from monitor.study.terms import Looked

BEFORE_FIRE_S = 0.5
"""The hazard is looked for from this long before the fire: a marker may come some frames after what it tells of."""

BY_SPEED_S = 0.5
"""The vehicle's speed tells its braking over this long …"""
BY_SPEED_SHARE = 0.5
"""… and where it tells less than this share of the level that its acceleration reaches, they contradict each other."""

BEGINS_MPS2 = 0.25
"""Below this deceleration the vehicle does not brake yet: coasting is stronger (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class HazardSeen:
    """What the telemetry shows of the hazard. `peak_mps2`: greatest deceleration; None where it was never measured."""

    onset_t: float | None
    peak_mps2: float | None
    whole: bool
    """Whether all of the time in which it may come was seen."""
    by_speed_mps2: float | None = None
    """The greatest deceleration by the vehicle's speed, over half a second; None where that was never measured."""
    by_speed_t: float | None = None
    """When it had reached the rule's level."""
    unsure: str = ""
    """Of a hazard that is no braking: why it cannot be told whether it came, or when it began."""

    def is_weak(self, rule: HazardRule) -> bool:
        """Something was there, less than marks the onset: at least half of it."""
        return self.onset_t is None and self.peak_mps2 is not None and self.peak_mps2 >= 0.5 * rule.decel_at_least_mps2


def look_for_hazard(case: Case) -> HazardSeen:
    """The hazard as far as it has been seen: its onset is where the role's deceleration reaches the rule's level."""
    rule, stretch = case.trigger.hazard, case.stretch
    if rule is None or stretch is None:
        return HazardSeen(None, None, False)
    if rule.onset is not None:
        return _look_for_onset(case, rule, rule.onset)
    t, decel = _braking(case, rule)
    whole = not stretch.missing(case.fired_at, case.fired_at + rule.within_s) and not bool(np.isnan(decel).any())
    reached = decel >= rule.decel_at_least_mps2
    slowed = _slowed(case, rule)
    by_speed = slowed >= rule.decel_at_least_mps2
    return HazardSeen(
        onset_t=float(t[reached.argmax()]) if reached.any() else None,
        peak_mps2=_greatest(decel),
        whole=whole,
        by_speed_mps2=_greatest(slowed),
        by_speed_t=float(t[by_speed.argmax()]) if by_speed.any() else None,
    )


def _greatest(values: FloatArray) -> float | None:
    """The greatest of the values that are numbers; None where none is."""
    greatest = float(np.fmax.reduce(values, initial=-np.inf))
    return None if greatest == -np.inf else greatest


def _slowed(case: Case, rule: HazardRule) -> FloatArray:
    """Deceleration of the hazard's vehicle by its speed, over the half second before each of `_braking`'s frames."""
    stretch = case.stretch
    assert stretch is not None
    role = case.study.roles.get(rule.role or case.trigger.role)
    span = stretch.window(case.fired_at - BEFORE_FIRE_S, case.fired_at + rule.within_s)
    return slowed_in(stretch, held_rows(stretch, role, case.held_id))[span]


def slowed_in(stretch: Stretch, rows: IntArray) -> FloatArray:
    """Deceleration by the speed of the vehicle in each frame's row, over the half second before the frame."""
    speed = role_channel(stretch.frames, "speed", rows).value
    first = stretch.t.searchsorted(stretch.t - BY_SPEED_S - 1e-9, side="left")
    seconds = stretch.t - stretch.t[first]
    enough = seconds >= BY_SPEED_S - 1.5 * stretch.spacing_s
    slowed = np.where(enough & (seconds > 0.0), (speed[first] - speed) / np.where(seconds > 0.0, seconds, 1.0), np.nan)
    return np.asarray(slowed)


def _look_for_onset(case: Case, rule: HazardRule, onset: Looked) -> HazardSeen:
    """A hazard that is no braking: the first frame in which its measure lies in the band."""
    stretch = case.stretch
    assert stretch is not None
    span = stretch.window(case.fired_at - BEFORE_FIRE_S, case.fired_at + rule.within_s)
    measured = values_on(stretch, onset.measure, case.cast.rows_in(stretch), span)
    inside = stand_in_band(stretch.t, measured, onset.band, onset.measure).inside[span]
    there = np.flatnonzero(inside == IN)
    seen = not stretch.missing(case.fired_at, case.fired_at + rule.within_s)
    return HazardSeen(
        onset_t=float(stretch.t[span][there[0]]) if len(there) else None,
        peak_mps2=None,
        whole=seen and len(inside) > 0 and not bool((inside == MISSING).any()),
        unsure=_unsure_of(onset, stretch.t[span], inside),
    )


def _unsure_of(onset: Looked, t: FloatArray, inside: npt.NDArray[np.int8]) -> str:
    """What of a hazard's measure was not seen, so that its onset is not known to `MOST_UNSEEN_S`; empty for nothing."""
    there = np.flatnonzero(inside == IN)
    until = int(there[0]) if len(there) else len(inside)
    unseen = np.flatnonzero(inside[:until] == MISSING)
    if until == 0 and len(there):
        words = onset.band.words(onset.measure.unit)
        return f"{onset.measure.text} was {words} before the fire already: when the hazard began cannot be told."
    if len(unseen) == 0 or (len(there) and len(unseen) * float(np.median(np.diff(t))) <= MOST_UNSEEN_S + 1e-9):
        return ""
    what = "when the hazard began" if len(there) else "whether the hazard came"
    return f"{onset.measure.text} had no value at {t[unseen[0]]:.2f} s: {what} cannot be told."


def judge_hazard(case: Case, seen: HazardSeen, conditions: tuple[ConditionResult, ...]) -> list[Finding]:
    """A hazard that did not come, or not as the study asks for; a weak one only where no condition says so already."""
    rule = case.trigger.hazard
    if rule is None:
        return []
    contradicted = _contradicted(case, rule, seen)
    if contradicted is not None:
        return [contradicted]
    if seen.unsure and case.passed(rule.within_s):
        return [case.finding("hazard-unsure", seen.unsure, case.fired_at)]
    if seen.onset_t is not None:
        return _profile(case, rule, seen.onset_t) if rule.onset is None else []
    if rule.onset is not None:
        return _missing_onset(case, rule, rule.onset) if seen.whole and case.passed(rule.within_s) else []
    if not seen.whole or seen.peak_mps2 is None or not case.passed(rule.within_s):
        return []
    told = f"{rule.role or case.trigger.role}.accel"
    if seen.is_weak(rule) and any(one.measure == told and one.result == "not met" for one in conditions):
        return []
    code = "hazard-weak" if seen.is_weak(rule) else "hazard-missing"
    sentence = (
        f"{_who(case, rule)} braked with {max(seen.peak_mps2, 0.0):.2f} m/s² at most in the {rule.within_s:.1f} s "
        f"after the fire; the hazard begins at {rule.decel_at_least_mps2:.2f} m/s²."
    )
    return [case.finding(code, sentence, case.fired_at)]


def _missing_onset(case: Case, rule: HazardRule, onset: Looked) -> list[Finding]:
    sentence = (
        f"{onset.measure.text} was never {onset.band.words(onset.measure.unit)} in the {rule.within_s:.1f} s after the "
        f"fire at {case.fired_at:.2f} s: the hazard did not come."
    )
    return [case.finding("hazard-missing", sentence, case.fired_at)]


def _contradicted(case: Case, rule: HazardRule, seen: HazardSeen) -> Finding | None:
    """The vehicle's acceleration shows the hazard and its speed does not, or the other way round."""
    if not seen.whole or seen.by_speed_mps2 is None or not case.passed(rule.within_s):
        return None
    level = rule.decel_at_least_mps2
    at = seen.onset_t if seen.onset_t is not None else seen.by_speed_t
    shows = seen.onset_t is not None and seen.by_speed_mps2 < BY_SPEED_SHARE * level
    lacks = seen.onset_t is None and seen.by_speed_t is not None
    if not (shows or lacks) or _contact_t(case, rule) < case.fired_at + BY_SPEED_S:
        return None
    sentence = (
        f"{_who(case, rule)}'s accel and speed disagree: by its accel it braked with "
        f"{max(seen.peak_mps2 or 0.0, 0.0):.2f} m/s² at most after the fire, by its speed with "
        f"{max(seen.by_speed_mps2, 0.0):.2f} m/s²; the hazard begins at {level:.2f} m/s²."
    )
    return case.finding("channels-disagree", sentence, at)


def _profile(case: Case, rule: HazardRule, onset_t: float) -> list[Finding]:
    """Level, ramp, peak and hold. Where the channel is so noisy that the profile may have been as it should be, that is
    doubtful only."""
    t, decel = _braking(case, rule)
    found = _profile_of(case, rule, onset_t, _Course(t, decel, decel))
    if not found or case.stretch is None:
        return found
    smooth = smoothed(t, decel, case.now_t, case.stretch.spacing_s)
    if not smooth.off.any():
        return found
    begins = np.flatnonzero(smooth.value >= rule.decel_at_least_mps2)
    told = float(np.nanmax(smooth.off)) < rule.decel_at_least_mps2 and len(begins) > 0
    between = _Course(t, smooth.value - smooth.off, smooth.value + smooth.off)
    surely = told and _profile_of(case, rule, float(t[begins[0]]), between)
    if surely:
        return found
    noisy = f"its acceleration is so noisy (by up to {float(np.nanmax(smooth.off)):.1f} m/s²) that this may be noise."
    return [replace(one, severity="doubtful", sentence=f"{one.sentence[:-1]}; {noisy}") for one in found]


class _Course(NamedTuple):
    """Times, and what a deceleration was at least and at most, in m/s²; each of shape (n,)."""

    t: FloatArray
    least: FloatArray
    most: FloatArray


def _profile_of(case: Case, rule: HazardRule, onset_t: float, braking: _Course) -> list[Finding]:
    """What is wrong with a profile, whatever it was between its least and its most; counted from the begin of braking,
    and nothing is judged after a contact."""
    stretch = case.stretch
    if rule.level_mps2 is None or stretch is None:
        return []
    low, high = rule.level_mps2 - rule.level_tolerance_mps2, rule.level_mps2 + rule.level_tolerance_mps2
    band = f"band {low:.2f}–{high:.2f} m/s²"
    contact_t = _contact_t(case, rule)
    t, least, decel = (column[braking.t < contact_t] for column in braking)
    begin = int(np.flatnonzero(t == onset_t)[0]) if (t == onset_t).any() else -1
    if begin < 0:
        return []
    while begin > 0 and 0.5 * (least[begin] + decel[begin]) > BEGINS_MPS2:
        begin -= 1
    begin_t = float(t[begin])
    slack = 0.1 * stretch.period_s
    reach_by = begin_t + rule.reached_within_s
    inside = np.flatnonzero((decel >= low) & (t >= begin_t))
    reach_t = float(t[inside[0]]) if len(inside) else np.inf
    if reach_t > reach_by + slack:
        if np.isnan(decel[(t >= begin_t) & (t <= reach_by + slack)]).any():
            return []  # what was not measured fell short of nothing
        if case.now_t < reach_by or contact_t <= reach_by or stretch.missing(begin_t, reach_by):
            return []
        reached = float(np.nanmax(decel[(t >= begin_t) & (t <= reach_by + slack)]))
        sentence = (
            f"{_who(case, rule)} reached {reached:.2f} m/s² within {rule.reached_within_s:.2f} s from the begin of "
            f"braking at {begin_t:.2f} s, {band}."
        )
        return [case.finding("hazard-profile", sentence, begin_t)]
    findings = []
    hold = (t >= reach_t) & (t <= reach_t + rule.held_s + slack)
    if (decel[hold] < low).any():
        at = int(np.flatnonzero(hold & (decel < low))[0])
        sentence = (
            f"{_who(case, rule)}'s braking fell to {decel[at]:.2f} m/s² at {t[at]:.2f} s, {t[at] - reach_t:.2f} s "
            f"after it had reached its level; {band} is to be held for {rule.held_s:.2f} s."
        )
        findings.append(case.finding("hazard-profile", sentence, float(t[at])))
    judged = (t >= reach_t) & (t <= reach_t + rule.held_s + rule.settles_within_s)
    if (least[judged] > high).any():
        findings += _overshoot(case, rule, t[judged], least[judged], high)
    return findings


def _overshoot(case: Case, rule: HazardRule, t: FloatArray, decel: FloatArray, high: float) -> list[Finding]:
    """A first peak above the band: not too high for too long, and settled in time."""
    assert case.stretch is not None
    peak = int(np.nanargmax(decel))
    findings = []
    if rule.peak_at_most_mps2 is not None:
        above_s = int((decel > rule.peak_at_most_mps2).sum()) * case.stretch.period_s
        if above_s > rule.peak_lasts_s + 0.1 * case.stretch.period_s:
            sentence = (
                f"{_who(case, rule)}'s braking peaked at {decel[peak]:.2f} m/s² at {t[peak]:.2f} s, above "
                f"{rule.peak_at_most_mps2:.2f} m/s² for {above_s:.2f} s; at most {rule.peak_lasts_s:.2f} s is "
                "permitted."
            )
            findings.append(case.finding("hazard-profile", sentence, float(t[peak])))
    unsettled = (t > t[peak] + rule.settles_within_s) & (decel > high)
    if unsettled.any():
        at = int(np.flatnonzero(unsettled)[0])
        sentence = (
            f"{_who(case, rule)} still braked with {decel[at]:.2f} m/s² at {t[at]:.2f} s, {t[at] - t[peak]:.2f} s "
            f"after its peak; at most {high:.2f} m/s² is permitted from {rule.settles_within_s:.2f} s after it."
        )
        findings.append(case.finding("hazard-profile", sentence, float(t[at])))
    return findings


def _braking(case: Case, rule: HazardRule) -> tuple[FloatArray, FloatArray]:
    """Times and deceleration of the hazard's vehicle about the fire; NaN where it is not in the feed."""
    stretch = case.stretch
    assert stretch is not None
    role = case.study.roles.get(rule.role or case.trigger.role)
    span = stretch.window(case.fired_at - BEFORE_FIRE_S, case.fired_at + rule.within_s)
    accel = role_channel(stretch.frames, "accel", held_rows(stretch, role, case.held_id)).value
    return stretch.t[span], -accel[span]


def _contact_t(case: Case, rule: HazardRule) -> float:
    """When own car and the hazard's vehicle touched: from there on its motion is no script any more."""
    stretch = case.stretch
    assert stretch is not None
    told = [marker.t for marker in case.of_kind("collision") if marker.t >= case.fired_at]
    role = case.study.roles.get(rule.role or case.trigger.role)
    gap = pair_values(stretch, held_rows(stretch, role, case.held_id))["distance_gap"].value
    touched = stretch.t[(gap <= 0.0) & (stretch.t >= case.fired_at)]
    return min([*told, *touched[:1].tolist()], default=np.inf)


def _who(case: Case, rule: HazardRule) -> str:
    name = case.name_of(case.held_id) if (rule.role or case.trigger.role) == "lead" else rule.role
    return f"The {name}" if name else "The lead"
