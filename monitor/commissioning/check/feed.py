"""What a feed gives, against what a study needs: heard for some seconds before the participant arrives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from monitor.commissioning.check.contradicted import contradicted
from monitor.commissioning.check.doubts import Doubt, Sanity
from monitor.commissioning.check.listening import Listened
from monitor.commissioning.check.sanity import Motion, judge_sanity
from monitor.feed.schema import Hello
from monitor.judging.case.columns import build_block, road_of
from monitor.judging.case.pacing import is_off_pace, real_time_factor
from monitor.measures.columns import FloatArray, FrameBlock
from monitor.measures.runs import longest_run
from monitor.study.model import Study
from monitor.study.needs import OTHERS, needed_channels

NOTHING: Mapping[str, str] = MappingProxyType({})
FROZEN_S = 1.0
"""A channel that keeps its last digit for so long while others say that it should change is called frozen."""
SPEED_SPREAD_MPS = 0.5
ACCEL_SPREAD_MPS2 = 0.5
"""What the positions' speed, and the change of speed, must vary by for a speed or an accel that stands to be frozen: a
car at constant speed, or under constant braking, has channels that stand and are right."""
MOVING_MPS = 2.0
CLOCK_SIGNAL = "_clock_uncertainty"
"""Ends the name of the signal by which a bridge says how well it knows a further source's clock."""


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
        if self.fresh_hz and self.rate_hz and 1.0 <= self.fresh_hz < 0.8 * self.rate_hz:
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
    real_time: float | None = None
    """Simulated seconds a second of the clock here; None where it listened for too short a time."""
    lost: int = 0
    markers: int = 0
    refused: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    channels: list[ChannelHeard] = field(default_factory=list)
    doubts: list[Doubt] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    """Those of the faults that say that a channel, or time, is not what it is taken for."""
    lacking: list[str] = field(default_factory=list)
    """Those of the faults that say that something is needed and not given."""
    look_at: list[str] = field(default_factory=list)
    """What is no reason against the feed, and should be looked at."""

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
            "look_at": self.look_at,
            "frames": self.frames,
            "rate_hz": self.rate_hz,
            "stated_rate_hz": hello.rate_hz if hello else None,
            "step_jitter_s": self.step_jitter_s,
            "arrival_jitter_s": self.arrival_jitter_s,
            "real_time": self.real_time,
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
            pace = "" if self.real_time is None else f", {self.real_time:.2f} times real time"
            lines.append(f"  {self.frames} frames, {self.rate_hz:.1f} Hz{pace}, {self.lost} lost{jitter}")
        lines += [f"  {channel.sentence()}" for channel in self.channels]
        lines += [f"  {one}" for one in self.look_at]
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
    _pacing(heard, block, arrivals, listened.by_map)
    heard.faults += heard.wrong
    sanity = judge_sanity(block, road_of(heard.hello))
    heard.doubts = sanity.doubts
    doubts = [doubt.sentence(listened.by_map) for doubt in sanity.doubts]
    heard.wrong += doubts
    heard.faults += doubts
    needs = {name: who for name, who in needed_channels(study).items() if name not in elsewhere}
    columns = _columns(block, heard.hello, study)
    frozen = _frozen(block)
    for name, column in columns.items():
        channel = hear_channel(name, column, block.t, sanity, tuple(needs.get(name, ())))
        channel = replace(channel, state="frozen") if name in frozen else channel
        heard.channels.append(channel)
        if channel.state == "frozen" and not any(doubt.channel == name for doubt in sanity.doubts):
            heard.faults.append(
                f"{name} stands at {frozen[name]:g} while {STANDS_AGAINST[name]}: is it the right name?"
            )
        elif channel.state == "constant" and name in PEDALS and block.t[-1] - block.t[0] >= FROZEN_S:
            heard.look_at.append(f"{name} kept {channel.least:g} all the time; press it once while check listens.")
    heard.wrong += (told := contradicted(block, road_of(heard.hello), study, sanity))
    heard.faults += told
    heard.channels += [_not_given(name, who) for name, who in needs.items() if name not in columns and name != OTHERS]
    unknown = _clocks_unknown(block, heard.hello)
    needs = {name: who for name, who in needs.items() if name in columns or not _waits(name, block, unknown)}
    heard.faults += [
        f"The clock of {name} is not known to the bridge, so that what it gives is not measured: "
        f"the simulator and {name} must both send a `sync` marker of the same event, and again each 10 to 60 s."
        for name in unknown
    ]
    heard.lacking = _lacking(needs, columns, block, heard.hello, listened.by_map)
    heard.faults += heard.lacking
    heard.faults += _named_wrongly(study, heard.hello, listened.by_map)
    if heard.lost:
        heard.faults.append(f"{heard.lost} frames were lost in {heard.seconds:g} s.")
    heard.faults += heard.refused
    return heard


def _pacing(heard: FeedHeard, block: FrameBlock, arrivals: list[float], by_map: bool) -> None:
    """Rate and evenness of the frames."""
    assert heard.hello is not None
    steps = np.diff(block.t)
    if not len(steps) or block.t[-1] <= block.t[0]:
        return
    heard.rate_hz = (len(block) + heard.lost - 1) / float(block.t[-1] - block.t[0])
    heard.step_jitter_s = float(np.percentile(np.abs(steps - np.median(steps)), 99))
    between = np.diff(np.array(arrivals))
    if len(between):
        heard.real_time = real_time_factor(block.t, np.array(arrivals))
        heard.arrival_jitter_s = float(np.percentile(np.abs(between - np.median(between)), 99))
    stated = heard.hello.rate_hz
    if not 0.9 < heard.rate_hz / stated < 1.1:
        heard.wrong.append(
            f"The feed says {stated:g} Hz and sends {heard.rate_hz:.4g} Hz.{_time_unit(heard, arrivals, by_map)}"
        )
    elif heard.real_time is not None and is_off_pace(heard.real_time):
        heard.wrong.append(
            f"Simulated time runs at {heard.real_time:.2f} times real time by the clock here: who drives sees "
            f"{'slow' if heard.real_time < 1.0 else 'fast'} motion."
        )


