"""Messages of ASAM OSI as values by the feed's own names: the host vehicle, the other movers, the lane.

By the standard (osi_common, osi_object, osi_lane, osi_hostvehicledata of version 3): positions are the centre of the
bounding box in the global frame, which is right-handed with yaw counter-clockwise; SI units; dimension is of the box; a
lane's centre line is in driving direction where its flag says so. The standard's own bindings read the bytes (package
osi-python, extra `osi`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.connect.channel_map.model import OsiMessage, OsiSource
from monitor.connect.sources.maps import MapRefused
from monitor.connect.sources.udp import UdpReceiver
from monitor.connect.sources.zmq import ZmqReceiver
from monitor.errors import WitnessError
from monitor.feed.curve import CurveFiles

LARGEST_BYTES = 8 << 20
"""Of one message over ZeroMQ: a ground truth with all lanes of a town has some MB."""
LANES_KEPT = 5000
LANE_WITHIN_M = 10.0
"""A car further than this from the centre line of its assigned lane is not in it."""
MOVERS = {3: "pedestrian", 4: "animal"}
"""MovingObject.Type → a name, since the standard gives movers none."""

FloatArray = npt.NDArray[np.float64]


def bindings(message: OsiMessage) -> Any:
    """The standard's class of a message. Raises `WitnessError` where the package is not installed."""
    try:
        if message == "SensorView":
            from osi3.osi_sensorview_pb2 import SensorView

            return SensorView
        from osi3.osi_groundtruth_pb2 import GroundTruth

        return GroundTruth
    except ImportError as error:
        raise WitnessError(
            f"The bindings of ASAM OSI are not installed here ({error}); get them with: pip install trialwitness[osi]"
        ) from error


class OsiReader:
    """Reads messages one after the other; lanes are kept, since they may come in the first message only."""

    doubt = ""

    def __init__(self, message: OsiMessage, host_id: int | None) -> None:
        self._message = message
        self._class = bindings(message)
        self._host_id = host_id
        self._lines: dict[int, _Lane] = {}
        self._boundaries: dict[int, FloatArray] = {}

    def read(self, packet: bytes) -> Mapping[str, Any]:
        """The values in a message. Raises `MapRefused`."""
        message = self._class()
        try:
            message.ParseFromString(packet)
        except Exception as error:  # DecodeError, and what the bindings raise for damaged texts
            why = f"a message of {len(packet)} bytes is no {self._message} ({type(error).__name__})"
            raise MapRefused(why) from error
        return self.values(message)

    def values(self, message: Any) -> Mapping[str, Any]:
        """The values of a message of the bindings. Raises `MapRefused`."""
        truth = message.global_ground_truth if self._message == "SensorView" else message
        stamp = message.timestamp if message.HasField("timestamp") else truth.timestamp
        if not message.HasField("timestamp") and not truth.HasField("timestamp"):
            raise MapRefused("a message has no timestamp")
        self._take_lanes(truth)
        host_id = self._host_of(message, truth)
        host = next((one for one in truth.moving_object if one.id.value == host_id), None)
        if host is None:
            raise MapRefused(f"a message has no moving object with the host vehicle's id {host_id}")
        own = _mover(host)
        own["yaw_rate"] = _number(host.base, "orientation_rate", "yaw")
        if host.vehicle_attributes.HasField("steering_wheel_angle"):
            own["steering_angle"] = host.vehicle_attributes.steering_wheel_angle
        own |= self._lane_of(host, own)
        if self._message == "SensorView":
            own |= _driver_of(message)
        others = [
            {**_mover(one), "id": one.id.value, "name": MOVERS.get(one.type)}
            for one in truth.moving_object
            if one.id.value != host_id
        ]
        return {"t": stamp.seconds + stamp.nanos * 1e-9, "own": own, "others": others}

    def _host_of(self, message: Any, truth: Any) -> int:
        if self._host_id is not None:
            return self._host_id
        for one in (message, truth):
            if one.HasField("host_vehicle_id"):
                return int(one.host_vehicle_id.value)
        raise MapRefused("a message says no host_vehicle_id; write host_id in the map's [source]")

    def _take_lanes(self, truth: Any) -> None:
        for boundary in truth.lane_boundary:
            if len(self._boundaries) < LANES_KEPT or boundary.id.value in self._boundaries:
                self._boundaries[boundary.id.value] = _points(one.position for one in boundary.boundary_line)
        for lane in truth.lane:
            if len(self._lines) < LANES_KEPT or lane.id.value in self._lines:
                self._lines[lane.id.value] = _Lane(lane)

    def _lane_of(self, host: Any, own: Mapping[str, float]) -> dict[str, float]:
        """Offset from the centre line of the assigned lane, left of its driving direction positive, and its width."""
        found: dict[str, float] = {}
        classified = host.moving_object_classification
        for one in classified.logical_lane_assignment[:1]:
            found["station"] = one.s_position
        assigned = classified.assigned_lane_id or host.assigned_lane_id
        lane = self._lines.get(assigned[0].value) if assigned else None
        if lane is None:
            return found
        place = np.array([own["x"], own["y"]])
        aside = _aside(lane.centre, place)
        if aside is None or abs(aside) > LANE_WITHIN_M:
            return found
        found["lane_offset"] = aside
        edges = [
            min(distances)
            for ids in (lane.left, lane.right)
            if (distances := [abs(d) for one in ids if (d := self._to_boundary(one, place)) is not None])
        ]
        if len(edges) == 2:
            found["lane_width"] = edges[0] + edges[1]
        return found

    def _to_boundary(self, boundary: int, place: FloatArray) -> float | None:
        line = self._boundaries.get(boundary)
        return None if line is None else _aside(line, place)


