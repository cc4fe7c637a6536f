"""A packed structure stated in words: the layout of a datagram, and the reading of one.

A field is a text: type, name and, where it does not follow the field before it, its byte position:
"u32 counter", "f64[3] position", "f32 speed @40", "text[16] phase", "skip 4". Nothing is padded by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from monitor.connect.channel_map.model import Field, Layout, PackedRows
from monitor.tables.faults import Faults, Path, quoted

LARGEST_DATAGRAM = 65507
"""Bytes of payload of one UDP datagram over IPv4."""

CODES = {
    "i8": "i1",
    "u8": "u1",
    "i16": "i2",
    "u16": "u2",
    "i32": "i4",
    "u32": "u4",
    "i64": "i8",
    "u64": "u8",
    "f32": "f4",
    "f64": "f8",
    "bool": "?",
}
"""Type in a layout → numpy's code for it; beside these there is text[N], N bytes of which a zero byte ends the text."""

PACKETS_LOOKED_AT = 64
FEWEST_VALUES = 16
LEAST, MOST = 1e-6, 1e8
"""Between these lie the sizes of nearly all numbers of a simulator that are not zero. A float whose bytes stand the
wrong way round is of any size from 1e-38 to 1e38."""
SURE, UNLIKELY = 0.95, 0.6
FEWEST_FIELDS = 2
NAMES = {"<": "little", ">": "big"}

_FIELD = re.compile(
    r"(?P<type>[a-z]+[0-9]*)(?:\[(?P<count>[0-9]{1,5})\])?\s+(?P<name>[^\s@]+)(?:\s*@\s*(?P<at>[0-9]{1,5}))?"
)
_SKIP = re.compile(r"skip\s+(?P<count>[0-9]{1,5})")


def field_size(field: Field) -> int:
    """Bytes of a field."""
    return np.dtype(field.code).itemsize * field.count


def read_fields(texts: Sequence[str], path: Path, faults: Faults, at: int = 0) -> tuple[tuple[Field, ...], int]:
    """The fields that the texts state, and the first byte after the furthest of them."""
    fields: list[Field] = []
    end = at
    for index, text in enumerate(texts):
        here = (*path, index)
        skip = _SKIP.fullmatch(text.strip())
        if skip:
            at += int(skip["count"])
            end = max(end, at)
            continue
        match = _FIELD.fullmatch(text.strip())
        known = match is not None and (match["type"] in CODES or (match["type"] == "text" and match["count"]))
        if match is None or not known:
            expected = 'a type and a name, such as "f64 time", "f32[3] position", "text[8] phase" or "skip 4"'
            faults.add(here, expected=expected, found=quoted(text), hint=f"types: {', '.join((*CODES, 'text[N]'))}")
            continue
        count = int(match["count"] or 1)
        if not count:
            faults.add(here, expected="at least one element", found=quoted(text))
            continue
        if any(field.name == match["name"] for field in fields):
            faults.add(here, expected="each name once", found=f"{quoted(match['name'])} a second time")
            continue
        at = int(match["at"]) if match["at"] else at
        is_text = match["type"] == "text"
        code = f"S{count}" if is_text else CODES[match["type"]]
        field = Field(match["name"], code, 1 if is_text else count, at)
        fields.append(field)
        at += field_size(field)
        end = max(end, at)
    return tuple(fields), end


