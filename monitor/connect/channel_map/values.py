"""Finding a source's values by name, and reading them as numbers and texts. Nothing here raises for what it finds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class Sample(NamedTuple):
    """One message, packet or line of a source: its values by name. Values may be nested, and hold rows of vehicles."""

    values: Mapping[str, Any]
    topic: str = ""
    lost_before: int = 0
    """Samples that are known to have been lost just before this one."""


class _Absent:
    """Stands for a value that the sample does not have at all (None is one that it has, and that says nothing)."""

    def __repr__(self) -> str:
        return "ABSENT"


ABSENT: Final = _Absent()
_DIGITS = frozenset("0123456789")


class Place:
    """Where a value stands: its name as it is, else step by step, "ego.position.0"."""

    __slots__ = ("_steps", "name")

    def __init__(self, name: str) -> None:
        self.name = name
        self._steps = tuple(name.split("."))

    def find(self, values: Any) -> Any:
        """The value, or `ABSENT`."""
        if type(values) is dict:  # nearly always; asking the abstract class costs as much as all the rest
            found = values.get(self.name, ABSENT)
            if found is not ABSENT:
                return found
        elif isinstance(values, Mapping) and self.name in values:
            return values[self.name]
        here = values
        for step in self._steps:
            if isinstance(here, Mapping):
                here = here.get(step, ABSENT)
            elif isinstance(here, list | tuple) and step.isdecimal() and int(step) < len(here):
                here = here[int(step)]
            else:
                return ABSENT
            if here is ABSENT:
                return ABSENT
        return here


def number_in(value: Any) -> float:
    """The value as a number; NaN where it is none. Texts that hold a number count, true is 1."""
    if isinstance(value, float | int):
        try:
            return float(value)
        except OverflowError:
            return math.nan
    if isinstance(value, str | np.generic):
        try:
            return float(value)
        except ValueError:
            return {"true": 1.0, "false": 0.0}.get(str(value).strip().lower(), math.nan)
    return math.nan


def bits_in(value: Any, mask: int) -> float:
    """The bits of a mask in a whole number, moved down to the lowest of them; NaN where there is no whole number."""
    number = value if isinstance(value, int) else number_in(value)
    if isinstance(number, float):
        if not number.is_integer():
            return math.nan
        number = int(number)
    return float((number & mask) >> lowest_bit(mask))


def lowest_bit(mask: int) -> int:
    """The place of a mask's lowest bit."""
    return (mask & -mask).bit_length() - 1


def code_in(value: Any) -> str:
    """The value as a code that a map compares with: as `text_in`, and texts that are whole numbers without their zeros
    before and after ("03" and "3.0" are 3)."""
    text = text_in(value)
    if text[:1] in _DIGITS or text[:1] == "-":
        try:
            number = float(text)
        except ValueError:
            return text
        if number.is_integer():
            return str(int(number))
    return text


def text_in(value: Any) -> str:
    """The value as a text that a map compares with: whole numbers without a point, true and false."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, bytes):
        return value.split(b"\0", 1)[0].decode("utf-8", "replace").strip()
    return str(value)


class Rows:
    """Several vehicles of one sample: a structured array, a list of maps, or a map of equal-length columns."""

    def __init__(self, rows: Any) -> None:
        self._rows = rows
        self._is_array = isinstance(rows, np.ndarray) and rows.dtype.names is not None
        if self._is_array or isinstance(rows, list):
            self.count = len(rows)
        elif isinstance(rows, Mapping):
            self.count = max((len(one) for one in rows.values() if isinstance(one, list)), default=0)
        else:
            self.count = 0

    def raw(self, place: Place) -> list[Any]:
        """The values of a column as they came; `ABSENT` or None where there is none."""
        if self._is_array:
            column = self._array(place.name)
            return [ABSENT] * self.count if column is None else column.tolist()
        if isinstance(self._rows, list):
            return [place.find(row) for row in self._rows]
        found = place.find(self._rows)
        return found if isinstance(found, list) and len(found) == self.count else [ABSENT] * self.count

    def whole_numbers(self, place: Place) -> list[int] | None:
        """The values of a column where the source's layout makes them integers; None where it does not."""
        column = self._array(place.name) if self._is_array else None
        return None if column is None or column.dtype.kind not in "iu" else column.tolist()

    def numbers(self, place: Place) -> tuple[FloatArray, bool]:
        """A column as float64, shape (count,), NaN where there is no number; and whether any row has the name."""
        if self._is_array:
            column = self._array(place.name)
            if column is not None and column.dtype.kind in "iufb":
                return column.astype(np.float64), True
        raw = self.raw(place)
        seen = not raw or any(value is not ABSENT for value in raw)
        return np.array([number_in(value) for value in raw], np.float64), seen

    def _array(self, name: str) -> npt.NDArray[Any] | None:
        """The column of a structured array: a field, or one element of an array field, "position.0"."""
        names = self._rows.dtype.names
        if name in names:
            field: npt.NDArray[Any] = self._rows[name]
            return field if field.ndim == 1 else None
        whole, _, index = name.rpartition(".")
        if whole in names and index.isdecimal():
            column: npt.NDArray[Any] = self._rows[whole]
            if column.ndim == 2 and int(index) < column.shape[1]:
                return column[:, int(index)]
        return None
