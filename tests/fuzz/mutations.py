"""What happens to files: rotten and lost bytes, and bytes that somebody put there whose checksums are right."""

from __future__ import annotations

import json
import os
import struct
import zlib
from pathlib import Path
from random import Random
from typing import Any

import msgpack

from monitor.record.bytes.framing import HEADER, HEADER_BYTES, MARKER, OVERHEAD, header_at
from monitor.record.bytes.parts import PART_HEADER_BYTES
from monitor.record.sealed.blocks import BLOCK_BYTES, BLOCK_MARKER, block_at

ODD_NUMBERS = (0, 1, -1, 2**31, 2**32 - 1, 2**63 - 1, 2**63, 2**64 - 1, 1e308, -1e308, 1e-300, 10**9)
ODD_TEXTS = ("", "\x1b[2J\x1b]0;x\x07", "\u202egnirts", "a" * 3000, "\0", "\ud7ff", "../../x", "NaN", "=1+1")


def value(random: Random, depth: int = 0) -> Any:
    """Any value that msgpack or JSON can hold."""
    match random.randrange(9 if depth < 4 else 6):
        case 0:
            return random.choice(ODD_NUMBERS)
        case 1:
            return random.choice((float("nan"), float("inf"), -float("inf"), random.uniform(-1e6, 1e6)))
        case 2:
            return random.choice(ODD_TEXTS)
        case 3:
            return random.choice((None, True, False))
        case 4:
            return random.randbytes(random.randrange(20))
        case 5:
            return random.randrange(-1000, 1000)
        case 6 | 7:
            return [value(random, depth + 1) for _ in range(random.randrange(4))]
        case _:
            return {random.choice(("a", "type", "t", "", "x" * 70)): value(random, depth + 1) for _ in range(3)}


def spoil_fields(random: Random, fields: dict[str, Any]) -> dict[str, Any]:
    """A map with one to three of its values, at any depth, replaced or gone."""
    fields = dict(fields)
    for _ in range(random.randint(1, 3)):
        name = random.choice([*fields, "unknown"]) if fields else "unknown"
        inner = fields.get(name)
        if isinstance(inner, dict) and inner and random.random() < 0.6:
            fields[name] = spoil_fields(random, inner)
        elif random.random() < 0.15:
            fields.pop(name, None)
        else:
            fields[name] = value(random)
    return fields


def rot(random: Random, raw: bytes) -> bytes:
    """Bytes as a failing disk gives them back."""
    if not raw:
        return random.randbytes(random.randrange(40))
    for _ in range(random.randint(1, 4)):
        at, length = random.randrange(len(raw) + 1), random.choice((1, 4, 76, 512, 4096))
        span = raw[at : at + length]
        match random.randrange(7):
            case 0:
                raw = raw[:at] + bytes([random.randrange(256)]) + raw[at + 1 :]
            case 1:
                raw = raw[:at] + bytes(len(span)) + raw[at + len(span) :]
            case 2:
                raw = raw[:at] + raw[at + length :]
            case 3:
                raw = raw[:at] + span + raw[at:]
            case 4:
                raw = raw[:at]
            case 5:
                raw = raw[:at] + random.randbytes(length) + raw[at:]
            case _:
                other = random.randrange(len(raw) + 1)
                raw = raw[:at] + raw[other : other + length] + raw[at + length :]
    return raw


def forge_part(random: Random, raw: bytes) -> bytes:
    """A part with a header or an entry whose fields are another number's, its checksums put right."""
    if random.random() < 0.3 and len(raw) >= PART_HEADER_BYTES:
        head = bytearray(raw[: PART_HEADER_BYTES - 4])
        at, kind = random.choice(((8, "<H"), (12, "<I"), (16, "<I"), (20, "<I"), (72, "<q"), (80, "<Q"), (88, "<Q")))
        size = struct.calcsize(kind)
        head[at : at + size] = random.choice((bytes(size), b"\xff" * size, random.randbytes(size)))
        return bytes(head) + zlib.crc32(head).to_bytes(4, "little") + raw[PART_HEADER_BYTES:]
    places = entries_in(raw)
    if not places:
        return raw
    at = random.choice(places)
    _, _, length, flags, kind_, number, monotonic, wall = HEADER.unpack_from(raw, at)
    body = raw[at + HEADER_BYTES : at + OVERHEAD + length - 4]
    fields = {"length": length, "flags": flags, "kind": kind_, "number": number, "monotonic": monotonic, "wall": wall}
    changed = random.choice(list(fields))
    limits = {"length": 32, "flags": 16, "kind": 16, "number": 64, "monotonic": 64, "wall": 63}
    fields[changed] = random.choice((0, 1, 2 ** limits[changed] - 1, random.getrandbits(limits[changed]), number + 1))
    fields[changed] &= 2 ** limits[changed] - 1
    if random.random() < 0.3:
        body = msgpack.packb(value(random), unicode_errors="surrogatepass") + body[-32:]
        fields["length"] = max(0, len(body) - 32)
    rest = struct.pack("<IHHQQq", *fields.values())
    forged = MARKER + zlib.crc32(rest).to_bytes(4, "little") + rest + body + zlib.crc32(body).to_bytes(4, "little")
    end = at + OVERHEAD + length
    return random.choice((raw[:at] + forged + raw[end:], raw[:at] + forged + raw[at:], raw + forged))


