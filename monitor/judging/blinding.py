"""What a blind study hides from the fire to the ruling: own speed, pedals, steering, gap, TTC and all that follows."""

from __future__ import annotations

from monitor.judging.case.trial import Trial
from monitor.study.model import Measure

MASKED_OWN = ("speed", "accel", "accelerator", "brake", "steering_angle", "yaw_rate", "station", "x", "y")
"""Own channels from which the response can be read, or worked out."""


def is_masked(measure: Measure) -> bool:
    """Whether a blind study hides this measure after the fire."""
    return measure.kind == "pair" or (measure.kind == "own" and measure.name in MASKED_OWN)


def masked_from(trials: tuple[Trial, ...], drive: int) -> float | None:
    """The instant of a drive from which on it is hidden: the first fire whose response may not be shown yet."""
    fires = [
        trial.fired_at
        for trial in trials
        if trial.drive == drive and trial.response_hidden and trial.fired_at is not None
    ]
    return min(fires, default=None)
