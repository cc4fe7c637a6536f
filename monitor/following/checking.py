"""What a feed gives, against what a study needs: heard for some seconds before the participant arrives."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import zmq

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Refused
from monitor.feed.subscriber import FeedSubscription
from monitor.judging.columns import build_block
from monitor.measures.columns import FloatArray, FrameBlock
from monitor.study.model import Measure, Study

FRAMES_KEPT = 20_000
LATERAL_NEEDS = {"lane_offset": ("lane_offset",), "time_to_line": ("lane_offset",)}
ROLLING_NEEDS = {
    "sdlp": ("lane_offset",),
    "lane_departures": ("lane_offset",),
    "steering_reversals": ("steering_angle",),
}


@dataclass(frozen=True, slots=True)
class ChannelHeard:
    """One channel over the listening time. `needed_by`: the conditions that look at it."""

    name: str
    frames: int
    least: float | None
    most: float | None
    moving: bool
    needed_by: tuple[str, ...]

    def sentence(self) -> str:
        """The channel in words."""
        need = f", needed by {', '.join(self.needed_by)}" if self.needed_by else ""
        if not self.frames:
            return f"{self.name}: not given{need}"
        how = "moving" if self.moving else "constant"
        return f"{self.name}: {self.least:g} to {self.most:g}, {how}{need}"


@dataclass(slots=True)
class FeedHeard:
    """What was heard at an endpoint."""

    endpoint: str
    seconds: float
    hello: Hello | None = None
    frames: int = 0
    rate_hz: float | None = None
    lost: int = 0
    refused: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    channels: list[ChannelHeard] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether the study can be run on this feed as it is."""
        return not self.faults

    def as_json(self) -> dict[str, Any]:
        """For `check --json`."""
        hello = self.hello
        return {
            "endpoint": self.endpoint,
            "ok": self.ok,
            "faults": self.faults,
            "frames": self.frames,
            "rate_hz": self.rate_hz,
            "stated_rate_hz": hello.rate_hz if hello else None,
            "lost": self.lost,
            "refused": self.refused,
            "participant": hello.participant if hello else None,
            "group": hello.group if hello else None,
            "scenario": hello.scenario if hello else None,
            "channels": [
                {
                    "name": one.name,
                    "frames": one.frames,
                    "least": one.least,
                    "most": one.most,
                    "moving": one.moving,
                    "needed_by": list(one.needed_by),
                }
                for one in self.channels
            ],
        }

    def sentences(self) -> list[str]:
        """For people: what is wrong first."""
        lines = [f"  FAULT  {fault}" for fault in self.faults]
        if self.hello is not None:
            hello = self.hello
            lines.append(
                f"{self.endpoint}: {hello.source}, run {hello.run}, participant {hello.participant or 'not said'}, "
                f"group {hello.group or 'not said'}, scenario {hello.scenario or 'not said'}"
            )
        if self.rate_hz is not None:
            lines.append(f"  {self.frames} frames, {self.rate_hz:.1f} Hz, {self.lost} lost")
        lines += [f"  {channel.sentence()}" for channel in self.channels]
        lines.append("  The feed gives what the study needs." if self.ok else "  Not yet: see the faults above.")
        return lines


def check_feed(study: Study, endpoint: str, seconds: float) -> FeedHeard:
    """Listens at an endpoint for so many seconds and compares with what the study needs."""
    heard = FeedHeard(endpoint, seconds)
    frames: list[Frame] = []
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    poller = zmq.Poller()
    subscription = FeedSubscription(context, poller, endpoint, None, time.monotonic())
    try:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            poller.poll(100)
            for message in subscription.receive(1000):
                _take(decode_message(message), heard, frames)
            heard.links += [event.sentence for event in subscription.watch(time.monotonic())]
    finally:
        subscription.close()
        context.destroy(0)
    _conclude(study, heard, frames)
    return heard


def _take(message: object, heard: FeedHeard, frames: list[Frame]) -> None:
    if isinstance(message, Hello):
        heard.hello = message
    elif isinstance(message, Frame) and len(frames) < FRAMES_KEPT:
        if not frames or (message.run == frames[-1].run and message.seq > frames[-1].seq):
            heard.lost += message.seq - frames[-1].seq - 1 if frames else 0
            frames.append(message)
    elif isinstance(message, Refused) and message.why not in heard.refused and len(heard.refused) < 20:
        heard.refused.append(message.why)