def entries_in(raw: bytes) -> list[int]:
    """Where the entries of a whole part begin."""
    places, at = [], PART_HEADER_BYTES
    while (head := header_at(raw, at)) is not None:
        places.append(at)
        at += OVERHEAD + head[0]
    return places


def forge_sealed(random: Random, raw: bytes) -> bytes:
    """A sealed file with a block whose header or content is another one's, its checksums put right."""
    places = []
    at = raw.find(BLOCK_MARKER)
    while at >= 0 and (block := block_at(raw, at)) is not None:
        places.append((at, block))
        at = raw.find(BLOCK_MARKER, at + BLOCK_BYTES + block.body_length)
    if not places:
        return raw
    at, block = random.choice(places)
    head = bytearray(block.pack())
    body = raw[at + BLOCK_BYTES : at + BLOCK_BYTES + block.body_length]
    if random.random() < 0.5:
        body = _forged_body(random, head, body[: block.packed_length])
    else:
        field, size = random.choice(
            ((8, 1), (9, 1), (10, 2), (12, 4), (16, 8), (24, 8), (32, 4), (36, 4), (40, 4), (44, 8))
        )
        head[field : field + size] = random.choice((bytes(size), b"\xff" * size, random.randbytes(size)))
    head[4:8] = zlib.crc32(head[8:]).to_bytes(4, "little")
    end = at + BLOCK_BYTES + block.body_length
    return random.choice(
        (raw[:at] + head + body + raw[end:], raw[:at] + head + body + raw[at:], raw[:at] + head + body)
    )


def _forged_body(random: Random, head: bytearray, packed: bytes) -> bytes:
    """Packed bytes with another description, and what the header says of them."""
    try:
        plain = bytearray(zlib.decompress(packed))
        length = int.from_bytes(plain[:4], "little")
        described = msgpack.unpackb(plain[4 : 4 + length])
        if isinstance(described, dict):
            if random.random() < 0.4 and isinstance(described.get("groups"), list):
                described["groups"] = described["groups"] * random.choice((2, 1000, 100_000))
            else:
                described = spoil_fields(random, described)
            new = msgpack.packb(described, unicode_errors="surrogatepass")
            plain[: 4 + length] = len(new).to_bytes(4, "little") + new
    except (zlib.error, ValueError, msgpack.UnpackException):
        plain = bytearray(random.randbytes(64))
    if random.random() < 0.2:
        plain = bytearray(rot(random, bytes(plain)))
    packed = zlib.compress(bytes(plain))
    stripes = 1
    head[10:12] = stripes.to_bytes(2, "little")
    head[32:36], head[36:40] = len(packed).to_bytes(4, "little"), len(plain).to_bytes(4, "little")
    head[52:56], head[56:60] = (zlib.crc32(packed).to_bytes(4, "little"),) * 2
    return packed + zlib.crc32(packed).to_bytes(4, "little") + packed


def move_files(random: Random, path: Path) -> str:
    """Something happens to the files of a directory, and not to their bytes; gives what."""
    names = sorted(file.name for file in path.iterdir() if file.is_file())
    file = path / random.choice(names)
    new = path / f"part-{random.choice((2, 7, 99, 9999, 999_999_999)):04d}.twr"
    if new.exists():
        new.unlink()
    match random.randrange(9):
        case 0:
            os.mkfifo(new)
            return "a pipe as a part"
        case 1:
            new.write_bytes(b"")
            return "an empty part of a great number"
        case 2:
            (path / "part-00001.twr").write_bytes(file.read_bytes() if file.exists() else b"")
            return "a part of an odd name"
        case 3:
            new.mkdir()
            return "a directory as a part"
        case 4:
            new.symlink_to(random.choice(("/dev/zero", new.name, "nowhere", "/proc/self/mem")))
            return "a link as a part"
        case 5:
            os.rename(path / random.choice(sorted(os.listdir(path))), new)
            return "a renamed file"
        case 6:
            new.write_bytes((path / random.choice(sorted(os.listdir(path)))).read_bytes())
            return "a file twice"
        case 7:
            file.unlink(missing_ok=True)
            os.mkfifo(file)
            return f"a pipe as {file.name}"
        case _:
            file.unlink(missing_ok=True)
            return f"{file.name} gone"


def spoil_json(random: Random, raw: bytes) -> bytes:
    """A JSON file with other values, or rotten."""
    try:
        fields = json.loads(raw)
        if random.random() < 0.8 and isinstance(fields, dict):
            return json.dumps(spoil_fields(random, fields), default=repr).encode("utf-8", "surrogatepass")
    except ValueError:
        pass
    return random.choice((b"", b"[" * 100_000, b"null", b"{}", rot(random, raw)))
