"""Times to contact and decelerations against worked examples and a step-by-step simulation.

The worked examples follow from the published definitions by hand: TTC (Hayward 1972; ISO 15623), enhanced TTC with
standstill (ISO 15623:2013), DRAC (Cooper & Ferguson 1976), required deceleration (ISO 15623).
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.measures.columns import FloatArray
from monitor.measures.contact import (
    CLOSING_FLOOR_MPS,
    deceleration_rate_to_avoid_crash,
    required_deceleration,
    time_to_contact,
    time_to_contact_accelerated,
)

KMH_50 = 50.0 / 3.6
G = 9.80665


def columns(*rows: tuple[float, ...]) -> list[np.ndarray]:
    return [np.array(column, dtype=float) for column in zip(*rows, strict=True)]


@pytest.mark.parametrize(
    ("gap", "own_speed", "lead_speed", "own_accel", "lead_accel", "expected"),
    [
        pytest.param(28, 20, 15, 0, -3, 2.9641, id="lead brakes"),
        pytest.param(40, 20, 20, 0, -3, 5.1640, id="same speed, lead brakes"),
        pytest.param(28, 20, 22, 0, -3, 5.0383, id="opening, lead brakes"),
        pytest.param(28, 20, 15, -4, 0, None, id="own car brakes enough: the discriminant is negative"),
        pytest.param(28, 20, 15, -0.4, 0, 8.4689, id="own car brakes too little"),
        pytest.param(30, 20, 5, 0, -5, 1.6250, id="the lead stops first: (30 + 25/10)/20, not 1.5826"),
        pytest.param(40, KMH_50, KMH_50, 0, -6, 4.0374, id="the lead stops first, from 50 km/h: not 3.6515"),
        pytest.param(50, 10, 0, -2, 0, None, id="own car stops after 25 m"),
        pytest.param(20, 10, 0, -2, 0, 2.7639, id="own car would stop after 25 m: (10 − √20)/2"),
        pytest.param(50, 20, 0, 0, -0.5, 2.5, id="a standing lead whose brakes are on does not roll back"),
        pytest.param(30, 20, 20, 0, 0, None, id="same speed"),
        pytest.param(30, 20, 19.95, 0, 0, None, id="closing below the floor of 0.1 m/s"),
        pytest.param(10, 5, 10, -1, -5, None, id="both stop, apart: 12.5 m < 10 + 10 m"),
        pytest.param(2, 5, 10, -1, -5, 4.0, id="both stop, but own car needs 12.5 m: 5t − t²/2 = 12 at 4 s"),
    ],
)
def test_time_to_contact_with_accelerations_and_standstill(
    gap: float, own_speed: float, lead_speed: float, own_accel: float, lead_accel: float, expected: float | None
) -> None:
    (value,) = time_to_contact_accelerated(*columns((gap, own_speed, lead_speed, own_accel, lead_accel)))
    if expected is None:
        assert np.isnan(value)
    else:
        assert value == pytest.approx(expected, abs=5e-5)


def random_cases(count: int, seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    gap, own_speed, lead_speed = rng.uniform(2, 80, count), rng.uniform(0, 35, count), rng.uniform(0, 35, count)
    own_accel, lead_accel = rng.uniform(-8, 2, count), rng.uniform(-8, 2, count)
    own_accel[rng.random(count) < 0.3] = 0.0
    lead_speed[rng.random(count) < 0.15] = 0.0
    return [gap, own_speed, lead_speed, own_accel, lead_accel]


def test_random_cases_agree_with_a_simulation_in_steps_of_a_millisecond() -> None:
    gap, own_speed, lead_speed, own_accel, lead_accel = random_cases(300, seed=4)
    step, horizon = 0.001, 30.0
    distance, own, lead = gap.copy(), own_speed.copy(), lead_speed.copy()
    contact, closing_then = np.full(len(gap), np.nan), np.full(len(gap), np.nan)
    for index in range(int(horizon / step)):
        next_own, next_lead = np.maximum(own + own_accel * step, 0), np.maximum(lead + lead_accel * step, 0)
        distance += 0.5 * step * (lead + next_lead - own - next_own)
        own, lead = next_own, next_lead
        new = np.isnan(contact) & (distance <= 0)
        contact[new], closing_then[new] = (index + 1) * step, (own - lead)[new]
    value = time_to_contact_accelerated(gap, own_speed, lead_speed, own_accel, lead_accel)

    clear = np.isnan(contact) | (closing_then > CLOSING_FLOOR_MPS + 0.02)  # a graze is "not closing", and hard to time
    assert clear.sum() > 290
    assert np.isfinite(contact[clear]).sum() > 100
    in_time = np.where(value > horizon, np.nan, value)
    np.testing.assert_allclose(in_time[clear], contact[clear], atol=0.005)


@pytest.mark.parametrize(
    ("gap", "own_speed", "lead_speed", "braking", "expected"),
    [
        pytest.param(10, 20, 15, 2.0, 3.2500, id="the lead still rolls at 4.0 s"),
        pytest.param(20, 20, 15, 1.5, 2.1250, id="the lead still rolls at 8.0 s"),
        pytest.param(28, 20, 15, 3.0, 3.0534, id="the lead stops first"),
        pytest.param(30, 20, 20, 0.3 * G, 2.0412, id="same speed, the lead stops first"),
        pytest.param(28, 20, 15, 0.0, 0.4464, id="steady lead: DRAC"),
        pytest.param(28, 15, 20, 0.0, 0.0, id="opening"),
        pytest.param(28, 20, 0, 0.0, 20**2 / 56, id="standing lead"),
        pytest.param(28, 20, 0, 3.0, 20**2 / 56, id="standing lead whose brakes are on"),
    ],
)
def test_required_deceleration(
    gap: float, own_speed: float, lead_speed: float, braking: float, expected: float
) -> None:
    (value,) = required_deceleration(*columns((gap, own_speed, lead_speed, -braking)))
    assert value == pytest.approx(expected, abs=5e-5)


def test_required_deceleration_just_avoids_contact() -> None:
    """Braking so brings the least gap to zero; braking 3 % less makes contact."""
    gap, own_speed, lead_speed, _, lead_accel = random_cases(300, seed=5)
    lead_accel = np.minimum(lead_accel, 0.0)
    needed = required_deceleration(gap, own_speed, lead_speed, lead_accel)
    asked = (needed > 0.2) & (own_speed < needed * 40.0)  # own car stands within the 40 s looked at
    assert asked.sum() > 200

    def least_gap(deceleration: FloatArray) -> FloatArray:
        """Gap at its least on a grid of 2 ms, from the closed form of both ways with standstill."""
        least = gap.copy()
        for t in np.arange(0.0, 40.0, 0.005):
            least = np.minimum(least, gap + way(lead_speed, -lead_accel, t) - way(own_speed, deceleration, t))
        return least

    def way(speed: FloatArray, braking: FloatArray, t: float) -> FloatArray:
        rolling = np.minimum(t, np.divide(speed, braking, out=np.full_like(speed, np.inf), where=braking > 0))
        gone: FloatArray = speed * rolling - 0.5 * braking * rolling**2
        return gone

    np.testing.assert_allclose(least_gap(needed)[asked], 0.0, atol=2e-3)
    assert (least_gap(0.97 * needed)[asked] < -1e-3).all()


def test_drac_keeps_its_factor_of_two() -> None:
    gap, closing = columns((28, 5), (30, 15), (14.7, 10), (28, 0), (28, -5))
    np.testing.assert_allclose(
        deceleration_rate_to_avoid_crash(gap, closing), [0.4464, 3.7500, 3.4014, 0.0, 0.0], atol=5e-5
    )


def test_time_to_contact_has_a_floor_and_never_a_huge_number() -> None:
    gap, closing = columns((28, 5), (28, 0.1), (28, 0.0999), (28, 0), (28, -2))
    np.testing.assert_array_equal(time_to_contact(gap, closing), [5.6, 280.0, np.nan, np.nan, np.nan])


def test_what_is_not_measured_gives_no_number() -> None:
    full = (28.0, 20.0, 15.0, 0.0, -3.0)
    rows = [tuple(np.nan if place == hole else one for place, one in enumerate(full)) for hole in range(5)]
    assert np.isnan(time_to_contact_accelerated(*columns(*rows))).all()
    gap, own_speed, lead_speed, _, lead_accel = columns(*rows)
    value = required_deceleration(gap, own_speed, lead_speed, lead_accel)
    assert np.isnan(value).tolist() == [True, True, True, False, True]  # it does not ask for own acceleration
