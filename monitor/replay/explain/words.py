"""Why a trial came out as it did, in sentences: what the rule did, which condition failed, how near it came, what would
have been enough. Times are seconds of the drive."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from monitor.judging.case.trial import ConditionResult, Trial
from monitor.judging.case.values import IN, MISSING, OUT
from monitor.replay.lines.bands import NeededBand
from monitor.replay.lines.line import ConditionLine, Spell
from monitor.replay.lines.rows import Row
from monitor.study.band import Band
from monitor.study.model import Trigger
from monitor.study.terms import FireTerm

NEAR_S = 60.0
"""The nearest miss is looked for this near to the fire first, then in the whole drive."""


@dataclass(frozen=True, slots=True)
class NearMiss:
    """The time in which the fewest conditions were missing. `failing` are places of rows; none: all were met."""

    start_t: float
    end_t: float
    failing: tuple[int, ...]
    sentence: str


def number_text(value: float, unit: str = "") -> str:
    """A number with its unit, with about three figures."""
    digits = 0 if abs(value) >= 1000 else 1 if abs(value) >= 100 else 2
    text = f"{value:.{digits}f}" if abs(value) >= 0.05 or value == 0 else f"{value:.2g}"
    return f"{text} {unit}".rstrip()


def off_text(row: Row, value: float) -> str:
    """How far a value is outside a band: "0.18 s short", "0.71 s over", "0.10 m too far right", or "inside"."""
    unit, band = row.measure.unit, row.band
    beyond = band.beyond(value)
    if beyond == 0:
        return "inside"
    return f"{number_text(abs(float(band.margin(np.array(value)))), unit)} {_side(row.measure.name, beyond)}"


def _side(measure: str, beyond: int) -> str:
    """What lies beyond a band: of a place in the lane a side of the road."""
    if measure == "lane_offset":
        return "too far left" if beyond > 0 else "too far right"
    return "over" if beyond > 0 else "short"


def near_miss(line: ConditionLine, anchor_t: float, *, fired: bool) -> NearMiss | None:
    """The time in which the fewest of the conditions that count at the fire were missing, the nearest to an instant.

    What comes after a fire is left out: there the hazard moves the numbers.
    """
    together = line.together
    spells = [spell for spell in line.spells if not fired or spell.start_t <= anchor_t + 0.5 * line.period_s]
    if not together or not spells:
        return None
    stretches = list(_stretches(line, spells, together))
    near = [one for one in stretches if _distance(one, anchor_t) <= NEAR_S] or stretches
    known = [one for one in near if not any(one.unknown)] or near
    least = min(known, key=lambda one: (len(one.failing), _distance(one, anchor_t)))
    return NearMiss(least.start_t, least.end_t, least.failing, _near_miss_sentence(line, least, anchor_t))


class _Stretch(NamedTuple):
    """Neighbouring spells with the same conditions missing: their places, and which of them have no data."""

    start_t: float
    end_t: float
    failing: tuple[int, ...]
    unknown: tuple[bool, ...]
    spells: list[Spell]


def _stretches(line: ConditionLine, all_spells: list[Spell], together: Sequence[int]) -> list[_Stretch]:
    found: list[_Stretch] = []
    for spell in all_spells:
        failing = tuple(place for place in together if spell.state[place] != IN)
        unknown = tuple(spell.state[place] == MISSING for place in failing)
        if found:
            start_t, end_t, before, without, spells = found[-1]
            if (before, without) == (failing, unknown) and spell.start_t - end_t <= 1.5 * line.period_s:
                found[-1] = _Stretch(start_t, spell.end_t, failing, unknown, [*spells, spell])
                continue
        found.append(_Stretch(spell.start_t, spell.end_t, failing, unknown, [spell]))
    return found


def _distance(stretch: _Stretch, t: float) -> float:
    return max(stretch.start_t - t, t - stretch.end_t, 0.0)


def _near_miss_sentence(line: ConditionLine, stretch: _Stretch, anchor_t: float) -> str:
    start_t, end_t, failing, _, spells = stretch
    when = f"at {start_t:.1f} s" if end_t - start_t < 0.05 else f"from {start_t:.1f} to {end_t:.1f} s"
    if not failing:
        if start_t - line.period_s <= anchor_t <= end_t + line.period_s:
            return f"All conditions were met {when}."
        away = f"{start_t - anchor_t:.1f} s after" if anchor_t < start_t else f"{anchor_t - end_t:.1f} s before"
        return f"All conditions were met {when}, {away} that."
    offs = [_closest_words(line.rows[place], place, spells) for place in failing]
    rows = [line.rows[place].name for place in failing]
    count = len(line.together)
    if len(failing) == count:
        return f"No condition was met {when}; {listed(offs)}."
    verb = "was" if count - len(failing) == 1 else "were"
    return f"All but {listed(rows)} {verb} met {when}; {listed(offs)}."


def _closest_words(row: Row, place: int, spells: list[Spell]) -> str:
    best = max(spells, key=lambda spell: -math.inf if math.isnan(spell.margin[place]) else spell.margin[place])
    margin, value = best.margin[place], best.value[place]
    if math.isnan(margin):
        return f"{row.name} had no value"
    if row.band.contains_one(value):
        return f"{row.name} had been out of its band in the time before"
    return f"{row.name} was {off_text(row, value)}"


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def rule_text(trigger: Trigger) -> str:
    """The rule of a trigger in words."""
    return listed([" or ".join(_term_text(one) for one in term.alternatives) for term in trigger.fires_when])


def _term_text(term: FireTerm) -> str:
    return f"{term.measure.text} {term.band.words(term.measure.unit)}"


class DriveTold(NamedTuple):
    """What a drive tells of its fires: how many of its markers never arrived, when and by what it ended, and how many
    fires of the trigger were expected in it, None for any number."""

    lost: int
    end_t: float
    end_words: str
    wanted: int | None


def fire_sentences(trial: Trial, trigger: Trigger, line: ConditionLine, drive: DriveTold) -> list[str]:
    """What became of the fire itself."""
    timing, name = trial.timing, trial.trigger
    rule = rule_text(trigger)
    if trial.fired_at is not None:
        said = f"{name} fired at {trial.fired_at:.2f} s"
        if timing.result == "on time":
            return [f"{said}, when its rule held ({rule})."]
        if timing.result == "late":
            return [f"{said}, {timing.delay_s:.2f} s after its rule held at {timing.expected_at:.2f} s ({rule})."]
        if timing.result == "early":
            if timing.expected_at is None and trigger.comes_often:
                said = f"{said}, when its rule did not begin to hold ({rule})."
                return [said, *_terms_at(line, trial.fired_at)]
            early = "" if timing.expected_at is None else f"; it held at {timing.expected_at:.2f} s"
            return [f"{said}, before its rule held ({rule}){early}.", *_terms_at(line, trial.fired_at)]
        if timing.result == "double":
            return [f"{said} for the {ordinal(trial.occurrence)} time; {times_text(drive.wanted)} expected."]
        return [f"{said}."]
    if timing.expected_at is not None:
        marker = "no trigger marker came"
        why = (
            f"{drive.lost} of the drive's markers never arrived, so that it may have fired all the same."
            if drive.lost
            else "No marker was lost on the way, so that the simulator's script did not fire it."
        )
        return [f"The rule of {name} held from {timing.expected_at:.2f} s ({rule}), and {marker}.", why]
    if timing.result == "not reached":
        ended = f"the drive ended at {drive.end_t:.2f} s ({drive.end_words})"
        said = f"{name} did not fire because its rule never held ({rule}); {ended}."
        return [said, *_never_held(line, trigger)]
    if trial.stage == "armed":
        return [f"{name} has not fired yet."]
    return [f"{name} did not fire in this drive, and the study file does not say when it should."]


def ordinal(count: int) -> str:
    """ "1st", "2nd", "3rd", "4th"."""
    return f"{count}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(count if count < 20 else count % 10, 'th') }"


def times_text(count: int | None) -> str:
    """ "none is", "one is", "2 are", "any number is"."""
    return "any number is" if count is None else {0: "none is", 1: "one is"}.get(count, f"{count} are")


def _terms_at(line: ConditionLine, t: float) -> list[str]:
    at = next(
        (spell for spell in line.spells if spell.start_t <= t + line.period_s and spell.end_t >= t - line.period_s),
        None,
    )
    if at is None:
        return []
    terms = [
        f"{row.measure.text} was {off_text(row, at.value[place])}"
        for place, row in enumerate(line.rows)
        if row.part != "condition" and at.state[place] == OUT and not math.isnan(at.value[place])
    ]
    return [f"About then {listed(terms)}."] if terms else []


def _never_held(line: ConditionLine, trigger: Trigger) -> list[str]:
    """For each term of the rule: when it held, or how near it came."""
    said = []
    for place, row in enumerate(line.rows):
        if row.part == "condition":
            continue
        held = [spell for spell in line.spells if spell.state[place] == IN]
        if held:
            whole = len(held) == len(line.spells)
            edge = "rising" in row.asked.lower()
            said.append(
                f"{row.measure.text} was in its band from the drive's first frame on, so that it never began to hold."
                if whole and edge
                else f"{row.measure.text} held from {held[0].start_t:.1f} to {held[-1].end_t:.1f} s."
            )
            continue
        numbered = [spell for spell in line.spells if not math.isnan(spell.margin[place])]
        if not numbered:
            said.append(f"{row.measure.text} was never measured in this drive.")
            continue
        best = max(numbered, key=lambda spell: spell.margin[place])
        value, t = best.value[place], best.margin_t[place]
        off = off_text(row, value)
        said.append(
            f"{row.measure.text} came to {number_text(value, row.measure.unit)} at {t:.1f} s, {off} of "
            f"{row.band.words(row.measure.unit)}."
        )
    return said


def condition_sentence(condition: ConditionResult, when: str) -> str:
    """A condition that failed: what it was, against which band, by how much."""
    value = condition.state or (
        "not measured" if condition.value is None else number_text(condition.value, condition.unit)
    )
    off = ""
    if condition.result == "not met" and condition.value is not None:
        side = _side(condition.measure, condition.band.beyond(condition.value))
        off = f", {number_text(abs(condition.margin or 0.0), condition.unit)} {side}"
    return f"{condition.name} was {value} {when}, band {condition.band.words(condition.unit)}{off}."


def last_in_band(line: ConditionLine, name: str, before_t: float) -> str:
    """When a condition's own value was last in its band before an instant, in words."""
    place = next((place for place, row in enumerate(line.rows) if row.part == "condition" and row.name == name), None)
    if place is None:
        return ""
    band = line.rows[place].band
    inside = [spell for spell in line.spells if spell.start_t <= before_t and band.contains_one(spell.value[place])]
    if inside:
        return f"{name} was last in its band at {min(inside[-1].end_t, before_t):.1f} s."
    numbered = [spell for spell in line.spells if spell.start_t <= before_t and not math.isnan(spell.margin[place])]
    if not numbered:
        return f"{name} had no value in this drive before that."
    best = max(numbered, key=lambda spell: spell.margin[place])
    off = off_text(line.rows[place], best.value[place])
    return f"{name} was never in its band before that; it came nearest at {best.margin_t[place]:.1f} s, {off}."


