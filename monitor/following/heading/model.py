"""A heading: the large word, the seconds beside it, the sentence, and what can be done now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Tone = Literal["good", "bad", "wait", "held", "plain"]


@dataclass(frozen=True, slots=True)
class Heading:
    """One thing that may head the screen."""

    tone: Tone
    word: str
    seconds: float | None = None
    """Seconds that are left, shown large beside the word."""
    sentence: str = ""
    now: str = ""
    """What can be done, and the time left for it; one line of 78 cells where that is possible."""
    hint: str = ""
    """The key that answers it, such as "a seen"."""
