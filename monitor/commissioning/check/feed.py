"""What a feed gives, against what a study needs: heard for some seconds before the participant arrives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from monitor.commissioning.check.doubts import Doubt, Sanity
from monitor.commissioning.check.listening import Listened
from monitor.commissioning.check.sanity import judge_sanity
from monitor.feed.schema import Hello
from monitor.judging.case.columns import build_block, road_of
from monitor.measures.columns import FloatArray, FrameBlock
from monitor.study.model import Study
from monitor.study.needs import OTHERS, needed_channels

NOTHING: Mapping[str, str] = MappingProxyType({})
FROZEN_S = 1.0
"""A channel that keeps its last digit for so long while the car moves is called frozen where it should move."""
ALWAYS_MOVING = ("x", "speed", "accel", "station", "accelerator")
"""Of a moving car with a driver in it these never keep their last digit for long."""
MOVING_MPS = 2.0


@dataclass(frozen=True, slots=True)
class ChannelHeard:
    """One channel over the listening time. `needed_by`: the conditions that look at it."""

    name: str
    frames: int
    rate_hz: float | None
    fresh_hz: float | None
    """How often a second its value changed: a channel of a slower source changes less often than frames come."""
    jitter_s: float | None
    """Standard deviation of the time between two changes; None where it changed fewer than three times."""
    least: float | None
    most: float | None
    state: str
    """"moving", "constant", "frozen", "not given"."""
    unit: str | None
    """ "plausible", "looks like …", None where it cannot be told."""
    sign: str | None
    needed_by: tuple[str, ...]

    def sentence(self) -> str:
        """The channel in words."""
        need = f"; needed by {', '.join(self.needed_by)}" if self.needed_by else ""
        if not self.frames:
            return f"{self.name}: not given{need}"
        words = [f"{self.name}: {self.least:g} to {self.most:g}, {self.state}"]
        if self.rate_hz is not None:
            words.append(f"{self.rate_hz:.0f} Hz")
        if self.fresh_hz and self.rate_hz and self.fresh_hz < 0.8 * self.rate_hz:
            words.append(f"changes {self.fresh_hz:.0f} times a second")
        words += [f"{what} {verdict}" for what, verdict in (("unit", self.unit), ("sign", self.sign)) if verdict]
        return ", ".join(words) + need

    def as_json(self) -> dict[str, Any]:
        """For `check --json`."""
        fields = {name: getattr(self, name) for name in self.__slots__}
        return fields | {"needed_by": list(self.needed_by), "moving": self.state == "moving"}


@dataclass(slots=True)
class FeedHeard:
    """What was heard at an endpoint."""

    endpoint: str
    seconds: float
    hello: Hello | None = None
    frames: int = 0
    rate_hz: float | None = None
    step_jitter_s: float | None = None
    """99th percentile of how far a step of simulation time is from the median step."""
    arrival_jitter_s: float | None = None
    """The same of the times at which frames came in here."""
    lost: int = 0
    markers: int = 0
    refused: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    channels: list[ChannelHeard] = field(default_factory=list)
    doubts: list[Doubt] = field(default_factory=list)
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
            "step_jitter_s": self.step_jitter_s,
            "arrival_jitter_s": self.arrival_jitter_s,
            "lost": self.lost,
            "markers": self.markers,
            "refused": self.refused,
            "participant": hello.participant if hello else None,
            "group": hello.group if hello else None,
            "scenario": hello.scenario if hello else None,
            "channels": [one.as_json() for one in self.channels],
            "doubts": [
                {name: getattr(one, name) for name in ("channel", "kind", "looks_like", "why", "change")}
                for one in self.doubts
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
            jitter = "".join(
                f"; {what} to {1000 * value:.1f} ms"
                for what, value in (("steps even", self.step_jitter_s), ("arrival even", self.arrival_jitter_s))
                if value is not None
            )
            lines.append(f"  {self.frames} frames, {self.rate_hz:.1f} Hz, {self.lost} lost{jitter}")
        lines += [f"  {channel.sentence()}" for channel in self.channels]
        lines.append("  The feed gives what the study needs." if self.ok else "  Not yet: see the faults above.")
        return lines


def conclude(study: Study, listened: Listened, elsewhere: Mapping[str, str] = NOTHING) -> FeedHeard:
    """What the simulator's frames say. `elsewhere`: signals that a further source gives, and its name."""
    heard = FeedHeard(
        listened.endpoint,
        listened.seconds,
        hello=listened.hello,
        frames=len(listened.frames),
        lost=listened.lost,
        markers=listened.counted,
        refused=listened.refused,
        links=listened.links,
    )
    if not listened.frames or heard.hello is None:
        heard.faults.append(listened.silence())
        heard.faults += heard.refused
        return heard
    frames, arrivals = listened.going_on()
    if len(frames) < heard.frames:
        still = heard.frames - len(frames)
        heard.faults.append(f"Simulation time did not go on in {still} of {heard.frames} frames; is it paused?")
    block = build_block(frames, list(range(len(frames))))
    _pacing(heard, block, arrivals)
    sanity = judge_sanity(block, road_of(heard.hello))
    heard.doubts = sanity.doubts
    heard.faults += [doubt.sentence() for doubt in sanity.doubts]
    needs = {name: who for name, who in needed_channels(study).items() if name not in elsewhere}
    columns = _columns(block, heard.hello, study)
    moves = _moves(block)
    for name, column in columns.items():
        channel = hear_channel(name, column, block.t, moves, sanity, tuple(needs.get(name, ())))
        heard.channels.append(channel)
        if channel.state == "frozen":
            heard.faults.append(f"{name} stands at {channel.least:g} while the car moves: is it the right name?")
    heard.channels += [_not_given(name, who) for name, who in needs.items() if name not in columns and name != OTHERS]
    heard.faults += _lacking(needs, columns, block, heard.hello)
    heard.faults += _named_wrongly(study, heard.hello)
    if heard.lost:
        heard.faults.append(f"{heard.lost} frames were lost in {heard.seconds:g} s.")
    heard.faults += heard.refused
    return heard


