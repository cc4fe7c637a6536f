"""Vehicles as the feed's frame shows them: own channels and the columns of the others."""

from __future__ import annotations

import math
from typing import Any

from monitor.simulation.course import LANE_WIDTH_M, OWN_LANE, Course, lane_at
from monitor.simulation.own_car import OwnCar
from monitor.simulation.steps import rounded
from monitor.simulation.traffic import Vehicle

COLUMNS = ("id", "x", "y", "heading", "speed", "accel", "length", "width", "station", "lane", "name")


def own_channels(car: OwnCar, course: Course) -> dict[str, float]:
    """The `own` of a frame, all optional channels included."""
    body = car.body
    x, y, heading = course.place(body.station_m, body.offset_m)
    return {
        "x": rounded(x),
        "y": rounded(y),
        "heading": rounded(heading + car.heading_error),
        "speed": rounded(body.speed_mps),
        "accel": rounded(body.accel_mps2),
        "length": body.length_m,
        "width": body.width_m,
        "yaw_rate": rounded(car.yaw_rate),
        "station": rounded(body.station_m),
        "lane": float(lane_at(body.offset_m)),
        "lane_offset": rounded(car.lane_offset_m),
        "lane_width": LANE_WIDTH_M,
        "steering_angle": rounded(car.wheel_angle),
        "accelerator": rounded(car.accelerator),
        "brake": rounded(car.brake),
    }


def other_columns(vehicles: list[Vehicle], course: Course) -> dict[str, list[Any]]:
    """The `others` of a frame. Vehicles in the oncoming lane head the other way."""
    columns: dict[str, list[Any]] = {name: [] for name in COLUMNS}
    for vehicle in vehicles:
        x, y, heading = course.place(vehicle.station_m, vehicle.offset_m)
        lane = lane_at(vehicle.offset_m)
        heading += math.pi if lane > OWN_LANE else math.atan2(vehicle.lateral_mps, max(vehicle.speed_mps, 1.0))
        row = (
            vehicle.id,
            rounded(x),
            rounded(y),
            rounded(math.remainder(heading, 2 * math.pi)),
            rounded(vehicle.speed_mps),
            rounded(vehicle.accel_mps2),
            vehicle.length_m,
            vehicle.width_m,
            rounded(vehicle.station_m),
            float(lane),
            vehicle.name,
        )
        for name, value in zip(COLUMNS, row, strict=True):
            columns[name].append(value)
    return columns
