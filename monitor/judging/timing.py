"""How a trigger's markers compare with its own rule: on time, late, early, missed, not reached, one too many.

A trigger that fires once is held against the first time its rule held. One that comes often is held against that time
of its rule to which the fire is the nearest one and which is the nearest one to it, within the grace time: so a fire
that is missed, or one too many, moves none of the others.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.judging.case.case import make_finding
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.trial import Finding, Timing, TimingResult
from monitor.judging.firing import Expected, FireWatch
from monitor.judging.occasion import Occasion

SLACK_FRAMES = 0.1
"""Rounding of frame times, in periods."""
JITTER_S = 0.01
"""Time stamps may jitter by some milliseconds: so much sooner than a frame before its rule is not early."""


def _nearest(times: Iterable[float], t: float) -> float | None:
    """The nearest of several times, the earlier one of two equally near; None where there is none."""
    return min(times, key=lambda one: (abs(one - t), one), default=None)


def _fire_near(watch: FireWatch, fires: Sequence[tuple[float, int]], t: float, number: int) -> float | None:
    """The fire (time and entry, by time) nearest to an instant within the grace time, as of an entry."""
    reach_s = watch.trigger.grace_s
    first = bisect_left(fires, t - reach_s, key=lambda fire: fire[0])
    stop = bisect_right(fires, t + reach_s, key=lambda fire: fire[0])
    return _nearest((at for at, known in fires[first:stop] if known <= number), t)


def _rule_near(watch: FireWatch, t: float, number: int) -> Expected | None:
    """The time of the rule nearest to an instant within the grace time, as of an entry."""
    reach_s, rules = watch.trigger.grace_s, watch.expected
    first = bisect_left(rules, t - reach_s, key=lambda rule: rule.t)
    stop = bisect_right(rules, t + reach_s, key=lambda rule: rule.t)
    known = [rule for rule in rules[first:stop] if rule.number <= number]
    return min(known, key=lambda rule: (abs(rule.t - t), rule.t), default=None)


def fire_of_rule(watch: FireWatch, fires: Sequence[tuple[float, int]], rule: Expected, number: int) -> float | None:
    """The fire that a time of the rule belongs to, as of an entry: each is the other's nearest; None for none."""
    fire = _fire_near(watch, fires, rule.t, number)
    return fire if fire is not None and _rule_near(watch, fire, number) is rule else None


def _rule_of_fire(watch: FireWatch, fired_at: float, number: int) -> Expected | None:
    """The time of the rule that a fire belongs to, as of an entry."""
    rule = _rule_near(watch, fired_at, number)
    if rule is None or _fire_near(watch, fires_of(watch, number), rule.t, number) != fired_at:
        return None
    return rule


@dataclass(frozen=True, slots=True)
class Asked:
    """What the newest frame and the marker say of a trial whose timing is asked."""

    fired_at: float | None
    wanted: int | None
    """How often the drive is expected to fire it; None: any number."""
    now_t: float
    seen: bool = True
    """Whether all frames about the fire are there."""
    settled: bool = True
    """Whether what a further source tells of the time about the fire can't come any more."""
    again: bool = False
    """Whether another marker has said before that it fired at this very instant."""