def _time_unit(heard: FeedHeard, arrivals: list[float], by_map: bool) -> str:
    """A word on the unit of time, where the frames come at the stated rate by the clock here, or by a factor of a unit
    off the stated one."""
    if heard.rate_hz is None or heard.hello is None:
        return ""
    seconds = arrivals[-1] - arrivals[0]
    by_clock = (len(arrivals) - 1) / seconds / heard.rate_hz if seconds > 0 else 1.0
    for ratio in (by_clock, heard.hello.rate_hz / heard.rate_hz):
        for factor, text in ((1000.0, "ms"), (1e6, "us"), (1e9, "ns")):
            if 0.8 < ratio / factor < 1.25:
                mend = f'In the channel map: [time] unit = "{text}"' if by_map else "At its publisher: send t in s"
                return f" Simulation time looks like {text}. {mend}"
            if 0.8 < ratio * factor < 1.25:
                mend = "In the channel map: [time] unit" if by_map else "At its publisher: send t in s"
                return f" Simulation time goes {factor:g} times too slowly, as seconds read as {text} do. {mend}"
    return ""


def _clocks_unknown(block: FrameBlock, hello: Hello) -> list[str]:
    """Further sources that a bridge puts onto this feed, and whose clock it has not known in any frame."""
    names = [name for name in hello.signals if name.endswith(CLOCK_SIGNAL)]
    known = [name for name in names if name in block.signals and np.isfinite(block.signals[name]).any()]
    return [name.removesuffix(CLOCK_SIGNAL) for name in names if name not in known]


def _waits(name: str, block: FrameBlock, unknown: list[str]) -> bool:
    """Whether a signal is sent, and only not measured because a clock is not known."""
    return bool(unknown) and name in block.signals


def _lacking(
    needs: dict[str, list[str]], columns: dict[str, FloatArray], block: FrameBlock, hello: Hello, by_map: bool
) -> list[str]:
    faults = []
    for name, who in needs.items():
        if name == OTHERS:
            if not len(block.others.id):
                mend = " In the channel map: [vehicles], or [[vehicle]] for each." if by_map else ""
                faults.append(f"No other vehicle is sent, but {', '.join(who)} needs one.{mend}")
        elif name not in columns and not (name in ("lane_offset", "lane_width") and hello.road is not None):
            if name in block.own:
                mend = f"In the channel map: [own] {name}" if by_map else f"At its publisher: own.{name}"
            else:
                mend = f"In the channel map: [signals.{name}]" if by_map else f"At its publisher: signals.{name}"
            faults.append(f"{name} is not given, but {', '.join(who)} needs it. {mend}")
    return faults


def _named_wrongly(study: Study, hello: Hello, by_map: bool) -> list[str]:
    faults = []
    if hello.scenario is not None and study.scenarios and hello.scenario not in study.scenarios:
        faults.append(f"The simulator runs the scenario {hello.scenario}, which the study does not list.")
    if hello.group is not None and hello.group not in study.groups:
        mend = " In the channel map: [run.groups]" if by_map else ""
        faults.append(f"The simulator says group {hello.group}, which the study does not have.{mend}")
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


PEDALS = ("accelerator", "brake")
STANDS_AGAINST = {
    "speed": "the positions say that the speed changes",
    "accel": "the speed says that it changes",
    "station": "the car moves",
}
"""Channel → what it is held against before it is called frozen."""


def _frozen(block: FrameBlock) -> dict[str, float]:
    """Channels that stand for a second or more while another channel says that they should change, and at what."""
    if len(block) < 3:
        return {}
    motion = Motion(block)
    moved = np.append(motion.speed, np.nan)
    over = motion.over
    changes = np.full(len(block), np.nan)
    rate = motion.rate(block.own["speed"], block.t)
    changes[over // 2 : over // 2 + len(rate)] = rate
    found = {}
    for name, telling, spread in (
        ("speed", moved, SPEED_SPREAD_MPS),
        ("accel", changes, ACCEL_SPREAD_MPS2),
        ("station", moved, None),
    ):
        column = block.own[name]
        part = _longest_stand(column)
        if part is None or block.t[part.stop - 1] - block.t[part.start] < FROZEN_S:
            continue
        told = telling[part][np.isfinite(telling[part])]
        if len(told) < 3:
            continue
        least, middle, most = np.percentile(told, (5, 50, 95))
        if middle > MOVING_MPS if spread is None else most - least > spread:
            found[name] = float(column[part.start])
    return found


def _longest_stand(column: FloatArray) -> slice | None:
    """The longest stretch of frames in which a column keeps its last digit."""
    run = longest_run(np.diff(column) == 0)
    return None if run is None else slice(run[0], run[0] + run[1] + 1)


def hear_channel(
    name: str, column: FloatArray, t: FloatArray, sanity: Sanity, needed_by: tuple[str, ...]
) -> ChannelHeard:
    """One channel over the listening time."""
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
