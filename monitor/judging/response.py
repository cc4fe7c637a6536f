"""The driver's response, apart from validity: timed from one origin for all groups, censored at contact or horizon.

Terms after SAE J2944 (accelerator release time, transition time, brake reaction time); thresholds are study parameters.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import AlertResult, Response
from monitor.judging.case.values import IN, held_rows, pair_values, stand_in_band, values_on
from monitor.judging.onsets import Onset, Watched, greatest_lateral_deviation, onset_of, time_to_stable
from monitor.measures.bodies import time_to_touch
from monitor.measures.columns import FloatArray, IntArray
from monitor.study.rules import ResponseRule


def find_origin(case: Case, onset_t: float | None) -> float | None:
    """The instant from which the response is timed; None where it cannot be found (yet)."""
    rule = case.trigger.response
    if rule is None:
        return None
    if rule.origin == "fire":
        return case.fired_at if case.is_fire_seen else None
    if rule.origin == "hazard onset":
        return onset_t
    criterion, stretch = rule.criterion, case.stretch
    if criterion is None or stretch is None:
        return None
    span = stretch.window(case.fired_at, case.fired_at + rule.horizon_s)
    measured = values_on(stretch, criterion.measure, case.cast.rows_in(stretch))
    standing = stand_in_band(stretch.t, measured, criterion.band, criterion.measure, "not met")
    held = np.flatnonzero(standing.inside[span] == IN)
    return float(stretch.t[span][held[0]]) if len(held) else None


def time_response(
    case: Case,
    stretch: Stretch,
    t0: float,
    alert: AlertResult,
    *,
    unbelieved: frozenset[str] = frozenset(),
) -> Response:
    """The response in the frames from `t0` − baseline to `t0` + horizon. `unbelieved`: channels of own car that are
    taken as not measured."""
    rule = case.trigger.response
    assert rule is not None
    span = stretch.window(t0, t0 + rule.horizon_s)
    t = stretch.t[span] - t0
    own = {name: _channel(stretch, name, span) for name in ("accelerator", "brake", "steering_angle", "accel")}
    own |= {name: np.full(len(t), np.nan) for name in unbelieved & own.keys()}
    contact_s = _contact_s(case, stretch, span, t0, rule)
    if contact_s is not None:
        t = t[t <= contact_s + 1e-9]
        own = {name: column[: len(t)] for name, column in own.items()}
    release_s, full_s = release_times(t, own["accelerator"], rule)
    brake_s = _first_above(t, own["brake"], rule.brake_threshold)
    steering_s = _steering_s(t, own["steering_angle"], _before(stretch, "steering_angle", t0, rule), rule)
    onsets = {"accelerator": release_s, "brake": brake_s, "steering": steering_s}
    watched = Watched(case, stretch, t0, t0 + (rule.horizon_s if contact_s is None else contact_s))
    signs = {one.name: onset_of(watched, one, rule) for one in rule.signs}
    if rule.signs:
        onsets = {name: one.at_s for name, one in signs.items()}
    known = {name: value for name, value in onsets.items() if value is not None}
    first = min(known, key=lambda name: known[name]) if known else None
    first_s = known[first] if first else None
    cut = case.over and stretch.covered_to < t0 + rule.horizon_s - 1.5 * stretch.period_s
    braked = len(own["brake"]) > 0 and bool(own["brake"][0] > rule.brake_threshold)
    if rule.signs:
        is_early = any(known.get(one.name, np.inf) < one.anticipatory_s for one in rule.signs)
        beforehand = _before_origin(signs)
    else:
        is_early = (release_s is not None and release_s < rule.anticipatory_release_s) or (
            brake_s is not None and brake_s < rule.anticipatory_brake_s
        )
        beforehand = "already responding" if braked else None
        if first_s is None and contact_s is None and not _is_seen(own, rule):
            beforehand = beforehand or "not measured"
    unseen_s = min((one.by_s for one in signs.values() if one.by_s is not None), default=np.inf)
    if unseen_s <= (np.inf if first_s is None else first_s) and np.isfinite(unseen_s):
        # a sign that came while nobody saw it may be the first one, and when it came is not known
        first, first_s, beforehand = None, None, "not measured"
    outcome = beforehand or _outcome(first_s, contact_s, is_early=is_early, cut=cut)
    gap, ttc, closing = _pair(case, stretch, span)
    gap, ttc, closing = gap[: len(t)], ttc[: len(t)], closing[: len(t)]
    asks_more = bool(rule.signs) or rule.stable is not None
    end_s = contact_s if contact_s is not None else (stretch.covered_to - t0 if cut else rule.horizon_s)
    return Response(
        origin=rule.origin,
        t0=t0,
        accelerator_release_s=release_s,
        accelerator_full_release_s=full_s,
        transition_s=brake_s - full_s if brake_s is not None and full_s is not None else None,
        brake_onset_s=brake_s,
        steering_onset_s=steering_s,
        first=first,
        first_s=first_s,
        outcome=outcome,
        censored_at_s=None if first_s is not None else end_s,
        min_ttc_s=_least(ttc),
        min_gap_m=_least(gap),
        max_decel_mps2=None if (low := _least(own["accel"])) is None else max(-low, 0.0),
        impact_speed_mps=float(closing[-1]) if contact_s is not None and len(closing) else None,
        left_lane=_left_lane(stretch, span),
        from_alert_s=t0 + first_s - alert.at if first_s is not None and alert.at is not None else None,
        release=_release_words(release_s, own["accelerator"], rule),
        onset_to_peak_s=_onset_to_peak_s(t, own["accel"], brake_s),
        signs={name: one.at_s for name, one in signs.items()},
        sign_states={name: one.state for name, one in signs.items()},
        max_lateral_deviation_m=greatest_lateral_deviation(stretch, t0, t0 + end_s, rule) if asks_more else None,
        # without a response there is nothing after which the car could be stable again
        time_to_stable_s=None
        if rule.stable is None or not known
        else time_to_stable(Watched(case, stretch, t0, t0 + end_s), rule.stable, t0 + max(known.values())),
        min_ttc_bodies_s=_least(_until_touch(case, stretch)[span][: len(t)]) if asks_more else None,
        contact_s=contact_s,
        watched_s=end_s,
        not_watched=(
            *_not_watched(own, _before(stretch, "steering_angle", t0, rule), rule),
            *(name for name in ("first",) if any(one.state == "not measured" for one in signs.values())),
        ),
    )


def _not_watched(own: dict[str, FloatArray], steering_before: FloatArray, rule: ResponseRule) -> Iterator[str]:
    """Of which onsets it is not known that there was none."""
    accelerator = own["accelerator"]
    if np.isnan(accelerator).any() or (len(accelerator) and accelerator[0] <= rule.accelerator_zero):
        yield "accelerator"
    if np.isnan(own["brake"]).any():
        yield "brake"
    if np.isnan(own["steering_angle"]).any() or len(steering_before) == 0 or np.isnan(steering_before).all():
        yield "steering"


def _is_seen(own: dict[str, FloatArray], rule: ResponseRule) -> bool:
    """Whether a response would have been seen: by the brake, or by an accelerator that was pressed. Who brakes leaves
    it; of one that was released before, nothing tells."""
    accelerator, brake = own["accelerator"], own["brake"]
    pressed = len(accelerator) > 0 and bool(accelerator[0] > rule.accelerator_zero)
    return bool(np.isfinite(brake).any()) or (pressed and bool(np.isfinite(accelerator).all()))


def release_times(t: FloatArray, accelerator: FloatArray, rule: ResponseRule) -> tuple[float | None, float | None]:
    """Initial and full release of the accelerator, in seconds from the origin at t = 0.

    Initial: where the fall begins that takes the pedal more than `accelerator_fall` below where it stood at the origin.
    Full: the first instant at or below `accelerator_zero`. Both None where the pedal was released at the origin
    ("pre-released": release is not defined, and not 0).
    """
    if len(t) == 0 or np.isnan(accelerator[0]) or accelerator[0] <= rule.accelerator_zero:
        return None, None
    fallen = np.flatnonzero(accelerator < accelerator[0] - rule.accelerator_fall)
    if len(fallen) == 0:
        return None, None
    begin = int(fallen[0])
    while begin > 0 and accelerator[begin - 1] > accelerator[begin]:
        begin -= 1
    zero = np.flatnonzero(accelerator <= rule.accelerator_zero)
    return float(t[begin]), float(t[zero[0]]) if len(zero) else None


def _release_words(release_s: float | None, accelerator: FloatArray, rule: ResponseRule) -> str:
    if release_s is not None:
        return "released"
    if len(accelerator) == 0 or np.isnan(accelerator[0]):
        return "not measured"
    return "kept pressed" if accelerator[0] > rule.accelerator_zero else "pre-released"


def _onset_to_peak_s(t: FloatArray, accel: FloatArray, brake_s: float | None) -> float | None:
    """Brake onset to the greatest deceleration after it (segments after Lee et al. 2002)."""
    if brake_s is None:
        return None
    after = np.where(t >= brake_s, accel, np.nan)
    return None if np.isnan(after).all() else float(t[int(np.nanargmin(after))] - brake_s)


def _channel(stretch: Stretch, name: str, span: slice) -> FloatArray:
    column = stretch.frames.own.get(name)
    return np.full(span.stop - span.start, np.nan) if column is None else column[span]


def _before(stretch: Stretch, name: str, t0: float, rule: ResponseRule) -> FloatArray:
    return _channel(stretch, name, stretch.window(t0 - rule.baseline_s, t0))


def _first_above(t: FloatArray, pedal: FloatArray, threshold: float) -> float | None:
    """First instant above the threshold; None where it was above it at the origin already, or never is."""
    if len(t) == 0 or pedal[0] > threshold:
        return None
    above = np.flatnonzero(pedal > threshold)
    return float(t[above[0]]) if len(above) else None


def _steering_s(t: FloatArray, angle: FloatArray, before: FloatArray, rule: ResponseRule) -> float | None:
    if len(t) == 0 or len(before) == 0 or np.isnan(before).all():
        return None
    away = np.flatnonzero(np.abs(angle - np.nanmean(before)) > rule.steering_threshold_rad)
    return float(t[away[0]]) if len(away) else None


def _contact_s(case: Case, stretch: Stretch, span: slice, t0: float, rule: ResponseRule) -> float | None:
    """Contact by the simulator's marker, or by a gap that closes."""
    told = [marker.t - t0 for marker in case.of_kind("collision") if t0 <= marker.t <= t0 + rule.horizon_s]
    gap, _, _ = _pair(case, stretch, span)
    closed = np.flatnonzero(gap <= 0.0)
    seen = [float(stretch.t[span][closed[0]] - t0)] if len(closed) else []
    return min(told + seen, default=None)


