"""Foreign simulators that know nothing of our formats: the demo's drive in names, bytes and clocks of their own.

simulators.py KIND SCENARIO SPEED [ADDRESS]. Each is a program of its own. `words` sends big-endian datagrams with a
word of bits and slots for traffic; `nested` publishes JSON objects in which an event is there only while it happens;
`gaze` is `words` without eyes, and beside it a stream of the streaming layer that has them, by a clock that drifts;
`osi` publishes messages made by the standard's own bindings, and its events apart. `table` is no program: it writes a
file.
"""

from __future__ import annotations

import json
import math
import socket
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import zmq

from monitor.simulation.steps import DriveStep
from tests.connect import ridge

RATE_HZ = 20.0
HEAD = struct.Struct(">IId9fI")
SLOT = struct.Struct(">B3x7f")
SLOTS = 4
EYES, TASK, CHIME, GATE, GUST, RUNNING, ITEMS = (1 << 0, 1 << 1, 1 << 2, 1 << 3, 1 << 4, 1 << 5, 8)
PULSE_EVERY_S = 10.0
DRIFT = 2e-4


def paced(scenario: str, speed: float) -> Iterator[DriveStep]:
    """The steps of a drive at a multiple of real time."""
    begun = time.monotonic()
    for step in ridge.drive(scenario, RATE_HZ):
        time.sleep(max(begun + step.t / speed - time.monotonic(), 0.0))
        if not step.lost:
            yield step


class Words:
    """The datagrams of `words`: a header, a word of bits that stay up, and slots."""

    def __init__(self) -> None:
        self._up = 0
        self._items = 0

    def packet(self, number: int, step: DriveStep, eyes: bool = True, running: bool = True) -> bytes:
        for marker in step.markers:
            bit = {"trigger": GATE if marker.name == "gate-brake" else GUST, "alert_on": CHIME, "task_start": TASK}
            self._up |= bit.get(marker.kind, 0)
            self._up &= ~{"alert_off": CHIME, "task_end": TASK}.get(marker.kind, 0)
            self._items += marker.kind == "task_item"
        own = step.own
        word = self._up | (RUNNING if running else 0) | (self._items << ITEMS)
        word |= EYES if eyes and step.signals["eyes_on_road"] else 0
        head = HEAD.pack(
            0x0BADCAFE,
            number,
            step.t,
            *(own[name] for name in ("x", "y", "heading", "speed", "accel", "yaw_rate", "station", "lane_offset")),
            own["brake"],
            word,
        )
        slots = [bytes(SLOT.size)] * SLOTS
        names = ("x", "y", "heading", "speed", "accel", "length", "width")
        for index in range(min(len(step.others["id"]), SLOTS)):
            slots[(index + 1) % SLOTS] = SLOT.pack(1, *(step.others[name][index] for name in names))
        return head + b"".join(slots)


def words(scenario: str, speed: float, address: str) -> None:
    host, port = address.rsplit(":", 1)
    sender, made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM), Words()
    last = None
    for number, step in enumerate(paced(scenario, speed)):
        last = made.packet(number, step)
        sender.sendto(last, (host, int(port)))
    assert last is not None
    word = struct.unpack_from(">I", last, HEAD.size - 4)[0] & ~RUNNING
    end = HEAD.pack(*HEAD.unpack_from(last)[:-1], word) + last[HEAD.size :]
    sender.sendto(end[:4] + struct.pack(">I", number + 1) + end[8:], (host, int(port)))


def published(context: zmq.Context[zmq.Socket[bytes]]) -> zmq.Socket[bytes]:
    """A publisher on a port of the system's choice, said in a line."""
    feed = context.socket(zmq.XPUB)
    feed.bind("tcp://127.0.0.1:*")
    print(feed.get_string(zmq.LAST_ENDPOINT).rstrip("\0"), flush=True)
    return feed


def nested_of(step: DriveStep) -> dict[str, Any]:
    """One object of `nested`: an event is in it only in the step in which it happens."""
    own, whole = step.own, math.floor(step.t)
    happened = {one.kind: one.name for one in step.markers}
    state: dict[str, Any] = {
        "stamp": {"sec": whole, "nanosec": round((step.t - whole) * 1e9)},
        "ego": {
            "pose": {"x": own["x"], "y": own["y"], "psi_deg": math.degrees(own["heading"])},
            "v_kmh": own["speed"] * 3.6,
            "a": own["accel"],
            "yaw_rate": own["yaw_rate"],
            "road": {"s": own["station"], "lane": {"off_cm": own["lane_offset"] * 100}},
            "pedals": [own["accelerator"], own["brake"]],
        },
        "driver": {"looks": "road" if step.signals["eyes_on_road"] else "tablet"},
        "traffic": [
            {"key": f"car-{number}", "p": [step.others["x"][i], step.others["y"][i], step.others["heading"][i]]}
            | {"v": step.others["speed"][i], "a": step.others["accel"][i]}
            | {"box": [step.others["length"][i], step.others["width"][i]]}
            for i, number in enumerate(step.others["id"])
        ],
    }
    if "trigger" in happened:
        state["event"] = {"fired": happened["trigger"]}
    if "alert_on" in happened:
        state["alert"] = "chime"
    for kind, word in (("task_start", "begin"), ("task_item", "item"), ("task_end", "end")):
        if kind in happened:
            state.setdefault("task", {})[word] = 1
    return state


