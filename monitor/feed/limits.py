"""Limits of the feed, the unpacking that keeps them, and the reading of single keys with a plain refusal.

Nothing here trusts a length that the sender states: a message is measured before it is unpacked, and the unpacker's own
limits follow the message's length, so that 256 KiB can grow to some 20 MiB of Python objects at the very most.
"""

from __future__ import annotations

import hashlib
import math
import re
from typing import Any

import msgpack

MAX_MESSAGE_BYTES = 256 * 1024
"""Of one payload; the topic is at most `MAX_NAME`."""
MAX_OTHERS = 512
MAX_SIGNALS = 512
MAX_NAME = 64
"""Characters of a name: keys, signals, vehicles, markers, run, source, participant, group, scenario."""
MAX_DEPTH = 8
"""Maps and arrays inside each other; the payload's own map is the first."""
FURTHEST_M = 1e7
"""Of a road's vertices from the origin: beyond it a float's digits no longer reach to the micrometre."""
MAX_INT = 2**63 - 1
NUMBER_TYPES = frozenset((float, int))
SIGNAL_TYPES = frozenset((float, int, bool))
_DIGEST = re.compile(r"[0-9a-f]{64}")


class Refusal(ValueError):
    """Raised inside decoding; its text goes on after "<topic>: "."""


def unpack_payload(payload: bytes) -> dict[str, Any]:
    """The payload's map, each key once in its map; the keys themselves are yet to be checked. Raises `Refusal`."""
    if len(payload) > MAX_MESSAGE_BYTES:
        raise Refusal(f"the payload has {len(payload)} bytes, more than {MAX_MESSAGE_BYTES}")
    try:
        fields = msgpack.unpackb(
            payload, raw=False, strict_map_key=True, timestamp=0, ext_hook=_refuse_ext, object_pairs_hook=_map_of
        )
    except Refusal:
        raise
    except Exception as error:  # msgpack's errors are of many classes, and all of them mean the same here
        raise Refusal(f"the payload is no msgpack ({_plain_reason(error)})") from error
    if type(fields) is not dict:
        raise Refusal(f"the payload is {kind_of(fields)}, not a map")
    return fields


def check_keys(fields: dict[Any, Any], within: str) -> None:
    """Refuses keys that are no text, or too long. Needless for a map whose keys are all known."""
    for key in fields:
        if type(key) is not str:
            raise Refusal(f"`{within}` has a key that is no text")
        if len(key) > MAX_NAME:
            raise Refusal(f"the key `{shown(key)}` in `{within}` has more than {MAX_NAME} characters")


def check_depth(value: Any, key: str, depth: int) -> None:
    """Refuses what is nested too deeply, or is no plain value. `depth`: that of `value`, if it is a map or an array."""
    if type(value) is dict:
        check_keys(value, key)
        inner = list(value.values())
    elif type(value) is list:
        inner = value
    elif value is None or isinstance(value, bool | int | float | str | bytes):
        return
    else:
        raise Refusal(f"`{key}` holds {kind_of(value)}")
    if depth > MAX_DEPTH:
        raise Refusal(f"`{key}` is nested deeper than {MAX_DEPTH} levels")
    for one in inner:
        check_depth(one, key, depth + 1)


def text_of(fields: dict[str, Any], key: str, within: str = "") -> str:
    """A text of at most 64 characters. Units and names may be empty, `run` may not."""
    if key not in fields:
        raise Refusal(f"`{within}{key}` is missing")
    text = fields[key]
    if type(text) is not str:
        raise Refusal(f"`{within}{shown(key)}` is {kind_of(text)}, not a text")
    if len(text) > MAX_NAME:
        raise Refusal(f"`{within}{shown(key)}` has more than {MAX_NAME} characters")
    if not text and key == "run":
        raise Refusal(f"`{within}run` is empty")
    return text