class _Lane:
    """A lane: its centre line in driving direction, shape (n, 2), and its boundaries."""

    def __init__(self, lane: Any) -> None:
        said = lane.classification
        centre = _points(said.centerline)
        forward = not said.HasField("centerline_is_driving_direction") or said.centerline_is_driving_direction
        self.centre = centre if forward else centre[::-1]
        self.left = [one.value for one in said.left_lane_boundary_id]
        self.right = [one.value for one in said.right_lane_boundary_id]


class OsiZmqReceiver(ZmqReceiver):
    """A publisher of OSI messages."""

    largest = LARGEST_BYTES

    def __init__(self, connect: str, topics: Sequence[str], keys: CurveFiles | None, reader: OsiReader) -> None:
        self._reader = reader
        super().__init__(connect, topics, keys)

    def _values(self, payload: bytes) -> Mapping[str, Any]:
        return self._reader.read(payload)


def open_osi(source: OsiSource, at: str | None, keys: CurveFiles | None, path: str) -> ZmqReceiver | UdpReceiver:
    """The live source of a map. `at` replaces the map's own address. Raises `WitnessError`."""
    reader = OsiReader(source.message, source.host_id)
    where = at or source.connect or source.listen
    if where is None:
        raise WitnessError(f"{path} says neither connect nor listen; give --source tcp://HOST:PORT or ADDRESS:PORT.")
    if "://" in where:
        return OsiZmqReceiver(where, () if source.topic is None else (source.topic,), keys, reader)
    return UdpReceiver(reader, where, source.interface)


def _mover(one: Any) -> dict[str, Any]:
    """The channels that every moving object has; NaN where the message leaves one out."""
    base = one.base
    yaw = _number(base, "orientation", "yaw")
    along_x, along_y = _number(base, "acceleration", "x"), _number(base, "acceleration", "y")
    v_x, v_y = _number(base, "velocity", "x"), _number(base, "velocity", "y")
    backwards = v_x * math.cos(yaw) + v_y * math.sin(yaw) < 0.0 if math.isfinite(yaw) else False
    return {
        "x": _number(base, "position", "x"),
        "y": _number(base, "position", "y"),
        "heading": yaw,
        "speed": -math.hypot(v_x, v_y) if backwards else math.hypot(v_x, v_y),
        "accel": along_x * math.cos(yaw) + along_y * math.sin(yaw) if math.isfinite(yaw) else math.nan,
        "length": _number(base, "dimension", "length"),
        "width": _number(base, "dimension", "width"),
    }


def _driver_of(view: Any) -> dict[str, float]:
    """Pedals and wheel, where the view carries the host vehicle's data."""
    data = view.host_vehicle_data
    found: dict[str, float] = {}
    if data.vehicle_powertrain.HasField("pedal_position_acceleration"):
        found["accelerator"] = data.vehicle_powertrain.pedal_position_acceleration
    if data.vehicle_brake_system.HasField("pedal_position_brake"):
        found["brake"] = data.vehicle_brake_system.pedal_position_brake
    if data.vehicle_steering.vehicle_steering_wheel.HasField("angle"):
        found["steering_angle"] = data.vehicle_steering.vehicle_steering_wheel.angle
    return found


def _number(base: Any, part: str, name: str) -> float:
    if not base.HasField(part):
        return math.nan
    vector = getattr(base, part)
    return float(getattr(vector, name)) if vector.HasField(name) else math.nan


def _points(points: Any) -> FloatArray:
    return np.array([(one.x, one.y) for one in points], np.float64).reshape(-1, 2)


def _aside(line: FloatArray, place: FloatArray) -> float | None:
    """Distance of a point from a line of points, left of its direction positive; None where the point lies beyond both
    ends, or there is no line."""
    if len(line) < 2:
        return None
    begin, way = line[:-1], np.diff(line, axis=0)
    length = np.hypot(way[:, 0], way[:, 1])
    use = length > 0
    if not use.any():
        return None
    begin, way, length = begin[use], way[use], length[use]
    to = place - begin
    share = np.clip((to * way).sum(axis=1) / length**2, 0.0, 1.0)
    foot = begin + share[:, None] * way
    off = place - foot
    nearest = int(np.argmin(np.hypot(off[:, 0], off[:, 1])))
    beyond = (nearest == 0 and share[nearest] == 0.0) or (nearest == len(way) - 1 and share[nearest] == 1.0)
    if beyond and abs(float((off[nearest] * way[nearest]).sum())) > 1e-6 * float(length[nearest]):
        return None
    across = way[nearest, 0] * to[nearest, 1] - way[nearest, 1] * to[nearest, 0]
    return math.copysign(float(np.hypot(*off[nearest])), float(across))
