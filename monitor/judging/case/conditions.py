"""Conditions, three-valued: met, not met, undecided. Missing time is first taken as in the band, then as out of it;
where both give the same answer that is the answer."""

from __future__ import annotations

import math

import numpy as np

from monitor.judging.case.stretch import MARGIN_FRAMES, TENTH, Stretch
from monitor.judging.case.trial import ConditionResult, Result
from monitor.judging.case.values import (
    IN,
    MISSING,
    NOT_MEASURED,
    OUT,
    Cast,
    Reading,
    RowsOf,
    Standing,
    on_both_sides,
    stand_in_either,
    values_on,
)
from monitor.study.terms import AtFire, Condition, During, Looked, Within

NOBODY = Cast({}, "", None)

SIDE_PERIODS = 2.0
"""A frame beside the fire counts only if it is at most two periods away."""


def window_of(condition: Condition) -> tuple[float, float]:
    """First and last instant that a condition looks at, in seconds from the fire."""
    return condition.when.window_s


def seen_after_s(condition: Condition, period_s: float) -> float:
    """From when on, in seconds from the fire, no further frame can change a condition: its window is over, and so is
    what lies beside it (frames and losses come in order)."""
    return window_of(condition)[1] + (SIDE_PERIODS + MARGIN_FRAMES) * period_s


def judge_condition(
    condition: Condition, stretch: Stretch | None, fired_at: float, cast: Cast | None = None
) -> ConditionResult:
    """One condition of a trigger that fired at `fired_at`, on a stretch that spans its window."""
    looked = condition.alternatives[0]
    if stretch is None:
        return condition_result(condition, looked, "undecided", NOT_MEASURED, still_open=True)
    from_s, to_s = window_of(condition)
    span = None
    if any(one.measure.kind == "rolling" for one in condition.alternatives):  # nothing else is taken on a part alone
        beside = SIDE_PERIODS * stretch.period_s
        span = stretch.window(fired_at + from_s - beside, fired_at + to_s + beside)
    standing = condition_standing(condition, stretch, (cast or NOBODY).rows_in(stretch), span, fired_at)
    result, decided = evaluate(condition, standing, stretch, fired_at)
    end_t = fired_at + (SIDE_PERIODS * stretch.spacing_s if isinstance(condition.when, AtFire) else to_s)
    still_open = result == "undecided" and stretch.covered_to < end_t - TENTH * stretch.period_s
    if decided is None:
        return condition_result(condition, looked, result, NOT_MEASURED, still_open=still_open)
    if standing.which is not None:
        looked = condition.alternatives[int(standing.which[decided])]
    return condition_result(condition, looked, result, standing.reading(decided), still_open=still_open)


def condition_standing(
    condition: Condition,
    stretch: Stretch,
    rows_of: RowsOf,
    span: slice | None = None,
    fired_at: float | None = None,
) -> Standing:
    """How a stretch's frames stand in what a condition asks for, all its alternatives together."""
    standing = stand_in_either(
        stretch.t,
        condition.alternatives,
        lambda measure: values_on(stretch, measure, rows_of, span, fired_at),
        condition.if_missing,
    )
    return standing if condition.or_else else on_both_sides(standing, stretch, condition.measure, condition.band)


def evaluate(condition: Condition, standing: Standing, stretch: Stretch, fired_at: float) -> tuple[Result, int | None]:
    """What a condition comes to where its values stand so, and the frame that decided it."""
    match condition.when:
        case AtFire():
            return _at_fire(standing, stretch, fired_at)
        case During(start_s, end_s, share):
            return _during(standing, stretch, fired_at + start_s, fired_at + end_s, share)
        case Within(limit_s, held_s):
            return _within(standing, stretch, fired_at, limit_s, held_s)


def condition_result(
    condition: Condition, looked: Looked, result: Result, reading: Reading, *, still_open: bool = False
) -> ConditionResult:
    """A condition with what it came to, by which of its alternatives and which reading. `still_open`: a further frame
    may decide it."""
    band, measure = looked.band, looked.measure
    value, state, margin = reading
    return ConditionResult(
        name=condition.name,
        measure=measure.text,
        role=measure.role,
        at_least=band.at_least,
        at_most=band.at_most,
        tolerance=band.tolerance,
        value=value,
        state=state,
        margin=margin,
        unit=measure.unit,
        result=result,
        at_edge=result == "met" and margin is not None and margin < 0.0,
        required=condition.required,
        open=still_open,
        outside=band.outside,
        any_of=tuple(f"{one.measure.text} {one.band.words(one.measure.unit)}" for one in condition.alternatives)
        if condition.or_else
        else (),
    )


