"""From a sample of a source to the channels of one frame: units, axes and reference points.

Own car and single vehicles are read one number at a time, rows of vehicles a column at a time; both go through the same
arithmetic, which works on numbers and on columns alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from monitor.connect.channel_map.model import (
    Axes,
    ChannelMap,
    NamedVehicle,
    Presence,
    Reading,
    VehicleChannels,
    VehicleRows,
)
from monitor.connect.channel_map.values import (
    ABSENT,
    FloatArray,
    Place,
    Rows,
    Sample,
    bits_in,
    code_in,
    number_in,
    text_in,
)
from monitor.feed.limits import MAX_NAME

IDS_KNOWN = 100_000
"""Text ids that are numbered in one run of the bridge; a source that has more reuses them anyhow."""

Numbers = Any
"""A float, or an array of them: the arithmetic below takes both."""


class Converted(NamedTuple):
    """What a frame is made of. `others`: equal-length columns, {} where the map has no vehicles."""

    t: float
    wall: float | None
    own: dict[str, float]
    others: dict[str, Any]
    signals: dict[str, float]


class Channel:
    """One reading, with the places of its names looked up once."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self._places = tuple(Place(name) for name in reading.names())

    def number(self, values: Mapping[str, Any], absent: set[str]) -> float:
        """The number in the feed's unit; NaN where it is not measured."""
        reading = self.reading
        if reading.constant is not None:
            return reading.constant
        raw = self._places[0].find(values)
        if raw is ABSENT:
            absent.add(reading.name)
            return math.nan
        if reading.mask is not None:
            raw = bits_in(raw, reading.mask)
        if reading.values is not None:
            return reading.values.get(code_in(raw), math.nan) * reading.scale + reading.offset
        number = number_in(raw) * reading.scale + reading.offset
        return number if reading.nanoseconds is None else number + self._part(values, absent) * 1e-9

    def _part(self, values: Mapping[str, Any], absent: set[str]) -> float:
        """The nanoseconds of a time in two parts."""
        raw = self._places[1].find(values)
        if raw is ABSENT:
            absent.add(self._places[1].name)
        return number_in(raw)

    def parts(self, values: Mapping[str, Any], absent: set[str]) -> tuple[float, float]:
        """The parts along the source's x and y axes, in the feed's unit."""
        found = []
        for place in self._places:
            raw = place.find(values)
            if raw is ABSENT:
                absent.add(place.name)
            found.append(number_in(raw) * self.reading.scale)
        return found[0], found[1]

    def column(self, rows: Rows, absent: set[str]) -> FloatArray:
        """The same for every row."""
        reading = self.reading
        if reading.constant is not None:
            return np.full(rows.count, reading.constant)
        if reading.values is not None:
            table = reading.values
            raws: list[Any] = rows.raw(self._places[0])
            if reading.mask is not None:
                raws = [bits_in(raw, reading.mask) for raw in raws]
            column = np.array([table.get(code_in(raw), math.nan) for raw in raws], np.float64)
        else:
            column, seen = rows.numbers(self._places[0])
            if not seen:
                absent.add(reading.name)
            if reading.mask is not None:
                column = np.array([bits_in(raw, reading.mask) for raw in column.tolist()], np.float64)
        return column * reading.scale + reading.offset

    def part_columns(self, rows: Rows, absent: set[str]) -> tuple[FloatArray, FloatArray]:
        """The same for every row."""
        found = []
        for place in self._places:
            column, seen = rows.numbers(place)
            if not seen:
                absent.add(place.name)
            found.append(column * self.reading.scale)
        return found[0], found[1]


class Vehicle:
    """The channels of a vehicle, or of rows of them."""

    def __init__(self, parts: VehicleChannels, axes: Axes) -> None:
        self._parts, self._axes = parts, axes
        self._channels = {
            name: Channel(reading) for name, reading in parts.channels.items() if reading.components is None
        }
        self._vectors = {
            name: Channel(reading) for name, reading in parts.channels.items() if reading.components is not None
        }

    def numbers(self, values: Mapping[str, Any], absent: set[str]) -> dict[str, float]:
        """Channel → number."""
        found: dict[str, Numbers] = {name: one.number(values, absent) for name, one in self._channels.items()}
        vectors = {name: one.parts(values, absent) for name, one in self._vectors.items()}
        turned = _turned(found, vectors, self._parts, self._axes)
        return {name: float(value) for name, value in turned.items()}

    def columns(self, rows: Rows, absent: set[str]) -> dict[str, FloatArray]:
        """Channel → column over the rows."""
        found: dict[str, Numbers] = {name: one.column(rows, absent) for name, one in self._channels.items()}
        vectors: dict[str, Any] = {name: one.part_columns(rows, absent) for name, one in self._vectors.items()}
        return _turned(found, vectors, self._parts, self._axes)