def _pacing(heard: FeedHeard, block: FrameBlock, arrivals: list[float]) -> None:
    """Rate and evenness of the frames."""
    assert heard.hello is not None
    steps = np.diff(block.t)
    if not len(steps) or block.t[-1] <= block.t[0]:
        return
    heard.rate_hz = (len(block) + heard.lost - 1) / float(block.t[-1] - block.t[0])
    heard.step_jitter_s = float(np.percentile(np.abs(steps - np.median(steps)), 99))
    between = np.diff(np.array(arrivals))
    if len(between):
        heard.arrival_jitter_s = float(np.percentile(np.abs(between - np.median(between)), 99))
    stated = heard.hello.rate_hz
    if not 0.9 < heard.rate_hz / stated < 1.1:
        heard.faults.append(
            f"The feed says {stated:g} Hz and sends {heard.rate_hz:.1f} Hz.{_time_unit(heard, arrivals)}"
        )


def _time_unit(heard: FeedHeard, arrivals: list[float]) -> str:
    """A word on the unit of time, where the frames come at the stated rate by the clock here."""
    seconds = arrivals[-1] - arrivals[0]
    if heard.rate_hz is None or heard.hello is None or seconds <= 0:
        return ""
    ratio = (len(arrivals) - 1) / seconds / heard.rate_hz
    for factor, text in ((1000.0, "ms"), (1e6, "us"), (60.0, "min")):
        if 0.8 < ratio / factor < 1.25 or 0.8 < ratio * factor < 1.25:
            return f' Simulation time looks like {text}. In the channel map: [time] unit = "{text}"'
    return ""


def _lacking(needs: dict[str, list[str]], columns: dict[str, FloatArray], block: FrameBlock, hello: Hello) -> list[str]:
    faults = []
    for name, who in needs.items():
        if name == OTHERS:
            if not len(block.others.id):
                faults.append(
                    f"No other vehicle is sent, but {', '.join(who)} needs one. In the channel map: [vehicles], or "
                    "[[vehicle]] for each."
                )
        elif name not in columns and not (name in ("lane_offset", "lane_width") and hello.road is not None):
            where = f"[own] {name}" if name in block.own else f"[signals.{name}]"
            faults.append(f"{name} is not given, but {', '.join(who)} needs it. In the channel map: {where}")
    return faults


def _named_wrongly(study: Study, hello: Hello) -> list[str]:
    faults = []
    if hello.scenario is not None and study.scenarios and hello.scenario not in study.scenarios:
        faults.append(f"The simulator runs the scenario {hello.scenario}, which the study does not list.")
    if hello.group is not None and hello.group not in study.groups:
        faults.append(
            f"The simulator says group {hello.group}, which the study does not have. In the channel map: [run.groups]"
        )
    for name, signal in study.signals.items():
        given = hello.signals.get(name)
        if given not in (None, "", "1") and signal.unit and given != signal.unit:
            faults.append(f"{name} comes in {given}, and the study has it in {signal.unit}.")
    return faults


def _columns(block: FrameBlock, hello: Hello, study: Study) -> dict[str, FloatArray]:
    columns = {name: column for name, column in block.own.items() if np.isfinite(column).any()}
    names = dict.fromkeys([*hello.signals, *block.signals, *study.signals])
    signals = {name: block.signals[name] for name in names if name in block.signals}
    columns.update((name, column) for name, column in signals.items() if np.isfinite(column).any())
    others = block.others
    if len(others.id):
        columns["others.speed"] = others.channels["speed"]
    return columns


def _moves(block: FrameBlock) -> bool:
    """Whether the car moves all the time, by its position."""
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = np.hypot(np.diff(block.own["x"]), np.diff(block.own["y"])) / np.diff(block.t)
    known = speed[np.isfinite(speed)]
    return bool(len(known)) and float(known.min()) > MOVING_MPS


def hear_channel(
    name: str, column: FloatArray, t: FloatArray, moves: bool, sanity: Sanity, needed_by: tuple[str, ...]
) -> ChannelHeard:
    """One channel over the listening time. `moves`: whether the car did, so that some channels must have moved too."""
    known = np.isfinite(column)
    values = column[known]
    if not len(values):
        return _not_given(name, list(needed_by))
    least, most = float(values.min()), float(values.max())
    unit, sign = sanity.verdict(name, "unit"), sanity.verdict(name, "sign")
    state = "moving" if most > least else "constant"
    if len(column) != len(t):  # one of other vehicles: rows, not frames
        return ChannelHeard(name, len(values), None, None, None, least, most, state, unit, sign, needed_by)
    times = t[known]
    seconds = float(times[-1] - times[0])
    changed = times[1:][np.diff(values) != 0]
    longest = float(np.diff(np.concatenate([times[:1], changed, times[-1:]])).max())
    if moves and name in ALWAYS_MOVING and longest >= FROZEN_S:
        state = "frozen"
    return ChannelHeard(
        name,
        len(values),
        (len(values) - 1) / seconds if seconds > 0 else None,
        len(changed) / seconds if seconds > 0 else None,
        float(np.diff(changed).std()) if len(changed) > 2 else None,
        least,
        most,
        state,
        unit,
        sign,
        needed_by,
    )


def _not_given(name: str, who: list[str]) -> ChannelHeard:
    return ChannelHeard(name, 0, None, None, None, None, None, "not given", None, None, tuple(who))
