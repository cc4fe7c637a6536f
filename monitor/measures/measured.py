"""A measure's values with the reason for each one that is no number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from monitor.measures.columns import BoolArray, FloatArray

StateArray = npt.NDArray[np.uint8]


class State(IntEnum):
    """Why there is a number, or why there is none."""

    MEASURED = 0
    NOT_MEASURED = 1
    NO_LEAD = 2
    NOT_CLOSING = 3
    STANDING = 4
    NOT_DEPARTING = 5
    CONTACT = 6
    PASSED = 7
    NOT_YET = 8

    @property
    def text(self) -> str:
        """The word that stands in place of the number."""
        return _TEXTS[self]


_TEXTS = {
    State.MEASURED: "measured",
    State.NOT_MEASURED: "not measured",
    State.NO_LEAD: "no lead",
    State.NOT_CLOSING: "not closing",
    State.STANDING: "standing still",
    State.NOT_DEPARTING: "not departing",
    State.CONTACT: "contact",
    State.PASSED: "passed",
    State.NOT_YET: "not yet",
}

_MEASURED, _CONTACT = int(State.MEASURED), int(State.CONTACT)


@dataclass(frozen=True, slots=True)
class Measured:
    """Values of one measure on n frames, shapes (n,).

    `value` is NaN wherever `state` is neither MEASURED nor CONTACT. In CONTACT, gaps and times to contact are 0.0; the
    decelerations are NaN, because none is large enough.
    """

    value: FloatArray
    state: StateArray

    def part(self, first: int, stop: int) -> Measured:
        """Frames `first` … `stop` − 1, sharing the memory."""
        return Measured(self.value[first:stop], self.state[first:stop])


def measured(value: FloatArray, *states: tuple[BoolArray, State]) -> Measured:
    """Values with the states that hold where their masks do, the first one winning; NaN left over is "not measured"."""
    state = np.isnan(value).astype(np.uint8)  # 0 is MEASURED, 1 is NOT_MEASURED
    if not states:
        return Measured(value, state)
    for mask, reason in reversed(states):
        state[mask] = reason
    return Measured(np.where((state == _MEASURED) | (state == _CONTACT), value, np.nan), state)


def join_measured(parts: Sequence[Measured]) -> Measured:
    """Measured values one after the other."""
    return Measured(np.concatenate([one.value for one in parts]), np.concatenate([one.state for one in parts]))