def judge_timing(occasion: Occasion, rule: Expected | None, asked: Asked) -> Timing:
    """The timing of one trial against the time of its rule that it belongs to; None where there is none.

    On time: not more than one frame before and at most `late_after_frames` after the first frame at which the rule
    holds (one frame of sampling and one network hop by default). A loss just before that frame widens the early side.
    """
    trigger, period_s, fired_at = occasion.trigger, occasion.drive.period_s, asked.fired_at
    if fired_at is None:
        if rule is not None and (occasion.over or asked.now_t > rule.t + trigger.grace_s + 2.0):
            return Timing(rule.t, None, None, "missed")
        if occasion.over and rule is None and trigger.fires_when:
            return Timing(None, None, None, "not reached")
        return Timing(rule.t if rule else None, None, None, "not stated")
    one_too_many = asked.again or (asked.wanted is not None and occasion.occurrence > asked.wanted > 0)
    if rule is None:
        if one_too_many:
            return Timing(None, None, None, "double")
        # the marker comes before the frame at which the rule holds: not early until frames past it have been seen
        told = bool(trigger.fires_when) and asked.seen and asked.settled
        return Timing(None, None, None, "early" if told else "not stated")
    delay_s = fired_at - rule.t
    frames = delay_s / period_s
    slack = SLACK_FRAMES * period_s
    earliest = rule.after_t if np.isfinite(rule.after_t) else rule.t
    result: TimingResult
    if one_too_many:
        result = "double"
    elif fired_at < min(earliest, rule.t - period_s) - max(slack, JITTER_S):
        result = "early"
    elif delay_s > max(trigger.late_after_frames * period_s, trigger.late_after_s) + slack:
        result = "late"
    else:
        result = "on time"
    return Timing(rule.t, delay_s, frames, result)


def judge_timing_surely(occasion: Occasion, asked: Asked) -> tuple[Timing, list[Finding]]:
    """The timing as of an entry. Where the rule looks at what a further source tells, it is stated only if it is the
    same whatever that told, and once that is settled; else a finding says so."""

    timing = judge_timing(occasion, _rule_of(occasion, asked), asked)
    if occasion.watch.hopeful is None:
        return _told(occasion, timing, asked)
    hopeful = replace(occasion, watch=occasion.watch.hopeful)
    other = judge_timing(hopeful, _rule_of(hopeful, asked), asked)
    if other.result == timing.result:
        return timing, []
    rule_t = timing.expected_at if timing.expected_at is not None else other.expected_at
    if not asked.settled:
        return Timing(rule_t, None, None, "not stated"), []
    about = "" if rule_t is None else f" about {rule_t:.2f} s"
    sentence = (
        f"Whether the rule of {occasion.trigger.name} held{about} is not known: it looks at a further source's signal."
    )
    return Timing(rule_t, None, None, "not stated"), [
        make_finding(occasion.study, "clock-unsure", sentence, asked.fired_at)
    ]


def _told(occasion: Occasion, timing: Timing, asked: Asked) -> tuple[Timing, list[Finding]]:
    """The timing, not stated where a term of the rule had no value just where that decides: at the fire for "early",
    just before the rule held for the others, at the end of a drive for "not reached"."""
    if timing.result in ("not stated", "double", "missed"):
        return timing, []
    watch, slack = occasion.watch, 2.0 * occasion.drive.period_s
    if asked.fired_at is None:
        about = (asked.now_t - slack, asked.now_t)
    elif timing.expected_at is None:
        about = (asked.fired_at - slack, asked.fired_at + slack)
    else:
        about = (min(asked.fired_at, timing.expected_at - slack), timing.expected_at)
    if not any(
        one.number <= occasion.number and one.from_t <= about[1] and one.to_t >= about[0] for one in watch.untold
    ):
        return timing, []
    terms = (*watch.trigger.armed_when, *watch.trigger.fires_when)
    names = ", ".join(dict.fromkeys(one.measure.text for term in terms for one in term.alternatives))
    when = "at the drive's end" if asked.fired_at is None else f"at {about[0]:.2f} s"
    sentence = f"Whether the rule of {watch.trigger.name} held cannot be told: {names} had no value {when}."
    at = asked.now_t if asked.fired_at is None else asked.fired_at
    return Timing(timing.expected_at, None, None, "not stated"), [
        make_finding(occasion.study, "timing-unsure", sentence, at)
    ]


def _rule_of(occasion: Occasion, asked: Asked) -> Expected | None:
    """The time of the rule that a trial belongs to."""
    watch, number = occasion.watch, occasion.number
    if not watch.trigger.comes_often:
        rules = [rule for rule in watch.expected if rule.number <= number]
        return rules[occasion.occurrence - 1] if occasion.occurrence <= len(rules) else None
    return None if asked.fired_at is None else _rule_of_fire(watch, asked.fired_at, number)


