"""The invented simulator "ridge-hall": the drive of the demo in its names, units and axes, by arithmetic of its own.

Nothing here uses the channel map's code: factors are written out (international foot and mile, standard gravity: NIST
SP 811, appendix B), signs are turned by hand, and the rear axle is 1.35 m behind the box's centre.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from monitor.simulation.plan import SimulationPlan
from monitor.simulation.publishing import drive_messages
from monitor.simulation.steps import DriveStep
from monitor.simulation.traffic import VAN_ID

FOOT_M = 0.3048
G = 9.80665
AXLE_M = 1.35
EVENTS = {"gate-brake": 11, "side-gust": 12}
COLUMNS = (
    "SimTime;EgoPosX;EgoPosY;EgoYaw;EgoSpeed;EgoAccel;EgoYawRate;EgoRoadPos;LaneDev;LaneYaw;WheelAngle;GasPct;BrakeForce;"
    "VanActive;VanPosX;VanPosY;VanYaw;VanSpeed;VanAccel;VanRoadPos;GazeZone;BaseX;EventCode;ChimeOn;AlertWord;TaskOn;TaskItems;"
    "AlertCode"
).split(";")


def drive(scenario: str = "clean", rate_hz: float = 20.0, **more: Any) -> Iterator[DriveStep]:
    """The steps of a demo drive."""
    plan = SimulationPlan(bind="tcp://127.0.0.1:*", scenario=scenario, seed=1, rate_hz=rate_hz, group="chime", **more)
    return drive_messages(plan)


class Codes:
    """The flags and counters that ridge-hall has in place of markers."""

    def __init__(self) -> None:
        self.event = self.chime = self.task = self.items = 0

    def take(self, step: DriveStep) -> None:
        for marker in step.markers:
            match marker.kind:
                case "trigger":
                    self.event = EVENTS[marker.name]
                case "alert_on":
                    self.chime = 1
                case "alert_off":
                    self.chime = 0
                case "task_start":
                    self.task = 1
                case "task_item":
                    self.items += 1
                case "task_end":
                    self.task = 0


def van_of(step: DriveStep) -> dict[str, Any] | None:
    """The delivery van's channels in a step."""
    for index, number in enumerate(step.others["id"]):
        if number == VAN_ID:
            return {name: column[index] for name, column in step.others.items()}
    return None


def row_of(step: DriveStep, codes: Codes) -> dict[str, Any]:
    """One line of ridge-hall's file."""
    own, van = step.own, van_of(step)
    heading = own["heading"]
    row: dict[str, Any] = {
        "SimTime": step.t * 1000.0,
        "EgoPosX": (own["x"] - AXLE_M * math.cos(heading)) / FOOT_M,
        "EgoPosY": -(own["y"] - AXLE_M * math.sin(heading)) / FOOT_M,
        "EgoYaw": -heading * 180.0 / math.pi,
        "EgoSpeed": own["speed"] * 3.6,
        "EgoAccel": own["accel"] / G,
        "EgoYawRate": -own["yaw_rate"] * 180.0 / math.pi,
        "EgoRoadPos": (own["station"] - AXLE_M * math.cos(heading)) / FOOT_M,
        "LaneDev": -(own["lane_offset"] - AXLE_M * math.sin(heading)) / FOOT_M,
        "LaneYaw": -heading * 180.0 / math.pi,
        "WheelAngle": -own["steering_angle"] * 180.0 / math.pi,
        "GasPct": own["accelerator"] * 100.0,
        "BrakeForce": own["brake"] * 200.0,
        "VanActive": int(van is not None),
        "GazeZone": "ROAD" if step.signals["eyes_on_road"] else "TASK",
        "BaseX": step.signals["platform_x"] / 0.0254,
        "EventCode": codes.event,
        "ChimeOn": codes.chime,
        "AlertWord": 0,
        "TaskOn": codes.task,
        "TaskItems": codes.items,
        "AlertCode": 1,
    }
    if van is not None:
        row |= {
            "VanPosX": van["x"] / FOOT_M,
            "VanPosY": -van["y"] / FOOT_M,
            "VanYaw": -van["heading"] * 180.0 / math.pi,
            "VanSpeed": van["speed"] * 3.6,
            "VanAccel": van["accel"] / G,
            "VanRoadPos": van["station"] / FOOT_M,
        }
    return row


def rows(scenario: str = "clean", rate_hz: float = 20.0) -> Iterator[dict[str, Any]]:
    """All lines of a drive."""
    yield from _rows(scenario, rate_hz)


@cache
def _rows(scenario: str, rate_hz: float) -> list[dict[str, Any]]:
    codes = Codes()
    rows = []
    for step in drive(scenario, rate_hz):
        codes.take(step)
        if not step.lost:
            rows.append(row_of(step, codes))
    return rows


def write_csv(path: Path, scenario: str = "clean", rate_hz: float = 20.0) -> int:
    """Writes the drive as ridge-hall does: semicolons, and commas for points. Gives the number of lines."""
    text = _csv(scenario, rate_hz)
    path.write_text(text, encoding="utf-8")
    return text.count("\n") - 1


@cache
def _csv(scenario: str, rate_hz: float) -> str:
    lines = (";".join(str(row.get(name, "")).replace(".", ",") for name in COLUMNS) for row in rows(scenario, rate_hz))
    return "\n".join([";".join(COLUMNS), *lines]) + "\n"
