"""Frames like the last one, read without unpacking them again.

A simulator sends the same map every step: the same keys in the same order, the same kinds of numbers, other values. So
a frame that was decoded in full is taken apart into values (the bodies of numbers and of columns) and the bytes between
them: keys, kinds, lengths, texts, booleans, small integers. A later payload with the same bytes between is a frame of
that shape. Every check that looks at no value has been made for it already, and one `struct.unpack` reads it, in about
half the time. Any other payload is decoded in full. So templates decide nothing: they give what the full decoding
gives, or nothing.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from monitor.feed.schema import OTHERS_OPTIONAL, OTHERS_REQUIRED, Frame

KEPT = 4
"""Templates kept. A boolean that goes back and forth makes two shapes, a vehicle that comes and goes two more."""
PRICE = 16
"""Messages to each new template, which costs about as much as five full decodings."""
SAVED = 4 * PRICE

_NUMBERS = {
    0xCA: "f",
    0xCB: "d",
    0xCC: "B",
    0xCD: "H",
    0xCE: "I",
    0xCF: "Q",
    0xD0: "b",
    0xD1: "h",
    0xD2: "i",
    0xD3: "q",
}
_DOUBLE = 0xCB
_CONSTANTS = frozenset((*range(0x80), *range(0xE0, 0x100), 0xC0, 0xC2, 0xC3))
"""Small integers, null and booleans are one byte, kind and value in one: they belong to the shape."""


class NoTemplate(Exception):
    """Raised where a payload has something that templates do not hold."""


@dataclass(frozen=True, slots=True)
class Value:
    """A value in the payload: where its body begins, its struct code, and what it is of ("own", "speed")."""

    start: int
    code: str
    group: str
    name: str
    is_array: bool = False
    """A column given as an array of doubles: a kind byte before each."""


class Template:
    """The shape of one frame, and how to read another of that shape."""

    def __init__(self, payload: bytes, frame: Frame) -> None:
        """Raises `NoTemplate` for a payload that has no shape of its own."""
        self.values = values = _Shape(payload).values
        layout, at = [">"], 0
        for value in values:
            layout += (f"{value.start - at}s", value.code)
            at = value.start + struct.calcsize(f">{value.code}")
        layout.append(f"{len(payload) - at}s")
        self.size = len(payload)
        self.payload = payload
        self._unpack = struct.Struct("".join(layout)).unpack
        self._between = self._unpack(payload)[::2]
        self.frame = frame
        """The frame that the shape was taken from: what is no value is as it is here."""
        place = {value.group: index for index, value in enumerate(values) if not value.name}
        if "seq" not in place or "t" not in place:
            raise NoTemplate
        self._seq, self._t = place["seq"], place["t"]
        self._markers, self._wall = place.get("markers"), place.get("wall")
        self._own, self._own_names = _run_of(values, "own")
        self._signals, self._signal_names = _run_of(values, "signals")
        self._columns, self._column_names = _run_of(values, "others")
        self._arrays = tuple(value.name for value in values if value.is_array)

    def fits(self, payload: bytes) -> bool:
        """Whether a payload of `size` bytes is of this shape."""
        return self._unpack(payload)[::2] == self._between

    def read(self, payload: bytes, checked_ids: Callable[[bytes], int]) -> Frame | None:
        """The frame in a payload of `size` bytes; None if it is of another shape. Raises what `checked_ids` raises."""
        parts = self._unpack(payload)
        if parts[::2] != self._between:
            return None
        values, like = parts[1::2], self.frame
        t = values[self._t]
        wall = like.wall if self._wall is None else values[self._wall]
        if t - t != 0.0 or (wall is not None and wall - wall != 0.0):
            return None  # not finite: the full decoding has the words for it
        own = dict(zip(self._own_names, values[self._own], strict=True))
        if len(own) != len(like.own):
            own = {**like.own, **own}
        signals = dict(zip(self._signal_names, values[self._signals], strict=True))
        if len(signals) != len(like.signals):
            signals = {**like.signals, **signals}
        columns = dict(zip(self._column_names, values[self._columns], strict=True))
        for name in self._arrays:
            column = _doubles(columns[name])
            if column is None:
                return None
            columns[name] = column
        ids = columns.pop("id", like.ids)
        checked_ids(ids)
        if len(columns) != len(like.columns):
            columns = {**like.columns, **columns}
        markers = like.markers if self._markers is None else values[self._markers]
        if markers < 0:
            return None  # another kind of number than the one byte that stood there
        return Frame(like.run, values[self._seq], t, own, ids, columns, like.names, signals, markers, wall)


class Templates:
    """The templates of late, the last used one first. Bounded in number, and in the work of making new ones."""

    def __init__(self) -> None:
        self._kept: tuple[Template, ...] = ()  # replaced whole, so that threads may share it
        self._saved = SAVED

    def read(self, payload: bytes, checked_ids: Callable[[bytes], int]) -> Frame | None:
        """The frame in the payload, if it is of a known shape; None if it has to be decoded in full."""
        kept = self._kept
        for template in kept:
            if template.size == len(payload):
                frame = template.read(payload, checked_ids)
                if frame is not None:
                    if template is not kept[0]:
                        self._kept = (template, *(one for one in kept if one is not template))
                    return frame
        return None

    def shape_of(self, payload: bytes) -> Template | None:
        """The template that has the payload's shape; None where that is not known."""
        for template in self._kept:
            if template.size == len(payload) and template.fits(payload):
                return template
        return None

    def learn(
        self, payload: bytes, frame: Frame, checked_ids: Callable[[bytes], int], alike: int = 1
    ) -> Template | None:
        """Takes the shape of a frame that was decoded in full, unless that was done too often of late.

        `alike`: how many frames wait that may be of the shape.
        """
        self._saved = min(self._saved + alike, SAVED)
        if self._saved < PRICE:
            return None
        self._saved -= PRICE
        try:
            template = Template(payload, frame)
        except NoTemplate:
            return None
        if repr(template.read(payload, checked_ids)) != repr(frame):  # in words, because NaN is not equal to itself
            return None
        self._kept = (template, *self._kept[: KEPT - 1])
        return template


