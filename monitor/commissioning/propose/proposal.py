"""A first channel map for a foreign source, from what is heard of it: names guessed, units told from the movement."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from monitor.commissioning.check.sanity import judge_sanity
from monitor.commissioning.propose.guesses import Guess, Guesses, guess_names, time_names
from monitor.commissioning.propose.table import look_at_table
from monitor.commissioning.propose.words_of_bits import watched_lines
from monitor.connect.channel_map.convert import Converter
from monitor.connect.channel_map.loading import parse_map
from monitor.connect.channel_map.model import CsvSource
from monitor.connect.channel_map.units import unit_named
from monitor.connect.channel_map.values import Place, Sample, number_in
from monitor.connect.sources.csv import CsvReader
from monitor.connect.sources.zmq import ZmqReceiver
from monitor.errors import WitnessError
from monitor.feed.composing import FeedComposer
from monitor.feed.curve import CurveFiles
from monitor.feed.decode import decode_message
from monitor.feed.schema import OTHERS_OPTIONAL, OTHERS_REQUIRED, OWN_REQUIRED, Frame
from monitor.feed.subscriber import TOPICS
from monitor.judging.case.columns import build_block
from monitor.measures.columns import FrameBlock
from monitor.study.model import Study

SAMPLES_KEPT = 6000
SAMPLES_LOOKED_AT = 1500
"""For units and signs: 25 s at 60 Hz."""
LIST_AT_MOST = 4
"""Elements of a list that are names of their own; a longer one is no position."""
FEWEST_STEPS = 3
MOSTLY_RISING = 0.5
"""A time may stand between two frames, but not mostly."""
UNEVEN_AT_MOST = 0.5
_BARE = re.compile(r"[A-Za-z0-9_-]+")
ROUNDS = 3
"""A unit that is told makes others tellable: acceleration after speed."""


def propose_from_zmq(study: Study, endpoint: str, seconds: float, keys: CurveFiles | None) -> str:
    """The text of a map for a ZeroMQ publisher of msgpack maps or JSON objects. Raises `WitnessError` where no such
    comes."""
    receiver = ZmqReceiver(endpoint, (), keys, None)
    by_topic: dict[str, list[Sample]] = {}
    try:
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            for sample in receiver.samples(0.1):
                kept = by_topic.setdefault(sample.topic, [])
                if len(kept) < SAMPLES_KEPT and len(by_topic) <= 64:
                    kept.append(sample)
    finally:
        receiver.close()
    if not by_topic:
        why = f" ({receiver.last_refusal})" if receiver.last_refusal else ""
        raise WitnessError(f"Nothing that a map could be made of came from {endpoint} in {seconds:g} s{why}.")
    if any(topic.encode() in TOPICS for topic in by_topic):
        raise WitnessError(f"{endpoint} speaks our feed already; it needs no channel map. Leave out --propose.")
    topic = max(by_topic, key=lambda one: len(by_topic[one]))
    source = ['kind = "zmq"', f'connect = "{endpoint}"']
    source += ['format = "json"'] if receiver.written == "json" else []
    if topic:
        source.append(f'frame_topic = "{topic}"')
    rest = [f'#: a topic "{one}" came {len(samples)} times' for one, samples in by_topic.items() if one != topic]
    return _proposal(study, _Heard(endpoint, source + rest, by_topic[topic]))


def propose_from_csv(study: Study, path: Path) -> str:
    """The text of a map for a file. Raises `WitnessError` where it cannot be read."""
    table = look_at_table(path)
    bare = parse_map(
        '[feed]\nsource = "?"\nrate_hz = 1\n[source]\n'
        + "\n".join(table.source)
        + f"\n[time]\nfrom = {_toml(table.names[0])}\n[own]\n"
        + "\n".join(f"{name} = {{ not_measured = true }}" for name in OWN_REQUIRED)
    )
    assert isinstance(bare.source, CsvSource)
    reader = CsvReader(bare, bare.source, path, None)
    samples: list[Sample] = []
    try:
        while len(samples) < SAMPLES_KEPT and (more := reader.samples(0.0)) is not None:
            samples += more
    finally:
        reader.close()
    if not samples:
        raise WitnessError(f"{path} has no line of values after its line of names.")
    return _proposal(study, _Heard(path.name, table.source, samples), table.units)


class _Heard(NamedTuple):
    """What a map is made for: an endpoint or a file, the lines of its [source], and what came from it."""

    where: str
    source: list[str]
    samples: list[Sample]


def _proposal(study: Study, heard: _Heard, units: Mapping[str, str] | None = None) -> str:
    where, _, samples = heard
    names, rows = _names(samples)
    time = time_name(names, samples)
    if time is None:
        some = ", ".join(names[:20])
        raise WitnessError(
            f"{where}: no name in it looks like a time, and no column rises all the time; it has {some}. Write the map "
            "by hand."
        )
    guesses = guess_names(names, time, study.signals)
    for guess in _all_guesses(guesses):
        unit = (units or {}).get(guess.name)
        if guess.unit is None and unit is not None and unit_named(unit) is not None:
            guess.unit, guess.why = unit, "by the line of units"
    axes: dict[str, str] = {}
    assert guesses.time is not None
    rate_hz = _time(guesses.time, samples)
    for _ in range(ROUNDS):
        block = _converted(_text(heard, rate_hz, guesses, axes, []), samples)
        if block is None or not _apply(guesses, axes, block):
            break
    _as_own(guesses)
    return _text(heard, rate_hz, guesses, axes, _notes(study, guesses, samples, rows))


def _all_guesses(guesses: Guesses) -> list[Guess]:
    found = [*guesses.own.values(), *guesses.signals.values(), *([guesses.time] if guesses.time else [])]
    return [*found, *(one for vehicle in guesses.vehicles.values() for one in vehicle.values())]


def time_name(names: list[str], samples: list[Sample]) -> str | None:
    """The name of simulation time: one that is called so and rises all the time, else any that does in even steps."""

    def evenness(name: str) -> float | None:
        """How uneven its steps are, as a share of the median step; None where it does not rise all the time."""
        values = [number_in(one) for one in _column(name, samples)]
        steps = np.diff(np.array([one for one in values if np.isfinite(one)]))
        if len(steps) < FEWEST_STEPS or (steps < 0).mean() > 0.01 or (steps > 0).mean() < MOSTLY_RISING:
            return None
        return float(np.percentile(np.abs(steps - np.median(steps)), 90) / np.median(steps))

    called = [name for name in time_names(names) if evenness(name) is not None]
    if called:
        return called[0]
    even = sorted((found, name) for name in names if (found := evenness(name)) is not None and found < UNEVEN_AT_MOST)
    if even:
        return even[0][1]
    return next(iter(time_names(names)), None) if len(samples) < FEWEST_STEPS else None


def _names(samples: list[Sample]) -> tuple[list[str], list[str]]:
    """Names of single values in the samples, nested ones with points; and names of lists of maps."""
    names: dict[str, None] = {}
    rows: dict[str, None] = {}

    def walk(value: Any, name: str) -> None:
        if isinstance(value, Mapping):
            for key, one in value.items():
                walk(one, f"{name}.{key}" if name else str(key))
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            rows[name] = None
        elif isinstance(value, list) and len(value) <= LIST_AT_MOST:
            for index, one in enumerate(value):
                walk(one, f"{name}.{index}")
        elif name:
            names[name] = None

    for sample in samples[:50]:
        walk(sample.values, "")
    return list(names), list(rows)


def _time(guess: Guess, samples: list[Sample]) -> float:
    """The rate in Hz that the time column makes, its unit told from its steps."""
    steps = np.diff(np.array([float(one) for one in _column(guess.name, samples) if isinstance(one, int | float)]))
    steps = steps[steps > 0]
    if not len(steps):
        return 60.0
    step = float(np.median(steps))
    if guess.unit is None and step >= 1.0:  # a simulator makes 5 to 1000 frames a second: whole steps are ms, or µs
        guess.unit = "ms" if step < 500 else "us"
        guess.why = f"a step is {step:g}"
    factor = {"ms": 1e-3, "us": 1e-6}.get(guess.unit or "s", 1.0)
    return float(f"{1.0 / (step * factor):.4g}")  # the rounding of a time in ms is no rate


def _column(name: str, samples: list[Sample]) -> list[Any]:
    place = Place(name)
    return [place.find(sample.values) for sample in samples]


def _converted(text: str, samples: list[Sample]) -> FrameBlock | None:
    """The samples by the map so far."""
    channels = parse_map(text, "the proposed map")
    converter = Converter(channels)
    composer = FeedComposer(run="heard", source="heard", rate_hz=channels.rate_hz)
    frames: list[Frame] = []
    for sample in samples[:SAMPLES_LOOKED_AT]:
        t = converter.time_of(sample)
        if not np.isfinite(t) or (frames and t <= frames[-1].t):
            continue
        one = converter.convert(sample, t)
        try:
            frame = decode_message([b"frame", composer.frame(t, one.own, one.others, one.signals)])
        except ValueError:
            continue
        composer.frame_sent()
        if isinstance(frame, Frame):
            frames.append(frame)
    return build_block(frames, range(len(frames))) if len(frames) > 1 else None


def _apply(guesses: Guesses, axes: dict[str, str], block: FrameBlock) -> bool:
    """What the movement says of units and axes, into the guesses; whether anything was changed."""
    changed = False
    for doubt in judge_sanity(block, None).doubts:
        vehicle, _, channel = doubt.channel.rpartition(".")
        if doubt.axes is not None and channel not in axes:
            axes[channel] = doubt.axes
            changed = True
        groups = list(guesses.vehicles.values()) if vehicle else [guesses.own]
        for group in groups:
            guess = group.get(channel)
            if guess is None or (guess.unit is not None and doubt.scale is None):
                continue
            if doubt.unit is not None or doubt.scale is not None:
                guess.unit, guess.scale = doubt.unit or guess.unit, doubt.scale or guess.scale
                guess.why = doubt.why
                changed = True
    return changed


def _as_own(guesses: Guesses) -> None:
    """Units of other vehicles that could not be told: as those of the own car, in the same simulator."""
    for found in guesses.vehicles.values():
        for channel, guess in found.items():
            own = guesses.own.get(channel)
            if guess.unit is None and guess.scale is None and own is not None and (own.unit or own.scale):
                guess.unit, guess.scale, guess.why = own.unit, own.scale, "as the own car's"


def _notes(study: Study, guesses: Guesses, samples: list[Sample], rows: list[str]) -> list[str]:
    """What the map still needs a person for: signals of the study, markers, rows of vehicles, names left over."""
    lines = [""]
    for name, signal in study.signals.items():
        if name in guesses.signals:
            continue
        unit = signal.unit or "no unit"
        lines += [f"#: [signals.{name}]", f'#: from = "…"                 # the study needs it, in {unit}']
    for trigger in study.triggers:
        lines += ["#: [[marker]]", '#: kind = "trigger"', f'#: name = "{trigger.name}"']
        lines += ['#: when = "rises"', '#: from = "…"']
    for name in rows:
        lines += ["#: [vehicles]", f'#: rows = "{name}"', '#: id = "…"']
    if guesses.left:
        lines += ["", "# Names that are not used yet, with values that may be flags, counters, codes or words of bits:"]
    times = _column(guesses.time.name, samples) if guesses.time is not None else []
    factor = {"ms": 1e-3, "us": 1e-6, "ns": 1e-9}.get((guesses.time.unit if guesses.time else None) or "s", 1.0)
    seconds = [number_in(one) * factor for one in times]
    for name in guesses.left:
        lines += [f"#   {line}" for line in watched_lines(name, _column(name, samples), seconds)]
    return lines


def _text(heard: _Heard, rate_hz: float, guesses: Guesses, axes: Mapping[str, str], notes: list[str]) -> str:
    """The map as it stands so far."""
    time = guesses.time
    assert time is not None
    lines = [
        f"# A first channel map for {heard.where.replace(chr(10), ' ')}, proposed from what was heard. Look it over:",
        "# names are guessed from their words, units and signs told from the movement. configs/channels-example.toml",
        "# explains every key. Try it, then ask again: trialwitness check --feed.",
        "[feed]",
        'source = "our simulator"',
        f"rate_hz = {rate_hz:g}",
        "",
        "[source]",
        *heard.source,
        "",
        "[time]",
        f"from = {_toml(time.name)}",
    ]
    lines += [f'unit = "{time.unit}"{_comment(time.why)}'] if time.unit else []
    if axes:
        lines += ["", "[axes]", *(f'{name} = "{value}"' for name, value in axes.items())]
    lines += ["", "[own]", *_channel_lines(guesses.own, OWN_REQUIRED)]
    for name, guess in guesses.signals.items():
        unit = [f'unit = "{guess.unit}"{_comment(guess.why)}'] if guess.unit else []
        lines += ["", f"[signals.{_key(name)}]", f"from = {_toml(guess.name)}", *unit]
    for number, (name, found) in enumerate(guesses.vehicles.items(), start=1):
        lines += ["", "[[vehicle]]", f"id = {number}", f"name = {_toml(name)}"]
        known = {key: one for key, one in found.items() if key in (*OTHERS_REQUIRED, *OTHERS_OPTIONAL)}
        lines += _channel_lines(known, OTHERS_REQUIRED)
    return "\n".join([*lines, *notes]) + "\n"


def _channel_lines(found: Mapping[str, Guess], required: tuple[str, ...]) -> list[str]:
    lines = []
    for channel in dict.fromkeys((*required, *found)):
        guess = found.get(channel)
        if guess is None:
            lines.append(f"{channel} = {{ not_measured = true }}    # nothing heard looks like it; or constant = …")
            continue
        keys = [f"from = {_toml(guess.name)}"]
        keys += [f'unit = "{guess.unit}"'] if guess.unit else []
        keys += [f"scale = {guess.scale:g}"] if guess.scale is not None else []
        lines.append(f"{channel} = {{ {', '.join(keys)} }}{_comment(guess.why)}")
    return lines


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _toml(name)


def _comment(why: str) -> str:
    return f"    # {why}" if why else ""


def _toml(text: str) -> str:
    """A text as TOML writes it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return '"' + "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in escaped) + '"'