def _at_fire(standing: Standing, stretch: Stretch, fired_at: float) -> tuple[Result, int | None]:
    """A frame within a tenth of a period stands alone; else the frames on both sides, each within two periods."""
    t = standing.t
    if len(t) == 0:
        return "undecided", None
    before = int(t.searchsorted(fired_at, side="right")) - 1
    after = before + 1
    since_s = fired_at - float(t[before]) if before >= 0 else math.inf
    until_s = float(t[after]) - fired_at if after < len(t) else math.inf
    if min(since_s, until_s) <= TENTH * stretch.period_s:
        nearest = before if since_s <= until_s else after
        return RESULTS[int(standing.inside[nearest])], nearest
    reach = (SIDE_PERIODS + 1e-6) * stretch.spacing_s
    has_before, has_after = since_s <= reach, until_s <= reach
    if not has_before or not has_after:
        return "undecided", before if has_before else None
    sides = {int(standing.inside[before]), int(standing.inside[after])}
    return (RESULTS[sides.pop()] if len(sides) == 1 else "undecided"), before


RESULTS: dict[int, Result] = {IN: "met", OUT: "not met", MISSING: "undecided"}


def _during(
    standing: Standing, stretch: Stretch, start_t: float, end_t: float, share: float
) -> tuple[Result, int | None]:
    """Every frame of the window in the band, or a share of its time (each frame holds until the next, at most 1.5
    periods; what no frame holds is missing)."""
    span = stretch.window(start_t, end_t)
    inside = standing.inside[span]
    decided = _worst(standing, span)
    if share >= 1.0:
        if (inside == OUT).any():
            return "not met", decided
        if len(inside) == 0 or (inside == MISSING).any() or stretch.missing(start_t, end_t):
            return "undecided", decided
        return "met", decided
    first = max(span.start - 1, 0)
    t = standing.t[first : span.stop]
    until = np.append(t[1:], np.inf)
    held = np.minimum(np.minimum(until, t + 1.5 * stretch.period_s), end_t) - np.maximum(t, start_t)
    held = np.maximum(held, 0.0)
    kinds = standing.inside[first : span.stop]
    total = end_t - start_t
    time_in = float(held[kinds == IN].sum())
    time_out = float(held[kinds == OUT].sum())
    # 1e-9 s: rounding of sums of a few hundred frame times, far below any frame period
    if time_in >= share * total - 1e-9:
        return "met", decided
    if total - time_out < share * total - 1e-9:
        return "not met", decided
    return "undecided", decided


def _within(
    standing: Standing, stretch: Stretch, fired_at: float, limit_s: float, held_s: float
) -> tuple[Result, int | None]:
    """The band is reached at most `limit_s` after the fire and held for `held_s`."""
    span = stretch.window(fired_at, fired_at + limit_s)
    for start in range(span.start, span.stop):
        hold = stretch.window(standing.t[start], standing.t[start] + held_s)
        if (standing.inside[hold] == IN).all() and not stretch.missing(standing.t[start], standing.t[start] + held_s):
            return "met", _worst(standing, hold)
    best = _best(standing, span)
    starts = [float(standing.t[index]) for index in range(span.start, span.stop) if standing.inside[index] != OUT]
    # a hold that begins inside missing time is best begun as early as possible: later only adds frames to pass
    starts += [max(low, fired_at) for low, _ in stretch.missing(fired_at, fired_at + limit_s)]
    for start_t in starts:
        first = int(standing.t.searchsorted(start_t, side="left"))
        if first < len(standing.t) and standing.t[first] == start_t and standing.inside[first] == OUT:
            first += 1
        hold = slice(first, stretch.window(start_t, start_t + held_s).stop)
        if not (standing.inside[hold] == OUT).any():
            return "undecided", best
    return "not met", best


def _worst(standing: Standing, span: slice) -> int | None:
    """The frame that decided a window: out without a number first, then the least margin; a missing one only if
    there is nothing else."""
    margin = standing.margin[span]
    if len(margin) == 0:
        return None
    unknown = np.isnan(margin)
    if not unknown.any():
        return int(span.start + margin.argmin())
    boundless = unknown & (standing.inside[span] == OUT)
    if boundless.any():
        return int(span.start + boundless.argmax())
    return int(span.start if unknown.all() else span.start + np.nanargmin(margin))


def _best(standing: Standing, span: slice) -> int | None:
    """The frame that came nearest to the band."""
    margin = standing.margin[span]
    if len(margin) == 0:
        return None
    return int(span.start if np.isnan(margin).all() else span.start + np.nanargmax(margin))
