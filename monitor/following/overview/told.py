"""Whether this version understands what a writer tells: a screen of another version may tell otherwise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

VERSION = 1


def is_understood(told: Mapping[str, Any]) -> bool:
    """Whether every key that a row is made of is what `status_stream` says; one that is absent is."""
    coming = told.get("next")
    return (
        told.get("v") == VERSION
        and all(_is_number(told.get(name)) for name in ("wall", "valid_for_s", "t", "minutes_left", "lost", "drive"))
        and all(_is_text(told.get(name)) for name in ("by", "participant", "feed", "recorder", "record"))
        and (coming is None or (isinstance(coming, dict) and _is_text(coming.get("trigger"))))
        and (coming is None or _is_number(coming.get("seconds")))
        and all(_is_text(one.get("word")) and _is_text(one.get("trial")) for one in _maps(told.get("waiting")))
        and all(_is_heading(one) for one in _maps(told.get("headings")))
    )


def _is_heading(fields: Mapping[str, Any]) -> bool:
    """A heading; what is no map at all was put here as one without a word."""
    words = all(_is_text(fields.get(name)) for name in ("name", "tone", "sentence"))
    return isinstance(fields.get("word"), str) and words and _is_number(fields.get("seconds"))


def _maps(value: Any) -> list[Mapping[str, Any]]:
    """The maps of a list; anything else is one that nothing understands."""
    if value is None:
        return []
    nothing: list[Mapping[str, Any]] = [{"word": None, "trial": 0}]
    return [*value] if isinstance(value, list) and all(isinstance(one, dict) for one in value) else nothing


def _is_text(value: Any) -> bool:
    return value is None or isinstance(value, str)


def _is_number(value: Any) -> bool:
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value))