def needed_sentence(needed: NeededBand, condition: ConditionResult) -> str:
    """The band that would have passed."""
    if needed.tolerance is None:
        return f"{needed.condition}: {needed.why_not}."
    was = condition.band.words(condition.unit)
    return (
        f"{needed.condition}: a band of {_exact(needed.band, needed.unit)} instead of {was} would have passed it, "
        f"and so would a tolerance of {up(needed.tolerance)} {needed.unit}".rstrip()
        + "."
    )


def _exact(band: Band, unit: str) -> str:
    """A band rounded outwards to three decimals, so that what is said is enough."""
    if band.outside is not None:
        first, second = math.ceil(band.outside[0] * 1000.0 - 1e-9), math.floor(band.outside[1] * 1000.0 + 1e-9)
        return Band(None, None, outside=(first / 1000.0, second / 1000.0)).words(unit)
    low = None if band.at_least is None else math.floor(band.at_least * 1000.0 + 1e-9) / 1000.0
    high = None if band.at_most is None else math.ceil(band.at_most * 1000.0 - 1e-9) / 1000.0
    return Band(low, high).words(unit)


def up(value: float) -> str:
    """A tolerance rounded up to three decimals, so that what is said is enough."""
    return f"{math.ceil(value * 1000.0 - 1e-9) / 1000.0:g}"
