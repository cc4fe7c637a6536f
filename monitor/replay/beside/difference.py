"""One thing that differs between two runs, and the words that all of them share."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Difference:
    """What differs, from when on (seconds from the zero), by how much (second less first), in words."""

    what: str
    at_s: float
    by: float
    """NaN where only one of them has it."""
    unit: str
    sentence: str
    weight: float = 1.0
    """In how many thresholds it is off: of what begins at one instant the largest is told first."""


def signed(seconds: float) -> str:
    """Seconds from the zero, with their sign."""
    return f"{seconds:+.2f}".replace("-", "−")


def capital(words: str) -> str:
    """With a capital letter."""
    return words[:1].upper() + words[1:]