def nested(scenario: str, speed: float, _: str) -> None:
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    feed = published(context)
    feed.recv()
    for step in paced(scenario, speed):
        feed.send(json.dumps(nested_of(step)).encode())
    feed.send(json.dumps({**nested_of(step), "over": True}).encode())
    time.sleep(0.5)
    context.destroy(linger=1000)


def write_table(path: Path, scenario: str) -> int:
    """The file of `table`: a line of its own first, decimal commas, and columns that are empty between events."""
    names = "Zeit [ms];X;Y;Psi;V [km/h];A;Gier;S;Ablage;Gas;Bremse;Blick;Ereignis;Ton;Aufgabe;Pfeil;VX;VY;VPsi;VV;VA"
    lines = ["hall 4, run 17", names]
    for step in ridge.drive(scenario, RATE_HZ):
        if step.lost:
            continue
        own, van = step.own, ridge.van_of(step)
        kinds = {one.kind: one.name for one in step.markers}
        task = next((word for kind, word in (("task_start", "an"), ("task_end", "aus")) if kind in kinds), "")
        cells: list[Any] = [step.t * 1000, own["x"], own["y"], own["heading"], own["speed"] * 3.6, own["accel"]]
        cells += [own["yaw_rate"], own["station"], own["lane_offset"], own["accelerator"], own["brake"]]
        cells += ["Straße" if step.signals["eyes_on_road"] else "Gerät", kinds.get("trigger", "")]
        cells += ["Gong" if "alert_on" in kinds else "", task, "neu" if "task_item" in kinds else ""]
        cells += [""] * 5 if van is None else [van[name] for name in ("x", "y", "heading", "speed", "accel")]
        lines.append(";".join(str(one).replace(".", ",") if isinstance(one, float) else str(one) for one in cells))
    path.write_text("\n".join(lines) + "\n", encoding="latin-1")
    return len(lines) - 2


def gaze(scenario: str, speed: float, address: str) -> None:
    import pylsl

    host, port = address.rsplit(":", 1)
    sender, made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM), Words()
    outlet = pylsl.StreamOutlet(pylsl.StreamInfo("Tracker", "Gaze", 3, RATE_HZ * speed, "double64", "tracker-1"))
    print("ready", flush=True)
    sys.stdin.readline()
    pulses, last = 0, b""
    for number, step in enumerate(paced(scenario, speed)):
        if step.t >= PULSE_EVERY_S * (pulses + 1):
            pulses += 1
        device = 7000.0 + step.t * (1 + DRIFT)  # a clock of its own, that gains 0.2 ms each second
        outlet.push_sample([device, float(step.signals["eyes_on_road"]), float(pulses)])
        last = made.packet(number, step, eyes=False)
        sender.sendto(last + struct.pack(">I", pulses), (host, int(port)))
    word = struct.unpack_from(">I", last, HEAD.size - 4)[0] & ~RUNNING
    end = HEAD.pack(*HEAD.unpack_from(last)[:-1], word) + last[HEAD.size :]
    time.sleep(0.3)
    sender.sendto(end[:4] + struct.pack(">I", number + 1) + end[8:] + struct.pack(">I", pulses), (host, int(port)))
    time.sleep(1.0)


def osi(scenario: str, speed: float, kind: str) -> None:
    from tests.connect.foreign.osi_messages import Lanes, view_of

    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    feed, events = published(context), published(context)
    feed.recv()
    events.recv()
    lanes = Lanes()
    for step in paced(scenario, speed):
        eyes = {"at": step.t, "on_road": bool(step.signals["eyes_on_road"])}
        events.send_multipart([b"eyes", json.dumps(eyes).encode()])
        for one in step.markers:
            events.send_multipart([b"event", json.dumps({"at": step.t, "what": one.kind, "name": one.name}).encode()])
        feed.send(view_of(step, lanes, kind).SerializeToString())
    events.send_multipart([b"event", json.dumps({"at": step.t, "what": "over", "name": ""}).encode()])
    for more in range(1, 8):  # the markers wait for frames past them
        feed.send(view_of(replace(step, t=step.t + more / RATE_HZ), lanes, kind).SerializeToString())
    time.sleep(0.5)
    context.destroy(linger=1000)


if __name__ == "__main__":
    which, which_scenario, at_speed, *where = sys.argv[1:]
    {"words": words, "nested": nested, "gaze": gaze, "osi": osi}[which](
        which_scenario, float(at_speed), where[0] if where else ""
    )
