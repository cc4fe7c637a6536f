"""Files in the format of the streaming layer's recorder (XDF 1.0), written by hand from its specification.

Chunks: a number of length bytes (1, 4 or 8), the length, a tag (u16), and the content; streams have a header and a
footer in XML, samples with a time stamp each, and clock offsets as they were measured. pyxdf reads them back.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Stream:
    """A stream: `samples` are (stamp by its own clock, values), `offsets` (its clock, offset to the recorder's)."""

    name: str
    labels: Sequence[str]
    samples: Sequence[tuple[float, Sequence[float] | str]]
    offsets: Sequence[tuple[float, float]] = ()
    kind: str = "Gaze"
    source_id: str = "id-1"
    host: str = "elsewhere"
    rate_hz: float = 0.0
    texts: bool = field(default=False)


def write_xdf(path: Path, streams: Sequence[Stream]) -> None:
    out = [b"XDF:", _chunk(1, b"<?xml version='1.0'?><info><version>1.0</version></info>")]
    for number, one in enumerate(streams, start=1):
        out.append(_chunk(2, struct.pack("<I", number) + _header(one).encode()))
    for number, one in enumerate(streams, start=1):
        for at, offset in one.offsets:
            out.append(_chunk(4, struct.pack("<Idd", number, at, offset)))
        for first in range(0, len(one.samples), 500):
            part = one.samples[first : first + 500]
            body = struct.pack("<I", number) + b"\4" + struct.pack("<I", len(part))
            for stamp, values in part:
                body += b"\x08" + struct.pack("<d", stamp)
                if isinstance(values, str):
                    text = values.encode()
                    body += b"\4" + struct.pack("<I", len(text)) + text
                else:
                    body += struct.pack(f"<{len(values)}d", *values)
            out.append(_chunk(3, body))
        out.append(_chunk(6, struct.pack("<I", number) + _footer(one).encode()))
    path.write_bytes(b"".join(out))


def _header(one: Stream) -> str:
    labels = "".join(f"<channel><label>{label}</label></channel>" for label in one.labels)
    return (
        f"<?xml version='1.0'?><info><name>{one.name}</name><type>{one.kind}</type>"
        f"<channel_count>{1 if one.texts else len(one.labels)}</channel_count>"
        f"<nominal_srate>{one.rate_hz}</nominal_srate>"
        f"<channel_format>{'string' if one.texts else 'double64'}</channel_format>"
        f"<source_id>{one.source_id}</source_id>"
        f"<hostname>{one.host}</hostname><created_at>0</created_at><desc><channels>{labels}</channels></desc></info>"
    )


def _footer(one: Stream) -> str:
    first, last = (one.samples[0][0], one.samples[-1][0]) if one.samples else (0.0, 0.0)
    return (
        f"<?xml version='1.0'?><info><first_timestamp>{first}</first_timestamp><last_timestamp>{last}</last_timestamp>"
        f"<sample_count>{len(one.samples)}</sample_count></info>"
    )


def _chunk(tag: int, content: bytes) -> bytes:
    return b"\4" + struct.pack("<IH", len(content) + 2, tag) + content