def _pair(case: Case, stretch: Stretch, span: slice) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gap, TTC and closing speed to the trial's role in a span."""
    rows: IntArray = held_rows(stretch, case.role, case.held_id)
    pair = pair_values(stretch, rows)
    return pair["distance_gap"].value[span], pair["ttc"].value[span], pair["closing_speed"].value[span]


def _until_touch(case: Case, stretch: Stretch) -> FloatArray:
    """Seconds until own car's body and that of the trial's role touch, in each frame of a stretch."""
    return time_to_touch(stretch.frames, held_rows(stretch, case.role, case.held_id))


def _least(values: FloatArray) -> float | None:
    return None if len(values) == 0 or np.isnan(values).all() else float(np.nanmin(values))


def _left_lane(stretch: Stretch, span: slice) -> bool | None:
    """Whether a body edge crossed the lane's boundary: |offset| + half own width above half the lane's width."""
    offset, width = stretch.lateral["lane_offset"].value[span], stretch.frames.own["width"][span]
    edge = np.abs(offset) + width / 2.0 - stretch.lateral["lane_width"].value[span] / 2.0
    return None if len(edge) == 0 or np.isnan(edge).all() else bool(np.nanmax(edge) > 0.0)


def _before_origin(signs: dict[str, Onset]) -> str | None:
    """What the signs say of the time before the origin: none of them could come any more, or none is measured."""
    states = {one.state for one in signs.values()}
    if states == {"not measured"}:
        return "not measured"
    return "already responding" if states <= {"already there", "not measured"} else None


def _outcome(first_s: float | None, contact_s: float | None, *, is_early: bool, cut: bool) -> str:
    if first_s is not None:
        if is_early:
            return "anticipatory"
        return "collision" if contact_s is not None else "responded"
    if contact_s is not None:
        return "collision before response"
    return "cut short" if cut else "no response"