def needed_channels(study: Study) -> dict[str, list[str]]:
    """Channel name → the conditions and rules that look at it ("lead.accel" is a role's channel)."""
    needs: dict[str, list[str]] = {}

    def need(measure: Measure, who: str) -> None:
        if measure.kind == "pair":
            names: tuple[str, ...] = ("others",)
        elif measure.kind == "role":
            names = ("others",)
        elif measure.kind == "lateral":
            names = LATERAL_NEEDS[measure.name]
        elif measure.kind == "rolling":
            names = ROLLING_NEEDS[measure.name]
        else:
            names = (measure.name,)
        for name in names:
            needs.setdefault(name, []).append(who)

    for trigger in study.triggers:
        for condition in trigger.conditions:
            need(condition.measure, condition.name)
        for term in (*trigger.armed_when, *trigger.fires_when):
            need(term.measure, f"the rule of {trigger.name}")
        if trigger.before is not None and trigger.before.brake_at_most is not None:
            needs.setdefault("brake", []).append(f"the look back before {trigger.name}")
        if trigger.response is not None:
            for name in ("brake", "accelerator"):
                needs.setdefault(name, []).append(f"the response to {trigger.name}")
    return needs


def _conclude(study: Study, heard: FeedHeard, frames: list[Frame]) -> None:
    heard.frames = len(frames)
    if not frames or heard.hello is None:
        missing = "hello" if frames else "frame"
        heard.faults.append(f"No {missing} message came in {heard.seconds:g} s. {' '.join(heard.links[-1:])}".rstrip())
        heard.faults += heard.refused
        return
    block = build_block(frames, list(range(len(frames))))
    if len(frames) > 1 and block.t[-1] > block.t[0]:
        heard.rate_hz = (len(frames) + heard.lost - 1) / float(block.t[-1] - block.t[0])
        stated = heard.hello.rate_hz
        if not 0.9 < heard.rate_hz / stated < 1.1:
            heard.faults.append(f"The feed says {stated:g} Hz and sends {heard.rate_hz:.1f} Hz.")
    needs = needed_channels(study)
    columns = _columns(block, heard.hello, study)
    for name, column in columns.items():
        heard.channels.append(_channel(name, column, tuple(needs.get(name, ()))))
    for name, who in needs.items():
        if name == "others":
            if not len(block.others.id):
                heard.faults.append(f"No other vehicle is sent, but {', '.join(who)} needs one.")
        elif name not in columns or not np.isfinite(columns[name]).any():
            has_road = name == "lane_offset" and heard.hello.road is not None
            if not has_road:
                heard.faults.append(f"{name} is not given, but {', '.join(who)} needs it.")
    hello = heard.hello
    if hello.scenario is not None and study.scenarios and hello.scenario not in study.scenarios:
        heard.faults.append(f"The simulator runs the scenario {hello.scenario}, which the study does not list.")
    if hello.group is not None and hello.group not in study.groups:
        heard.faults.append(f"The simulator says group {hello.group}, which the study does not have.")
    if heard.lost:
        heard.faults.append(f"{heard.lost} frames were lost in {heard.seconds:g} s.")
    heard.faults += heard.refused


def _columns(block: FrameBlock, hello: Hello, study: Study) -> dict[str, FloatArray]:
    columns = {name: column for name, column in block.own.items() if np.isfinite(column).any()}
    names = dict.fromkeys([*hello.signals, *block.signals, *study.signals])
    columns.update((name, block.signals[name]) for name in names if name in block.signals)
    return columns


def _channel(name: str, column: FloatArray, needed_by: tuple[str, ...]) -> ChannelHeard:
    known = column[np.isfinite(column)]
    if not len(known):
        return ChannelHeard(name, 0, None, None, False, needed_by)
    least, most = float(known.min()), float(known.max())
    return ChannelHeard(name, len(known), least, most, not math.isclose(least, most, abs_tol=1e-12), needed_by)