def map_of(fields: dict[str, Any], key: str) -> dict[str, Any]:
    value = fields.get(key)
    if type(value) is dict:
        return value
    if key not in fields:
        raise Refusal(f"`{key}` is missing")
    raise Refusal(f"`{key}` is {kind_of(value)}, not a map")


def count_of(fields: dict[str, Any], key: str, least: int, within: str = "") -> int:
    if key not in fields:
        raise Refusal(f"`{within}{key}` is missing")
    value = fields[key]
    if type(value) is not int:
        raise Refusal(f"`{within}{key}` is {kind_of(value)}, not an integer")
    if not least <= value <= MAX_INT:
        raise Refusal(f"`{within}{key}` is {value}, not from {least} to 2^63 - 1")
    return value


def number_of(fields: dict[str, Any], key: str, within: str = "") -> float:
    if key not in fields:
        raise Refusal(f"`{within}{key}` is missing")
    value = fields[key]
    if type(value) not in NUMBER_TYPES:
        raise Refusal(f"`{within}{key}` is {kind_of(value)}, not a number")
    if not math.isfinite(value):
        raise Refusal(f"`{within}{key}` is {value}, not a finite number")
    return float(value)


def number_or_nan(value: Any, key: str, allowed: frozenset[type]) -> float:
    if value is None:
        return math.nan
    if type(value) in allowed:
        number: float = value  # a flag or an integer stays one
        return number
    raise Refusal(f"`{shown(key)}` is {kind_of(value)}, not a number")


def kind_of(value: Any) -> str:
    """The kind of a value in words, for sentences."""
    return _KINDS.get(type(value), "an extension type")


def shown(text: Any) -> str:
    """A text from the wire as it may stand in a sentence on a terminal: printable, and short."""
    clean = "".join(letter if letter.isprintable() else "?" for letter in str(text)[: MAX_NAME + 1])
    return clean if len(clean) <= MAX_NAME else clean[:MAX_NAME] + "…"


LAST_DATE_S = 253_402_300_800.0
"""The year 10000, in seconds since 1970."""


def is_date(wall_s: float | None) -> bool:
    """Whether seconds since 1970 are a time that a calendar has: a file may hold any number."""
    return wall_s is not None and 0.0 < wall_s < LAST_DATE_S


def harmless(text: str) -> str:
    """A text from outside without control characters, so that it cannot move the cursor or change colours, neither here
    nor where somebody looks at a table that it was written into."""
    return "".join(one if one.isprintable() else "\N{REPLACEMENT CHARACTER}" for one in text)


_KINDS: dict[type, str] = {
    type(None): "null",
    bool: "a boolean",
    int: "an integer",
    float: "a number",
    str: "a text",
    bytes: "bytes",
    list: "an array",
    dict: "a map",
}


def _map_of(pairs: list[tuple[Any, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise Refusal(f"the key `{shown(twice)}` stands twice in one map")
    return fields


def _refuse_ext(code: int, data: bytes) -> Any:
    raise Refusal(f"the payload holds an extension type (code {code})")


def _plain_reason(error: Exception) -> str:
    return {
        "ExtraData": "bytes follow its end",
        "StackError": "nested too deeply",
        "FormatError": "a byte that msgpack does not know",
        "UnicodeDecodeError": "a text that is not UTF-8",
    }.get(type(error).__name__, shown(str(error)) or "empty")


def channel_maps_of(fields: dict[str, Any]) -> tuple[str, ...]:
    """Digests of the channel maps that a bridge names in its hello; a further one comes as its text, a long one as its
    digest. Anything else there names none: an unknown key refuses nothing."""
    first, further = fields.get("channel_map_sha256"), fields.get("further_channel_maps")
    named = [first, *(further if type(further) is list else ())]
    texts = [one for one in named if type(one) is str]
    return tuple(one if _DIGEST.fullmatch(one) else hashlib.sha256(one.encode()).hexdigest() for one in texts)
