"""Time to contact and the deceleration that avoids it, for one vehicle behind another.

All arrays have shape (n,). `gap` is bumper to bumper in m and above zero; `own_speed`, `lead_speed` in m/s and
`own_accel`, `lead_accel` in m/s² along the path. NaN in, NaN out.
"""

from __future__ import annotations

import numpy as np

from monitor.measures.columns import FloatArray

CLOSING_FLOOR_MPS = 0.1
"""Closing more slowly than this is "not closing": it would make a huge and flickering number (common practice)."""

_PHASES = 3
"""Both rolling, one standing, both standing."""


def time_to_contact(gap: FloatArray, closing_speed: FloatArray) -> FloatArray:
    """Gap over closing speed in s (Hayward 1972; ISO 15623); NaN where the closing speed is below 0.1 m/s."""
    closing = closing_speed >= CLOSING_FLOOR_MPS
    return np.where(closing, gap / np.where(closing, closing_speed, 1.0), np.nan)


def time_to_contact_accelerated(
    gap: FloatArray, own_speed: FloatArray, lead_speed: FloatArray, own_accel: FloatArray, lead_accel: FloatArray
) -> FloatArray:
    """Time to contact in s if both keep their acceleration, and a braking vehicle stands once it has stopped.

    Smallest positive root of gap − c·t − r·t²/2, with c the closing speed and r the own acceleration less the lead's
    (enhanced time to collision, ISO 15623:2013), phase by phase from standstill to standstill. NaN where there is no
    contact, or where the closing speed at the contact is below 0.1 m/s.
    """
    distance, elapsed = gap.copy(), np.zeros(len(gap))
    speeds, accels = [own_speed.copy(), lead_speed.copy()], [own_accel.copy(), lead_accel.copy()]
    contact = np.full(len(gap), np.nan)
    going = ~np.isnan(gap + own_speed + lead_speed + own_accel + lead_accel)
    for _ in range(_PHASES):
        stops = [_standstill(speed, accel) for speed, accel in zip(speeds, accels, strict=True)]
        phase = np.minimum(stops[0], stops[1])
        closing, rate = speeds[0] - speeds[1], accels[0] - accels[1]
        under_root = closing * closing + 2.0 * rate * distance
        at_contact = np.sqrt(np.maximum(under_root, 0.0))
        sum_of_speeds = closing + at_contact  # twice the mean closing speed until contact
        reached = (under_root >= 0.0) & (sum_of_speeds > 0.0)
        time = np.where(reached, 2.0 * distance / np.where(reached, sum_of_speeds, 1.0), np.inf)
        hit = going & reached & (time <= phase)
        counts = hit & (at_contact >= CLOSING_FLOOR_MPS)
        contact[counts] = (elapsed + time)[counts]
        going &= ~hit & np.isfinite(phase)
        step = np.where(going, phase, 0.0)
        distance = np.maximum(distance - closing * step - 0.5 * rate * step * step, 0.0)
        elapsed = elapsed + step
        for index in (0, 1):
            stopped = stops[index] <= phase
            speeds[index] = np.where(stopped, 0.0, speeds[index] + accels[index] * step)
            accels[index] = np.where(stopped, 0.0, accels[index])
    return contact


def deceleration_rate_to_avoid_crash(gap: FloatArray, closing_speed: FloatArray) -> FloatArray:
    """Closing speed squared over twice the gap, in m/s² (DRAC: Cooper & Ferguson 1976; Almqvist et al. 1991).

    For a lead at constant speed. 0.0 where the vehicles do not close.
    """
    closing = np.maximum(closing_speed, 0.0)
    return closing * closing / (2.0 * gap)


def required_deceleration(
    gap: FloatArray, own_speed: FloatArray, lead_speed: FloatArray, lead_accel: FloatArray
) -> FloatArray:
    """Least constant deceleration in m/s² from now on that avoids contact (ISO 15623), while the lead keeps braking.

    With b the lead's deceleration: b + closing²/(2·gap) where the lead still rolls when the speeds match; else it has
    stopped, and own car must stop within the gap and the lead's stopping distance. A lead that accelerates is taken to
    keep its speed. 0.0 where no braking is needed.
    """
    braking = np.maximum(-lead_accel, 0.0)
    closing = own_speed - lead_speed
    is_closing, is_braking = closing > 0.0, braking > 0.0
    match_time = 2.0 * gap / np.where(is_closing, closing, 1.0)
    rolling = is_closing & (~is_braking | (lead_speed - braking * match_time >= 0.0))
    while_rolling = braking + closing * closing / (2.0 * gap)
    own, lead = np.maximum(own_speed, 0.0), np.maximum(lead_speed, 0.0)
    after_stop = own * own / (2.0 * (gap + lead * lead / (2.0 * np.where(is_braking, braking, 1.0))))
    value = np.where(rolling, while_rolling, np.where(is_braking, after_stop, 0.0))
    return np.where(np.isnan(gap + own_speed + lead_speed + lead_accel), np.nan, value)


def _standstill(speed: FloatArray, accel: FloatArray) -> FloatArray:
    """Time until a vehicle stands, in s: infinite unless it brakes; 0 where it stands and is still braked."""
    braking = (speed * accel < 0.0) | ((speed == 0.0) & (accel < 0.0))
    return np.where(braking, -speed / np.where(braking, accel, 1.0), np.inf)