def fired_already(occasion: Occasion, marker: ReceivedMarker) -> bool:
    """Whether a marker that came before has said that the trigger fired at the same instant."""
    slack = SLACK_FRAMES * occasion.drive.period_s
    return any(
        one.kind == "trigger" and one.name == marker.name and abs(one.t - marker.t) <= slack
        for one in occasion.drive.markers.values()
        if (one.number, one.n) < (marker.number, marker.n)
    )


def fires_of(watch: FireWatch, number: int) -> list[tuple[float, int]]:
    """When the trigger's markers say that it fired, with the entry of each, as of an entry; by time."""
    if watch.log is None:
        return []
    return sorted(
        (marker.t, marker.number)
        for marker in watch.log.markers.values()
        if marker.kind == "trigger" and marker.name == watch.trigger.name and marker.number <= number
    )


def timing_findings(occasion: Occasion, timing: Timing, asked: Asked) -> list[Finding]:
    """What is wrong with when it fired."""
    trigger, end_t = occasion.trigger, occasion.drive.end_t
    name, expected_at, fired_at = trigger.name, timing.expected_at, asked.fired_at
    frames = f"{abs(timing.delay_frames):.1f} frames" if timing.delay_frames is not None else ""
    late_s = f"{abs(timing.delay_s):.2f} s" if timing.delay_s is not None else ""
    code, sentence, at = "", "", fired_at
    if timing.result == "early":
        code = "fired-early"
        sentence = f"{name} fired at {fired_at:.2f} s, before its own rule held."
        if expected_at is not None:
            sentence = f"{name} fired {late_s} ({frames}) before its own rule held, at {expected_at:.2f} s."
        elif trigger.comes_often:
            about = f"within {trigger.grace_s:g} s of it"
            sentence = f"{name} fired at {fired_at:.2f} s; its own rule did not begin to hold {about}."
    elif timing.result == "late":
        code = "fired-late"
        sentence = f"{name} fired {late_s} ({frames}) after its own rule held at {expected_at:.2f} s."
    elif timing.result == "double":
        often = "once is" if asked.wanted == 1 else f"{asked.wanted} times are"
        why = "another marker says so of this instant" if asked.again else f"{often} expected in this drive"
        code, sentence = "fired-twice", f"{name} fired again at {fired_at:.2f} s; {why}."
    elif timing.result == "missed":
        code, at = "trigger-missed", expected_at
        sentence = f"The rule of {name} held from {expected_at:.2f} s, but the trigger did not fire."
    elif timing.result == "not reached":
        code, at = "trigger-not-reached", end_t
        ended = (
            f"The drive ended at {end_t:.2f} s"
            if end_t is not None and np.isfinite(end_t)
            else "The drive ended without a judged frame"
        )
        sentence = f"{ended} before the rule of {name} held."
    elif fired_at is not None and asked.wanted == 0:
        code, sentence = "fired-unexpected", f"{name} fired at {fired_at:.2f} s in a drive that should not fire it."
    return [make_finding(occasion.study, code, sentence, at)] if code else []


def too_soon_findings(occasion: Occasion, asked: Asked) -> list[Finding]:
    """A fire within the refractory time of the one before it."""
    trigger, fired_at = occasion.trigger, asked.fired_at
    if fired_at is None or trigger.refractory_s <= 0.0:
        return []
    slack = SLACK_FRAMES * occasion.drive.period_s
    before = [t for t, _ in fires_of(occasion.watch, occasion.number) if t < fired_at - slack]
    if not before or fired_at - before[-1] >= trigger.refractory_s - slack:
        return []
    sentence = (
        f"{trigger.name} fired {fired_at - before[-1]:.2f} s after its fire at {before[-1]:.2f} s; its refractory time "
        f"is {trigger.refractory_s:.2f} s."
    )
    return [make_finding(occasion.study, "fired-too-soon", sentence, fired_at)]
