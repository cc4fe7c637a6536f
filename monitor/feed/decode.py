"""Decodes feed messages. Never raises: whatever the bytes are, the answer is a message or a `Refused` with its reason.

What is refused, and what is only "not measured":

- A required key that is missing, a value of another type, a limit broken: the message is refused, with the key named.
- `own` and columns of `others`: null, NaN and infinities are "not measured". So are optional channels left out.
- What orders messages (`run`, `seq`, `t`, `markers`, `n`) must be there and finite.
- Unknown keys are ignored (the record keeps them), but for further numbers in `own`, which are kept as channels.
"""

from __future__ import annotations

import math
import struct
from functools import lru_cache
from typing import Any

from monitor.feed.limits import (
    FURTHEST_M,
    MAX_INT,
    MAX_NAME,
    MAX_OTHERS,
    MAX_SIGNALS,
    NUMBER_TYPES,
    SIGNAL_TYPES,
    Refusal,
    channel_maps_of,
    check_depth,
    check_keys,
    count_of,
    kind_of,
    map_of,
    number_of,
    number_or_nan,
    shown,
    text_of,
    unpack_payload,
)
from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import (
    OTHERS_OPTIONAL,
    OTHERS_REQUIRED,
    OWN_OPTIONAL,
    OWN_REQUIRED,
    VERSION,
    ClockTold,
    Frame,
    Hello,
    Marker,
    Refused,
    RoadLine,
)
from monitor.feed.template import Template, Templates

__all__ = ["Frame", "Hello", "Marker", "Refused", "decode_message"]

_OWN_KNOWN = frozenset(OWN_REQUIRED + OWN_OPTIONAL)
_FRAME_KEYS = frozenset(("v", "run", "seq", "t", "own", "others", "signals", "markers", "wall"))
_HELLO_KEYS = frozenset(
    ("v", "run", "source", "rate_hz", "signals", "participant", "group", "scenario", "road", "recent")
)
_MARKER_KEYS = frozenset(("v", "run", "n", "t", "kind", "name", "data"))
_ROAD_KEYS = frozenset(("x", "y", "lane_width", "lanes"))
_COLUMNS = frozenset(("id", *OTHERS_REQUIRED, *OTHERS_OPTIONAL))
_BYTES, _INTEGER = frozenset((bytes,)), frozenset((int,))
_TEMPLATES = Templates()
_EMPTY: dict[str, bytes] = {}


def decode_message(frames: list[bytes]) -> Hello | Frame | Marker | Refused:
    """The message in the two frames (topic, payload) of a multi-part message."""
    if len(frames) != 2:
        topic = shown(bytes(frames[0][: MAX_NAME + 1]).decode("utf-8", "replace")) if frames else ""
        return Refused(topic, f"{topic or 'a message'}: it has {len(frames)} frames, not topic and payload")
    label, payload = frames
    try:
        if label == b"frame":
            return _TEMPLATES.read(payload, _checked_ids) or _whole_frame(payload)
        if label == b"marker":
            return _marker(unpack_payload(payload))
        if label == b"hello":
            return _whole_hello(payload)
    except Refusal as refusal:
        return Refused(label.decode(), f"{label.decode()}: {refusal}")
    topic = shown(label[: MAX_NAME + 1].decode("utf-8", "replace"))
    return Refused(topic, f"{topic or 'an empty topic'}: no topic of this feed, which has hello, frame and marker")


def shape_of(payload: bytes, alike: int) -> Template | None:
    """How frames of the shape of this frame's payload are read; None where it has none, or learning it does not pay.

    `alike`: how many payloads wait that may be of the shape. The payload itself need not be in order.
    """
    template = _TEMPLATES.shape_of(payload)
    if template is None:
        try:
            template = _TEMPLATES.learn(payload, _frame(unpack_payload(payload)), _checked_ids, alike)
        except Refusal:
            return None
    return template


def _whole_frame(payload: bytes) -> Frame:
    frame = _frame(unpack_payload(payload))
    _TEMPLATES.learn(payload, frame, _checked_ids)
    return frame


@lru_cache(maxsize=8)  # between two markers every hello is the same, and a long road takes a millisecond
def _whole_hello(payload: bytes) -> Hello:
    return _hello(unpack_payload(payload))


