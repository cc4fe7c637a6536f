"""The decelerating-lead test of the US forward collision warning confirmation procedure (NHTSA, February 2013, Test 2).

Both cars at 45 mph (20.1168 m/s), 30 m apart; the lead brakes at 0.3 g, at once or by a ramp. Gap 30 − a·t²/2 and
closing speed a·t give in closed form when the time to contact comes down to 2.4 s: with TTC after Hayward 1972 at
−2.4 + √(2.4² + 2·gap/a), with both accelerations (ISO 15623:2013) at √(2·gap/a) − 2.4. The ramps' values are by
integration in 10 µs steps. All of it goes through the feed's encoding, frame by frame.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.measures.columns import FrameBlock
from monitor.measures.gap import pair_measures
from monitor.measures.lead import lead_rows
from tests.measures.conftest import block_of

G = 9.80665
SPEED = 45 * 0.44704
STEP = 0.001
CRITERION_S = 2.4


def drive(braking: float, gap: float, ramp: float, until: float) -> FrameBlock:
    """Frames from the begin of the braking on; the lead's deceleration rises linearly over `ramp` seconds."""
    scenes = []
    for t in np.arange(0.0, until, STEP).tolist():
        if t < ramp:
            accel, lost = braking * t / ramp, braking * t**2 / (2 * ramp)
            behind = braking * t**3 / (6 * ramp)
        else:
            accel, lost = braking, braking * (t - ramp / 2)
            behind = braking * ((t - ramp / 2) ** 2 / 2 + ramp**2 / 24)
        x = SPEED * t
        lead = {"x": x + gap + 4.6 - behind, "speed": SPEED - lost, "accel": -accel}
        scenes.append(({"x": x, "speed": SPEED}, [lead]))
    return block_of(*scenes, period=STEP)


def first_at_or_below(block: FrameBlock, name: str) -> tuple[float, float, float, float]:
    """Time, gap, closing speed and TTC where the measure comes down to 2.4 s, between two frames by a straight line."""
    measures = pair_measures(block, None, lead_rows(block, None))
    value = measures[name].value
    after = int(np.flatnonzero(value <= CRITERION_S)[0])
    part = (value[after - 1] - CRITERION_S) / (value[after - 1] - value[after])
    columns = [block.t, *(measures[other].value for other in ("distance_gap", "closing_speed", "ttc"))]
    t, gap, closing, ttc = (float(one[after - 1] + part * (one[after] - one[after - 1])) for one in columns)
    return t, gap, closing, ttc


@pytest.mark.parametrize(
    ("braking_g", "gap", "by_ttc", "by_ttc_accel"),
    [
        (0.30, 30.0, (2.7141, 19.164, 7.985, 2.4), (2.1160, 23.414, 6.225, 3.761)),
        (0.30, 27.5, (2.5452, 17.971, 7.488, 2.4), (1.9237, 22.056, 5.660, 3.897)),
        (0.30, 32.5, (2.8777, 20.319, 8.466, 2.4), (2.3004, 24.716, 6.768, 3.652)),
        (0.27, 30.0, (2.9311, 18.626, 7.761, 2.4), (2.3603, 22.625, 6.250, 3.620)),
        (0.33, 30.0, (2.5295, 19.647, 8.186, 2.4), (1.9058, 24.123, 6.168, 3.911)),
        (0.27, 32.5, (3.1053, 19.734, 8.222, 2.4), (2.5547, 23.860, 6.764, 3.527)),
        (0.33, 27.5, (2.3702, 18.409, 7.671, 2.4), (1.7225, 22.699, 5.574, 4.072)),
    ],
)
def test_instants_of_both_definitions(
    braking_g: float, gap: float, by_ttc: tuple[float, ...], by_ttc_accel: tuple[float, ...]
) -> None:
    block = drive(braking_g * G, gap, ramp=0.0, until=3.3)
    printed = [6e-5, 6e-4, 6e-4, 6e-4]
    np.testing.assert_array_less(np.abs(np.subtract(first_at_or_below(block, "ttc"), by_ttc)), printed)
    np.testing.assert_array_less(np.abs(np.subtract(first_at_or_below(block, "ttc_accel"), by_ttc_accel)), printed)


@pytest.mark.parametrize(
    ("ramp", "by_ttc", "by_ttc_accel"),
    [(1.5, (3.4458, 19.034), (2.8452, 23.267)), (1.0, (3.2060, 19.106), (2.6068, 23.348))],
)
def test_instants_with_a_ramp(ramp: float, by_ttc: tuple[float, float], by_ttc_accel: tuple[float, float]) -> None:
    block = drive(0.3 * G, 30.0, ramp=ramp, until=3.6)
    printed = [6e-5, 6e-4]
    np.testing.assert_array_less(np.abs(np.subtract(first_at_or_below(block, "ttc")[:2], by_ttc)), printed)
    np.testing.assert_array_less(np.abs(np.subtract(first_at_or_below(block, "ttc_accel")[:2], by_ttc_accel)), printed)


def test_the_definitions_are_more_than_half_a_second_apart() -> None:
    """Taking one definition for the other is no matter of rounding."""
    block = drive(0.3 * G, 30.0, ramp=0.0, until=3.0)
    assert first_at_or_below(block, "ttc")[0] - first_at_or_below(block, "ttc_accel")[0] == pytest.approx(
        0.598, abs=1e-3
    )


def test_the_start_as_a_time_gap() -> None:
    block = drive(0.3 * G, 30.0, ramp=0.0, until=0.01)
    time_gap = pair_measures(block, None, lead_rows(block, None))["time_gap"]
    assert time_gap.value[0] == pytest.approx(1.4913, abs=5e-5)
