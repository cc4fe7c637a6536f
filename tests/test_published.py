"""Published test procedures driven through the feed: messages in, expected fire out.

Source: US confirmation test for forward-collision warning (February 2013), test 2, decelerating lead: both cars at
45 mph (20.1168 m/s), 30 m apart, the lead brakes at 0.3 g (test numbers from memory). What follows is kinematics:

- gap over closing speed reaches T* at t = −T* + √(T*² + 2·d0/a);
- with the lead's deceleration taken into account, contact is at √(2·d0/a), so T* is reached T* before that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import msgpack
import pytest

from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames
from monitor.study.loading import parse_study

G = 9.80665
SPEED = 20.1168
ONSET_T = 2.0
RATE_HZ = 500.0
LENGTH = 4.6

STUDY = """
[study]
name = "published"
title = "Decelerating lead"
participant_pattern = "Q[0-9]+"
[groups.one]
alert = []
[[trigger]]
name = "alert"
surprise_class = "rear-end"
[[trigger.fires_when]]
measure = "{measure}"
role = "lead"
at_most = {threshold}
[[trigger.condition]]
name = "gap"
measure = "distance_gap"
role = "lead"
at_least = 0.0
at_most = 100.0
"""


def messages(gap_m: float, decel_mps2: float, ramp_s: float) -> Iterator[list[bytes]]:
    """The drive frame by frame: own car goes on at its speed, the lead brakes from `ONSET_T`, by a ramp if any."""
    base = {"v": 1, "run": "published"}
    yield [b"hello", msgpack.packb({**base, "source": "test", "rate_hz": RATE_HZ, "signals": {}})]
    for seq in range(round(9.0 * RATE_HZ)):
        t = seq / RATE_HZ
        since = max(t - ONSET_T, 0.0)
        up = min(since, ramp_s)
        accel = -decel_mps2 * (up / ramp_s if ramp_s else float(since > 0))
        slower = decel_mps2 * (up * up / (2 * ramp_s) if ramp_s else 0.0) + decel_mps2 * (since - up)
        back = decel_mps2 * (up**3 / (6 * ramp_s) if ramp_s else 0.0)
        back += (decel_mps2 * up * up / (2 * ramp_s) if ramp_s else 0.0) * (since - up) + decel_mps2 * (
            since - up
        ) ** 2 / 2
        own_x = SPEED * t
        lead_x = own_x + gap_m + LENGTH - back
        body = {"x": own_x, "y": 0.0, "heading": 0.0, "speed": SPEED, "accel": 0.0, "length": LENGTH, "width": 1.8}
        own = {**body, "yaw_rate": 0.0}  # without it, a road line or lanes nobody knows which way own car goes
        lead = {**body, "id": 4, "x": lead_x, "speed": SPEED - slower, "accel": accel}
        frame = {**base, "seq": seq, "t": t, "own": own, "others": {name: [value] for name, value in lead.items()}}
        yield [b"frame", msgpack.packb({**frame, "signals": {}, "markers": 0})]


def expected_at(measure: str, threshold: float, gap_m: float, decel_mps2: float, ramp_s: float = 0.0) -> float:
    """When the monitor says that the rule holds, in seconds after the lead begins to brake."""
    study = parse_study(STUDY.format(measure=measure, threshold=threshold), "published.toml")
    opening = Opening("Q1", "one", study.name, study.text, study.sha256, (), {})
    session = Session(study, opening)
    session.take(
        Entry(EntryKind.MESSAGE, number, number, number, pack_frames(frames))
        for number, frames in enumerate(messages(gap_m, decel_mps2, ramp_s), start=1)
    )
    (watch,) = session.drives[0].watches.values()
    return watch.expected[0].t - ONSET_T


@pytest.mark.parametrize(
    ("decel_g", "gap_m", "ttc_s", "ttc_accel_s"),
    [
        (0.30, 30.0, 2.7141, 2.1160),
        (0.30, 27.5, 2.5452, 1.9237),
        (0.30, 32.5, 2.8777, 2.3004),
        (0.27, 30.0, 2.9311, 2.3603),
        (0.33, 30.0, 2.5295, 1.9058),
        (0.27, 32.5, 3.1053, 2.5547),
        (0.33, 27.5, 2.3702, 1.7225),
    ],
)
def test_the_decelerating_lead_reaches_2_4_s_when_kinematics_say(
    decel_g: float, gap_m: float, ttc_s: float, ttc_accel_s: float
) -> None:
    a = decel_g * G
    assert -2.4 + math.sqrt(2.4**2 + 2 * gap_m / a) == pytest.approx(ttc_s, abs=6e-5)
    assert math.sqrt(2 * gap_m / a) - 2.4 == pytest.approx(ttc_accel_s, abs=6e-5)
    # the first frame at or after the instant: late by less than one frame, never early
    for measure, instant in (("ttc", ttc_s), ("ttc_accel", ttc_accel_s)):
        late = expected_at(measure, 2.4, gap_m, a) - instant
        assert -1e-4 <= late < 1 / RATE_HZ + 1e-4, measure


@pytest.mark.parametrize(("ramp_s", "ttc_s"), [(1.5, 3.4458), (1.0, 3.2060)])
def test_a_ramp_to_the_deceleration_moves_the_instant(ramp_s: float, ttc_s: float) -> None:
    late = expected_at("ttc", 2.4, 30.0, 0.3 * G, ramp_s) - ttc_s
    assert -1e-4 <= late < 1 / RATE_HZ + 1e-4


def test_centre_to_centre_instead_of_bumper_to_bumper_would_be_wrong_by_more_than_the_tolerance() -> None:
    """The control that must fail: a gap longer by one car length moves the instant by far more than a frame."""
    wrong = expected_at("ttc", 2.4, 30.0 + LENGTH, 0.3 * G)
    assert wrong - 2.7141 > 0.1