def _frame(fields: dict[str, Any]) -> Frame:
    run = _version_and_run(fields, _FRAME_KEYS)
    seq, markers, t = fields.get("seq"), fields.get("markers"), fields.get("t")
    if type(seq) is not int or not 0 <= seq <= MAX_INT:
        seq = count_of(fields, "seq", 0)
    if type(markers) is not int or not 0 <= markers <= MAX_INT:
        markers = count_of(fields, "markers", 0)
    if type(t) is not float or t - t != 0.0:  # the difference is NaN for NaN and infinities
        t = number_of(fields, "t")
    own = fields.get("own")
    if type(own) is not dict:
        own = map_of(fields, "own")
    if not _OWN_KNOWN.issuperset(own):
        check_keys(own, "own")
    if not NUMBER_TYPES.issuperset(map(type, own.values())):
        own = _own_with_gaps(own)
    for name in OWN_REQUIRED:
        if name not in own:
            raise Refusal(f"`own.{name}` is missing")
    signals = fields.get("signals")
    if type(signals) is not dict:
        signals = map_of(fields, "signals")
    if signals:
        signals = _checked_signals(signals)
    wall = fields.get("wall")
    if wall is not None and (type(wall) is not float or wall - wall != 0.0):
        wall = number_or_nan(wall, "wall", NUMBER_TYPES)
        wall = wall if math.isfinite(wall) else None
    others = fields.get("others")
    if type(others) is not dict:
        others = map_of(fields, "others")
    if not others:
        return Frame(run, seq, t, own, b"", _EMPTY, None, signals, markers, wall)
    names = others.pop("name", None)
    if not _COLUMNS.issuperset(others) or not _BYTES.issuperset(map(type, others.values())):
        others = _columns_as_bytes(others)
    ids = others.pop("id", None)
    if ids is None:
        raise Refusal("`others.id` is missing")
    size = _checked_ids(ids)
    for name in OTHERS_REQUIRED:
        if name not in others:
            raise Refusal(f"`others.{name}` is missing")
    for name, column in others.items():
        if len(column) != size:
            raise _unequal(name, len(column), size)
    if names is not None:
        names = _names(names, size // 8)
    return Frame(run, seq, t, own, ids, others, names, signals, markers, wall)


def _marker(fields: dict[str, Any], within: str = "", run: str | None = None) -> Marker:
    """The marker of a payload; `within` and `run` are of the hello that repeats it."""
    if run is None:
        run = _version_and_run(fields, _MARKER_KEYS)
    elif "run" in fields:
        run = text_of(fields, "run", within)
    kind = text_of(fields, "kind", within)
    if kind not in KINDS:
        raise Refusal(f"`{within}kind` is {shown(kind)!r}, which is no kind of marker")
    data = fields.get("data")
    if data is None:
        data = {}
    elif type(data) is not dict:
        raise Refusal(f"`{within}data` is {kind_of(data)}, not a map")
    check_depth(data, f"{within}data", 4 if within else 2)
    modality, measured = data.get("modality"), data.get("measured")
    texts = modality if type(modality) is list else [modality]
    if modality is not None and not all(type(text) is str and len(text) <= MAX_NAME for text in texts):
        raise Refusal(f"`{within}data.modality` is neither a text of at most {MAX_NAME} characters nor a list of such")
    if measured is not None and type(measured) is not bool:
        raise Refusal(f"`{within}data.measured` is {kind_of(measured)}, not a boolean")
    return Marker(
        run,
        count_of(fields, "n", 1, within),
        number_of(fields, "t", within),
        kind,
        text_of(fields, "name", within),
        data,
    )


def _hello(fields: dict[str, Any]) -> Hello:
    run = _version_and_run(fields, _HELLO_KEYS)
    rate_hz = number_of(fields, "rate_hz")
    if rate_hz <= 0:
        raise Refusal(f"`rate_hz` is {rate_hz:g}, not above zero")
    signals = map_of(fields, "signals")
    if len(signals) > MAX_SIGNALS:
        raise Refusal(f"`signals` has {len(signals)} signals, more than {MAX_SIGNALS}")
    check_keys(signals, "signals")
    for name in signals:
        text_of(signals, name, "signals.")
    recent = fields.get("recent")
    if recent is None:
        recent = []
    if type(recent) is not list:
        raise Refusal(f"`recent` is {kind_of(recent)}, not an array")
    markers = []
    for index, one in enumerate(recent):
        if type(one) is not dict:
            raise Refusal(f"`recent[{index}]` is {kind_of(one)}, not a map")
        check_depth(one, f"recent[{index}]", 3)
        marker = _marker(one, f"recent[{index}].", run)
        if marker.run == run:  # one of an earlier drive says nothing about this one
            markers.append(marker)
    return Hello(
        run,
        text_of(fields, "source"),
        rate_hz,
        signals,
        _text_or_none(fields, "participant"),
        _text_or_none(fields, "group"),
        _text_or_none(fields, "scenario"),
        _road(fields.get("road")),
        tuple(markers),
        _clock_or_none(fields.get("clock")),
        _kinds_or_none(fields.get("gives")),
        channel_maps_of(fields),
        fields.get("markers_by_frames") is True,
        fields.get("unnumbered") is True,
    )


def _clock_or_none(clock: Any) -> ClockTold | None:
    """What a source says of its clock; None for anything else: an optional key refuses nothing."""
    if type(clock) is not dict:
        return None
    offset_s: Any = clock.get("offset_s")
    uncertainty_s: Any = clock.get("uncertainty_s")
    if type(offset_s) not in NUMBER_TYPES or type(uncertainty_s) not in NUMBER_TYPES:
        return None
    if not math.isfinite(offset_s) or not 0.0 <= uncertainty_s < math.inf:
        return None
    return ClockTold(float(offset_s), float(uncertainty_s))


def _kinds_or_none(kinds: Any) -> tuple[str, ...] | None:
    """Kinds of markers; None for anything else, since the schema does not have the key and refuses nothing of it."""
    if type(kinds) is not list or not all(type(kind) is str and kind in KINDS for kind in kinds):
        return None
    return tuple(kinds)


def _text_or_none(fields: dict[str, Any], key: str) -> str | None:
    return None if fields.get(key) is None else text_of(fields, key)


def _road(road: Any) -> RoadLine | None:
    if road is None:
        return None
    if type(road) is not dict:
        raise Refusal(f"`road` is {kind_of(road)}, not a map")
    check_keys(road, "road")
    for key in road.keys() - _ROAD_KEYS:
        check_depth(road[key], f"road.{shown(key)}", 3)
    x, y = (_vertices(road, key) for key in ("x", "y"))
    if len(x) != len(y):
        raise Refusal(f"`road.x` has {len(x)} vertices and `road.y` {len(y)}")
    if len(set(zip(x, y, strict=True))) < 2:
        raise Refusal("`road` has fewer than two different vertices")
    lane_width = number_of(road, "lane_width", "road.")
    if lane_width <= 0:
        raise Refusal(f"`road.lane_width` is {lane_width:g}, not above zero")
    return RoadLine(x, y, lane_width, count_of(road, "lanes", 1, "road."))


def _vertices(road: dict[str, Any], key: str) -> tuple[float, ...]:
    if key not in road:
        raise Refusal(f"`road.{key}` is missing")
    column = road[key]
    if type(column) is bytes and len(column) % 8 == 0:
        column = list(struct.unpack(f"<{len(column) // 8}d", column))
    if type(column) is not list or not NUMBER_TYPES.issuperset(map(type, column)):
        raise Refusal(f"`road.{key}` is no column of numbers")
    if not all(-FURTHEST_M <= one <= FURTHEST_M for one in column):
        raise Refusal(f"`road.{key}` holds a number that is no place within 10 000 km")
    return tuple(map(float, column))


def _version_and_run(fields: dict[str, Any], known: frozenset[str]) -> str:
    version = fields.get("v")
    if type(version) is not int or version != VERSION:
        if "v" not in fields:
            raise Refusal("`v` is missing")
        raise Refusal(f"`v` is {shown(repr(version))}; this program reads schema {VERSION}")
    if not known.issuperset(fields):
        check_keys(fields, "the payload")
        for key in fields.keys() - known:
            check_depth(fields[key], shown(key), 2)
    run = fields.get("run")
    if type(run) is str and 0 < len(run) <= MAX_NAME:
        return run
    return text_of(fields, "run")


def _checked_signals(signals: dict[str, Any]) -> dict[str, float]:
    """The signals with null as NaN."""
    if len(signals) > MAX_SIGNALS:
        raise Refusal(f"`signals` has {len(signals)} signals, more than {MAX_SIGNALS}")
    check_keys(signals, "signals")
    if SIGNAL_TYPES.issuperset(map(type, signals.values())):
        return signals
    return {name: number_or_nan(value, f"signals.{name}", SIGNAL_TYPES) for name, value in signals.items()}


def _own_with_gaps(own: dict[str, Any]) -> dict[str, float]:
    """`own` with null as NaN, and without what no measure could take (unknown keys that hold no number)."""
    kept = {}
    for name, value in own.items():
        if name in _OWN_KNOWN:
            kept[name] = number_or_nan(value, f"own.{name}", NUMBER_TYPES)
        elif type(value) in NUMBER_TYPES:
            kept[name] = value
        else:
            check_depth(value, f"own.{name}", 3)
    return kept


@lru_cache(maxsize=64)  # the same vehicles come in frame after frame
def _checked_ids(ids: bytes) -> int:
    """The length of the id column in bytes, once its ids are found to be all different."""
    if len(ids) % 8:
        raise Refusal(f"`others.id` has {len(ids)} bytes, no whole number of int64")
    if len(ids) > MAX_OTHERS * 8:
        raise Refusal(f"`others` has {len(ids) // 8} vehicles, more than {MAX_OTHERS}")
    values = struct.unpack(f"<{len(ids) // 8}q", ids)
    if len(set(values)) != len(values):
        twice = next(value for value in values if values.count(value) > 1)
        raise Refusal(f"`others.id` holds the vehicle {twice} twice")
    return len(ids)


def _columns_as_bytes(others: dict[str, Any]) -> dict[str, bytes]:
    """The known columns as the bytes that they would have been, and without those that are null."""
    check_keys(others, "others")
    columns = {}
    for name, column in others.items():
        if name not in _COLUMNS:
            check_depth(column, f"others.{name}", 3)
        elif type(column) is bytes:
            columns[name] = column
        elif type(column) is list:
            columns[name] = _id_bytes(column) if name == "id" else _number_bytes(name, column)
        elif column is not None or name not in OTHERS_OPTIONAL:
            raise Refusal(f"`others.{name}` is {kind_of(column)}, no column")
    return columns


def _id_bytes(column: list[Any]) -> bytes:
    if not _INTEGER.issuperset(map(type, column)):
        wrong = next(value for value in column if type(value) is not int)
        raise Refusal(f"`others.id` holds {kind_of(wrong)}, not an integer")
    try:
        return struct.pack(f"<{len(column)}q", *column)
    except struct.error as error:
        raise Refusal("`others.id` holds an integer of more than 64 bits with sign") from error


def _number_bytes(name: str, column: list[Any]) -> bytes:
    """null becomes NaN."""
    if not NUMBER_TYPES.issuperset(map(type, column)):
        column = [number_or_nan(value, f"others.{name}", NUMBER_TYPES) for value in column]
    return struct.pack(f"<{len(column)}d", *column)


def _unequal(name: str, size: int, expected: int) -> Refusal:
    if size % 8:
        return Refusal(f"`others.{name}` has {size} bytes, no whole number of float64")
    return Refusal(f"`others.{name}` has {size // 8} values where `others.id` has {expected // 8}")


def _names(names: Any, count: int) -> tuple[str | None, ...]:
    if type(names) is not list:
        raise Refusal(f"`others.name` is {kind_of(names)}, no column of texts")
    if len(names) != count:
        raise Refusal(f"`others.name` has {len(names)} values where `others.id` has {count}")
    for name in names:
        if name is not None and (type(name) is not str or len(name) > MAX_NAME):
            raise Refusal(f"`others.name` holds {kind_of(name)} that is no text of at most {MAX_NAME} characters")
    return tuple(names)