def read_layout(section: Mapping[str, Any], path: Path, faults: Faults) -> Layout | None:
    """The layout in a [source] section of kind "udp"; None where it has a fault."""
    if "fields" not in section:
        faults.add((*path, "fields"), expected="the packet's fields", found="nothing, the key is missing")
        return None
    if section["fields"] is None:
        return None
    fields, end = read_fields(section["fields"], (*path, "fields"), faults)
    names = [field.name for field in fields]
    rows = []
    at = end
    for index, one in enumerate(section.get("rows") or ()):
        if one is None or faults.under((*path, "rows", index)):
            continue
        row = _read_rows(one, (*path, "rows", index), at, names, faults)
        if row is not None:
            rows.append(row)
            at = row.at + row.stride * row.most
    must_be = section.get("must_be") or {}
    for name in must_be:
        if name not in names:
            faults.add_misspelt((*path, "must_be", name), name, names, expected="a field of the packet")
    # A datagram may end after the rows that are used, where a field says how many those are.
    needed = max([end, *(row.at + (0 if row.count else row.stride * row.most) for row in rows)])
    size = section.get("size")
    if size is not None and size < needed:
        faults.add((*path, "size"), expected=f"at least the {needed} bytes of the fields", found=f"the number {size}")
    if needed > LARGEST_DATAGRAM:
        faults.add((*path, "fields"), expected=f"at most {LARGEST_DATAGRAM} bytes", found=f"{needed}")
    if faults.under(path):
        return None
    order: Literal["<", ">"] = ">" if section.get("byte_order") == "big" else "<"
    return Layout(order, fields, tuple(rows), size or needed, size is not None, dict(must_be))


def _read_rows(section: Mapping[str, Any], path: Path, at: int, names: list[str], faults: Faults) -> PackedRows | None:
    fields, length = read_fields(section["fields"], (*path, "fields"), faults)
    stride = section.get("stride") or length
    if stride < length:
        found = f"the number {stride}"
        faults.add((*path, "stride"), expected=f"at least the {length} bytes of a row's fields", found=found)
    count = section.get("count")
    if count is not None and count not in names:
        faults.add_misspelt((*path, "count"), count, names, expected="a field of the packet that counts the rows")
    if faults.under(path):
        return None
    begin = section.get("at")
    return PackedRows(section["name"], at if begin is None else begin, stride, section["most"], count, fields)


def layout_names(layout: Layout) -> list[str]:
    """Every name that a packet gives: fields, elements of arrays as `position.0`, and the rows' own names."""
    names = []
    for field in layout.fields:
        names += _element_names(field)
    return names + [row.name for row in layout.rows]


def row_names(rows: PackedRows) -> list[str]:
    """Every name that a row gives."""
    return [name for field in rows.fields for name in _element_names(field)]


class PacketRefused(ValueError):
    """Raised for a datagram that does not have the layout; its text is one sentence."""


class PacketReader:
    """Reads datagrams of one layout. Rows come as structured arrays that share the datagram's memory."""

    def __init__(self, layout: Layout) -> None:
        self.doubt = ""
        """What makes one doubt the layout, in one sentence; empty where nothing does, or too few packets have come."""
        self._looked_at: list[bytes] | None = []
        self._layout = layout
        self._head = _structure(layout.fields, layout.byte_order)
        self._rows = [(row, _structure(row.fields, layout.byte_order, row.stride)) for row in layout.rows]
        self._elements = tuple((field.name, _element_names(field)) for field in layout.fields)
        self._texts = frozenset(field.name for field in layout.fields if field.code.startswith("S"))

    def read(self, packet: bytes) -> dict[str, Any]:
        """The packet's values by name. Raises `PacketRefused`."""
        layout = self._layout
        if len(packet) < layout.size or (layout.exact and len(packet) != layout.size):
            least = "" if layout.exact else "at least "
            raise PacketRefused(f"a packet of {len(packet)} bytes came where the layout has {least}{layout.size}")
        if self._looked_at is not None:
            self._look_at(packet, self._looked_at)
        values: dict[str, Any] = {}
        record = np.frombuffer(packet, self._head, count=1)[0]
        for (name, elements), value in zip(self._elements, record.tolist(), strict=True):
            if len(elements) > 1:
                values.update(zip(elements, list(value), strict=True))
            elif name in self._texts:
                values[name] = value.split(b"\0", 1)[0].decode("utf-8", "replace").strip()
            else:
                values[name] = value
        for name, wanted in layout.must_be.items():
            if values[name] != wanted:
                why = f"`{name}` is {values[name]} where the map says it must be {wanted:.15g}"
                raise PacketRefused(why + self._turned_round(name, packet))
        for row, dtype in self._rows:
            values[row.name] = self._row_array(packet, row, dtype, values)
        return values

    def _look_at(self, packet: bytes, looked_at: list[bytes]) -> None:
        """Keeps the first packets, and looks at their byte order once they are enough."""
        looked_at.append(packet)
        if len(looked_at) == PACKETS_LOOKED_AT:
            self.doubt = other_order_doubt(self._layout, looked_at)
            self._looked_at = None

    def _turned_round(self, name: str, packet: bytes) -> str:
        """A word on a field that is right with its bytes the other way round."""
        field = next(one for one in self._layout.fields if one.name == name)
        if field.code[0] not in "iuf" or field.count > 1:
            return ""
        other = ">" if self._layout.byte_order == "<" else "<"
        value = np.frombuffer(packet, np.dtype(other + field.code), 1, field.at)[0]
        return ", as it is in the other byte_order" if value == self._layout.must_be[name] else ""

    def _row_array(self, packet: bytes, row: PackedRows, dtype: np.dtype[np.void], values: Mapping[str, Any]) -> Any:
        used = row.most
        if row.count is not None:
            used = int(values[row.count])
            if not 0 <= used <= row.most:
                raise PacketRefused(f"`{row.count}` says {used} rows of `{row.name}`, which has at most {row.most}")
        if row.at + used * row.stride > len(packet):
            raise PacketRefused(f"the packet ends inside the {used} rows of `{row.name}`")
        return np.frombuffer(packet, dtype, count=used, offset=row.at) if used else np.empty(0, dtype)


