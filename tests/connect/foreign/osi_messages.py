"""The demo's drive as messages of ASAM OSI, made by the standard's own bindings and by nothing of ours.

By the standard: positions are box centres, velocity and acceleration are vectors in the global frame, lanes have a
centre line and boundaries of their own. Lanes come in the first message only, as in traces.
"""

from __future__ import annotations

import math
from typing import Any

from osi3.osi_groundtruth_pb2 import GroundTruth
from osi3.osi_sensorview_pb2 import SensorView

from monitor.simulation.drive import Drive
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import DriveStep

HOST = 900
LANE, LEFT, RIGHT = 41, 51, 52


class Lanes:
    """The right lane of the demo's road, sent once."""

    def __init__(self) -> None:
        course = Drive(SimulationPlan(bind="tcp://127.0.0.1:*", seed=1, rate_hz=20.0)).course
        stations = [4.0 * index for index in range(500)]
        self.centre = [course.place(s, -1.75)[:2] for s in stations]
        self.left = [course.place(s, 0.0)[:2] for s in stations]
        self.right = [course.place(s, -3.5)[:2] for s in stations]
        self.sent = False

    def put_into(self, truth: Any) -> None:
        if self.sent:
            return
        self.sent = True
        lane = truth.lane.add()
        lane.id.value = LANE
        for x, y in reversed(self.centre):
            lane.classification.centerline.add(x=x, y=y)
        lane.classification.centerline_is_driving_direction = False
        lane.classification.left_lane_boundary_id.add(value=LEFT)
        lane.classification.right_lane_boundary_id.add(value=RIGHT)
        for number, line in ((LEFT, self.left), (RIGHT, self.right)):
            boundary = truth.lane_boundary.add()
            boundary.id.value = number
            for x, y in line:
                boundary.boundary_line.add().position.MergeFrom(type(boundary.boundary_line[0].position)(x=x, y=y))


def view_of(step: DriveStep, lanes: Lanes, kind: str = "SensorView") -> Any:
    """The message of a step: a SensorView, or the GroundTruth alone."""
    view = SensorView()
    truth = view.global_ground_truth if kind == "SensorView" else GroundTruth()
    whole = view if kind == "SensorView" else truth
    whole.timestamp.seconds = math.floor(step.t)
    whole.timestamp.nanos = round((step.t - math.floor(step.t)) * 1e9)
    whole.host_vehicle_id.value = HOST
    lanes.put_into(truth)
    own = step.own
    host = _mover(truth, HOST, own["x"], own["y"], own["heading"], own["speed"], own["accel"])
    host.base.dimension.length, host.base.dimension.width = own["length"], own["width"]
    host.base.orientation_rate.yaw = own["yaw_rate"]
    host.moving_object_classification.assigned_lane_id.add(value=LANE)
    host.moving_object_classification.logical_lane_assignment.add(s_position=own["station"])
    for index, number in enumerate(step.others["id"]):
        names = ("x", "y", "heading", "speed", "accel")
        other = _mover(truth, int(number), *(step.others[name][index] for name in names))
        other.base.dimension.length = step.others["length"][index]
        other.base.dimension.width = step.others["width"][index]
    if kind == "SensorView":
        data = view.host_vehicle_data
        data.vehicle_powertrain.pedal_position_acceleration = own["accelerator"]
        data.vehicle_brake_system.pedal_position_brake = own["brake"]
        data.vehicle_steering.vehicle_steering_wheel.angle = own["steering_angle"]
    return view if kind == "SensorView" else truth


def _mover(truth: Any, number: int, x: float, y: float, heading: float, speed: float, accel: float) -> Any:
    one = truth.moving_object.add()
    one.id.value, one.type = number, 2
    one.base.position.x, one.base.position.y, one.base.position.z = x, y, 0.75
    one.base.orientation.yaw = heading
    one.base.velocity.x, one.base.velocity.y = speed * math.cos(heading), speed * math.sin(heading)
    one.base.acceleration.x, one.base.acceleration.y = accel * math.cos(heading), accel * math.sin(heading)
    return one