def _turned(
    found: dict[str, Numbers],
    vectors: Mapping[str, tuple[Numbers, Numbers]],
    parts: VehicleChannels,
    axes: Axes,
) -> dict[str, Numbers]:
    """The numbers turned into the feed's axes, and moved from the source's reference point to the box's centre."""
    found["y"] = found["y"] * axes.y_sign
    found["heading"] = heading = axes.heading_zero + axes.heading_sign * found["heading"]
    for name, sign in (
        ("lane_offset", axes.lane_offset_sign),
        ("yaw_rate", axes.yaw_rate_sign),
        ("steering_angle", axes.steering_angle_sign),
    ):
        if name in found:
            found[name] = found[name] * sign
    if "speed" in vectors:
        found["speed"] = np.hypot(*vectors["speed"])
    if "accel" in vectors:
        along_x, along_y = vectors["accel"]
        found["accel"] = along_x * np.cos(heading) + along_y * axes.y_sign * np.sin(heading)
    in_lane = found.pop("heading_in_lane", None)
    ahead = _centre_ahead(found["length"], parts)
    if ahead is None:
        return found
    found["x"] = found["x"] + ahead * np.cos(heading)
    found["y"] = found["y"] + ahead * np.sin(heading)
    turned = 0.0 if in_lane is None else in_lane * axes.heading_sign
    if "station" in found:
        found["station"] = found["station"] + ahead * np.cos(turned)
    if "lane_offset" in found:
        found["lane_offset"] = found["lane_offset"] + ahead * np.sin(turned)
    return found


def _centre_ahead(length: Numbers, parts: VehicleChannels) -> Numbers | None:
    """Metres from the source's reference point forward to the box's centre; None where they are the same."""
    match parts.reference:
        case "front bumper":
            return -length / 2
        case "rear bumper":
            return length / 2
        case "front axle":
            return -parts.axle_to_centre_m
        case "rear axle":
            return parts.axle_to_centre_m
        case _:
            return None


class Converter:
    """Converts the samples of one source, by one map."""

    def __init__(self, channels: ChannelMap) -> None:
        self.absent: set[str] = set()
        """Names of the map that a sample did not have."""
        axes = channels.axes
        self._time = Channel(channels.time)
        self._wall = None if channels.wall is None else Channel(channels.wall)
        self._own = None if channels.own is None else Vehicle(channels.own, axes)
        self._named = [(one, Vehicle(one.parts, axes), _presence(one.present)) for one in channels.vehicles]
        self._rows = None if channels.rows is None else _RowsOf(channels.rows, axes)
        self._signals = {name: Channel(one.reading) for name, one in channels.signals.items()}

    def time_of(self, sample: Sample) -> float:
        """The sample's simulation time in seconds, NaN where it has none."""
        return self._time.number(sample.values, self.absent)

    def time_at(self, raw: Any) -> float:
        """Another time of the source, in seconds."""
        reading = self._time.reading
        return number_in(raw) * reading.scale + reading.offset

    def convert(self, sample: Sample, t: float) -> Converted:
        """The channels of a frame at time `t`."""
        with np.errstate(invalid="ignore", over="ignore"):  # whatever the numbers are: infinities are not measured
            return self._convert(sample, t)

    def _convert(self, sample: Sample, t: float) -> Converted:
        values, absent = sample.values, self.absent
        wall = None if self._wall is None else self._wall.number(values, absent)
        return Converted(
            t,
            wall if wall is not None and math.isfinite(wall) else None,
            {} if self._own is None else self._own.numbers(values, absent),
            self._others(values),
            self.signals(sample),
        )

    def signals(self, sample: Sample) -> dict[str, float]:
        """The further numbers of a sample."""
        return {name: one.number(sample.values, self.absent) for name, one in self._signals.items()}

    def _others(self, values: Mapping[str, Any]) -> dict[str, Any]:
        if not self._named:
            return {} if self._rows is None else self._rows.columns(values, self.absent)
        single = [
            (one, found)
            for one, vehicle, present in self._named
            if (found := self._if_there(one, vehicle, present, values)) is not None
        ]
        names = list(dict.fromkeys(name for _, found in single for name in found))
        columns: dict[str, Any] = {"id": [one.id for one, _ in single], "name": [one.name for one, _ in single]}
        columns.update((name, [found.get(name, math.nan) for _, found in single]) for name in names)
        if self._rows is None:
            return columns if single else {}
        return _joined(columns, self._rows.columns(values, self.absent))

    def _if_there(
        self, one: NamedVehicle, vehicle: Vehicle, present: Channel | None, values: Mapping[str, Any]
    ) -> dict[str, float] | None:
        if present is not None:
            number = present.number(values, self.absent)
            if not number or number != number:
                return None
        found = vehicle.numbers(values, self.absent)
        return found if math.isfinite(found["x"]) and math.isfinite(found["y"]) else None