class _Shape:
    """Walks through the payload of a frame that has been decoded, and collects its values as their bytes come."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._at = 0
        self.values: list[Value] = []
        for _ in range(self._count(0x80, 0xDE)):
            key = self._text()
            if key == "markers" and self._payload[self._at] < 0x80:
                self._value("b", key, "")  # kind and number in one byte, which changes with each marker
            elif key in ("seq", "markers"):
                self._number(key, "", "BHI")
            elif key in ("t", "wall"):
                self._number(key, "", "d")
            elif key in ("own", "signals"):
                for _ in range(self._count(0x80, 0xDE)):
                    self._number(key, self._text(), "fdBHIQbhiq")
            elif key == "others":
                for _ in range(self._count(0x80, 0xDE)):
                    self._column(self._text())
            else:
                self._skip()  # `v`, `run` and unknown keys stay in the shape

    def _number(self, group: str, name: str, codes: str) -> None:
        """A number of one of the codes, or a constant, which is left in the shape."""
        kind = self._payload[self._at]
        self._at += 1
        if kind in _CONSTANTS:
            return
        code = _NUMBERS.get(kind)
        if code is None or code not in codes:
            raise NoTemplate
        self._value(code, group, name)

    def _column(self, name: str) -> None:
        kind = self._payload[self._at]
        if kind in (0xC4, 0xC5):
            length = self._length(1 if kind == 0xC4 else 2)
            self._value(f"{length}s", "others", name)
        elif name not in OTHERS_REQUIRED + OTHERS_OPTIONAL or kind in _CONSTANTS:
            self._skip()  # names, ids in an array, and what is unknown stay in the shape
        else:
            count = self._count(0x90, 0xDC)
            begin, kinds = self._at, set()
            for _ in range(count):
                kinds.add(self._payload[self._at])
                self._skip()
            if kinds == {_DOUBLE}:
                self._at = begin
                self._value(f"{9 * count}s", "others", name, is_array=True)
            elif not _CONSTANTS.issuperset(kinds):
                raise NoTemplate

    def _value(self, code: str, group: str, name: str, is_array: bool = False) -> None:
        self.values.append(Value(self._at, code, group, name, is_array))
        self._at += struct.calcsize(f">{code}")

    def _text(self) -> str:
        """A key."""
        kind = self._payload[self._at]
        if 0xA0 <= kind <= 0xBF:
            length = kind - 0xA0
            self._at += 1
        elif kind == 0xD9:
            length = self._length(1)
        else:
            raise NoTemplate
        self._at += length
        return self._payload[self._at - length : self._at].decode()

    def _count(self, short: int, long: int) -> int:
        """The number of items of a map or an array, whose short form holds it in the low four bits."""
        kind = self._payload[self._at]
        if short <= kind <= short + 15:
            self._at += 1
            return kind - short
        if kind != long:
            raise NoTemplate
        return self._length(2)

    def _length(self, size: int) -> int:
        """A length of `size` bytes behind a kind byte."""
        self._at += 1 + size
        return int.from_bytes(self._payload[self._at - size : self._at])

    def _skip(self) -> None:
        """Passes over an item, which stays in the shape."""
        kind = self._payload[self._at]
        if kind in _CONSTANTS:
            self._at += 1
        elif kind in _NUMBERS:
            self._at += 1 + struct.calcsize(f">{_NUMBERS[kind]}")
        elif 0xA0 <= kind <= 0xBF or kind == 0xD9:
            self._text()
        elif 0x90 <= kind <= 0x9F or kind == 0xDC:
            for _ in range(self._count(0x90, 0xDC)):
                self._skip()
        else:
            raise NoTemplate


def _run_of(values: list[Value], group: str) -> tuple[slice, tuple[str, ...]]:
    """Where the values of a group stand, one after the other since they are of one map, and their names."""
    places = [index for index, value in enumerate(values) if value.group == group]
    if not places:
        return slice(0, 0), ()
    return slice(places[0], places[-1] + 1), tuple(values[index].name for index in places)


@lru_cache(maxsize=64)
def _array_structs(count: int) -> tuple[bytes, struct.Struct, struct.Struct]:
    """For an array of doubles: its kind bytes, how to read the bodies, how to write them as a column."""
    return bytes([_DOUBLE]) * count, struct.Struct(">" + "xd" * count), struct.Struct(f"<{count}d")


def _doubles(array: bytes) -> bytes | None:
    """The items of an array of doubles as a column; None if one of them is of another kind."""
    kinds, read, write = _array_structs(len(array) // 9)
    return write.pack(*read.unpack(array)) if array[::9] == kinds else None
