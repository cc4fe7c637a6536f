"""The car-following model against the paper: Treiber, Hennecke & Helbing 2000, Physical Review E 62, 1805-1824."""

from __future__ import annotations

import math

import pytest

from monitor.simulation.idm import Following, following_at

# the paper's own parameters (from memory): 120 km/h, 1.6 s, 2 m, 0.73 m/s², 1.67 m/s²
PAPER = Following(120 / 3.6, 1.6, 2.0, 0.73, 1.67)


def test_equilibrium_gap_in_closed_form() -> None:
    # (2 + 20 · 1.6) / sqrt(1 - 0.6^4) = 34 / sqrt(0.8704) = 36.4434 m, by hand
    assert PAPER.equilibrium_gap(20.0) == pytest.approx(36.4434, abs=1e-4)


def test_acceleration_by_hand() -> None:
    # free road at half the desired speed: 0.73 · (1 - 1/16)
    assert PAPER.accel(60 / 3.6, 0.0, None) == pytest.approx(0.73 * 15 / 16)
    # s* = 2 + 32 + 20 · 5 / (2 · sqrt(0.73 · 1.67)) = 79.2846 m behind 50 m
    wanted = 34 + 100 / (2 * math.sqrt(0.73 * 1.67))
    assert wanted == pytest.approx(79.2846, abs=1e-4)
    assert PAPER.accel(20.0, 5.0, 50.0) == pytest.approx(0.73 * (0.8704 - (wanted / 50) ** 2))


@pytest.mark.parametrize("lead_mps", [8.0, 15.0, 22.0])
def test_a_follower_settles_at_the_equilibrium_gap(lead_mps: float) -> None:
    gap, speed, step = 80.0, 18.0, 1 / 60
    for _ in range(int(400 / step)):
        accel = PAPER.accel(speed, speed - lead_mps, gap)
        gap += (lead_mps - speed - accel * step / 2) * step
        speed += accel * step
    assert speed == pytest.approx(lead_mps, abs=1e-3)
    assert gap == pytest.approx((2.0 + 1.6 * lead_mps) / math.sqrt(1 - (lead_mps / (120 / 3.6)) ** 4), abs=0.02)


@pytest.mark.parametrize("time_gap_s", [1.2, 1.6, 2.6])
def test_a_driver_can_be_made_for_a_time_gap(time_gap_s: float) -> None:
    driver = following_at(time_gap_s, 80 / 3.6, 27.8)
    assert driver.equilibrium_gap(80 / 3.6) / (80 / 3.6) == pytest.approx(time_gap_s)