def _presence(present: Presence | None) -> Channel | None:
    return None if present is None else Channel(Reading(name=present.name, mask=present.mask))


class _RowsOf:
    """Rows of vehicles as columns of the feed."""

    def __init__(self, rows: VehicleRows, axes: Axes) -> None:
        self._model = rows
        self._place = Place(rows.rows)
        self._id = None if rows.id is None else Place(rows.id)
        self._name = None if rows.name is None else Place(rows.name)
        self._own_id = None if rows.own_id is None else Place(rows.own_id)
        self._vehicle = Vehicle(rows.parts, axes)
        self._present = _presence(rows.present)
        self._numbers: dict[str, int] = {}

    def columns(self, values: Mapping[str, Any], absent: set[str]) -> dict[str, Any]:
        found = self._place.find(values)
        if found is ABSENT:
            absent.add(self._place.name)
            return {}
        rows = Rows(found)
        if not rows.count:
            return {}
        raw_ids: list[Any] = []
        ids: Sequence[int | None] | None
        if self._id is None:
            ids = list(range(1, rows.count + 1))
        elif (ids := rows.whole_numbers(self._id)) is None:
            raw_ids = rows.raw(self._id)
            ids = [self._number(raw) for raw in raw_ids]
        out: set[int | None] = set(self._model.leave_out)
        if self._own_id is not None:
            out.add(self._number(self._own_id.find(values)))
        out.add(None)
        there = None if self._present is None else self._present.column(rows, absent)
        if there is not None:
            kept: Sequence[int] = [
                index
                for index, number in enumerate(ids)
                if number not in out and there[index] and there[index] == there[index]
            ]
        elif out.isdisjoint(ids):
            kept = range(rows.count)
        else:
            kept = [index for index, number in enumerate(ids) if number not in out]
        if not kept:
            return {}
        columns: dict[str, Any] = dict(self._vehicle.columns(rows, absent))
        if len(kept) < rows.count:
            columns = {name: column[list(kept)] for name, column in columns.items()}
        columns["id"] = ids if len(kept) == rows.count else [ids[index] for index in kept]
        names = self._names(rows, raw_ids)
        if names is not None:
            columns["name"] = [names[index] for index in kept]
        return columns

    def _number(self, raw: Any) -> int | None:
        """The id as an integer; a text id is numbered in order of appearance."""
        if isinstance(raw, int):
            return raw
        if isinstance(raw, float):
            return int(raw) if raw.is_integer() else None
        if isinstance(raw, str | bytes):
            text = text_in(raw)
            if text and len(self._numbers) < IDS_KNOWN:
                return self._numbers.setdefault(text, len(self._numbers) + 1)
            return self._numbers.get(text)
        return None

    def _names(self, rows: Rows, raw_ids: list[Any]) -> list[str | None] | None:
        if self._name is not None:
            texts = rows.raw(self._name)
        elif any(isinstance(raw, str | bytes) for raw in raw_ids):
            texts = raw_ids
        else:
            return None
        return [None if raw is ABSENT or raw is None else text_in(raw)[:MAX_NAME] or None for raw in texts]


def _joined(first: dict[str, Any], second: dict[str, Any]) -> dict[str, Any]:
    """Columns of single vehicles, then of rows; NaN, and no name, where one of them lacks a column."""
    one, two = len(first["id"]), len(second.get("id", ()))
    if not one or not two:
        return first if one else second
    joined = {}
    for name in dict.fromkeys((*first, *second)):
        gap: Any = None if name == "name" else math.nan
        joined[name] = [*first.get(name, [gap] * one), *second.get(name, [gap] * two)]
    return joined