def _structure(fields: Sequence[Field], byte_order: str, stride: int | None = None) -> np.dtype[np.void]:
    """numpy's type for the fields at their byte positions."""
    formats: list[Any] = []
    for field in fields:
        code = field.code if field.code[0] in "S?" else byte_order + field.code
        formats.append((code, (field.count,)) if field.count > 1 else code)
    shape: Any = {
        "names": [field.name for field in fields],
        "formats": formats,
        "offsets": [field.at for field in fields],
        "itemsize": stride or max(field.at + field_size(field) for field in fields),
    }
    structure: np.dtype[np.void] = np.dtype(shape)
    return structure


def _element_names(field: Field) -> list[str]:
    return [field.name] if field.count == 1 else [f"{field.name}.{index}" for index in range(field.count)]


def other_order_doubt(layout: Layout, packets: Sequence[bytes]) -> str:
    """One sentence where most fields that tell something are sensible in the other order only; else empty."""
    order = layout.byte_order
    other = replace(layout, byte_order=">" if order == "<" else "<")
    for_this = for_other = 0
    for here, there in zip(_sensible(layout, packets), _sensible(other, packets), strict=True):
        if len(here) < FEWEST_VALUES:
            continue
        for_other += here.mean() < UNLIKELY and there.mean() > SURE
        for_this += there.mean() < UNLIKELY and here.mean() > SURE
    if for_other < FEWEST_FIELDS or for_other <= 2 * for_this:
        return ""
    return (
        f'The packets look like byte_order = "{NAMES[other.byte_order]}": {for_other} of their fields are of a '
        "sensible size that way only. In the channel map: [source] byte_order"
    )


def _sensible(layout: Layout, packets: Sequence[bytes]) -> Iterator[npt.NDArray[np.bool_]]:
    """For each field of two bytes and more, whether each of its numbers that is not zero is of a sensible size."""
    for field in layout.fields:
        if field.code[0] not in "fiu" or field.code in ("i1", "u1"):
            continue
        dtype = np.dtype(layout.byte_order + field.code)
        values = np.concatenate([np.frombuffer(one, dtype, field.count, field.at) for one in packets])
        with np.errstate(invalid="ignore", over="ignore"):
            sizes = np.abs(values.astype(np.float64))
        yield (sizes[sizes != 0] >= LEAST) & (sizes[sizes != 0] <= MOST)
