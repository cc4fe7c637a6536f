"""What the process that parses a file hands on: messages of a length (u32, little-endian) and so many bytes of msgpack.

First {"streams": [{"name", "rate_hz", "uncertainty_s"}, …]}, one for each that was asked for; then {"samples":
[[stream, time, values, topic], …]} in the order of time; last {"end": refused, "why": text}, or {"error": sentence}.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import IO, Any

import msgpack

LENGTH = struct.Struct("<I")
LARGEST = 64 << 20
"""Bytes of a message; a larger one comes from no process of ours."""
A_MESSAGE = 2000
"""Samples in a message."""


def write_message(out: IO[bytes], fields: dict[str, Any]) -> None:
    """Hands one message on."""
    packed = msgpack.packb(fields)
    out.write(LENGTH.pack(len(packed)))
    out.write(packed)


def read_messages(source: IO[bytes]) -> Iterator[dict[str, Any]]:
    """The messages, to the end of what is handed on. Raises ValueError for anything else."""
    while head := source.read(LENGTH.size):
        if len(head) < LENGTH.size:
            raise ValueError("it broke off")
        (length,) = LENGTH.unpack(head)
        if length > LARGEST:
            raise ValueError(f"a message of {length} bytes")
        packed = source.read(length)
        if len(packed) < length:
            raise ValueError("it broke off")
        fields = msgpack.unpackb(packed, strict_map_key=False)
        if not isinstance(fields, dict):
            raise ValueError("a message that is no map")
        yield fields
