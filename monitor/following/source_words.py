"""The further sources in words: for the state line, preflight, cards, and lines without a screen."""

from __future__ import annotations

from monitor.judging.case.trial import SourceEvidence
from monitor.judging.source_state import SourceState


def trouble_sentence(sources: tuple[SourceState, ...]) -> str:
    """The first source in trouble, in one sentence; empty where there is none."""
    return next((f"{one.name} {one.trouble}." for one in sources if one.trouble), "")


def clock_words(name: str, offset_s: float | None, uncertainty_s: float | None) -> str:
    """A source's clock: "gaze −0.401 s ±17 ms"."""
    if offset_s is None or uncertainty_s is None:
        return f"{name} clock not known"
    return f"{name} {'−' if offset_s < 0 else '+'}{abs(offset_s):.3f} s ±{uncertainty_s * 1000:.0f} ms"


def evidence_words(sources: tuple[SourceEvidence, ...]) -> str:
    """The clocks of further sources at a trial's fire: "gaze −0.401 s ±17 ms by 4 sync markers"."""
    return ", ".join(
        clock_words(one.source, one.offset_s, one.uncertainty_s)
        + (f" by {one.marks} sync {'marker' if one.marks == 1 else 'markers'}" if one.marks else "")
        for one in sources
    )
