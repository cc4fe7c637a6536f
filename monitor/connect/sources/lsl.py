"""A stream of the lab streaming layer: numbers, or texts that are markers; and how far its clock is from ours.

The layer stamps each sample with the clock of the machine that sends it, and measures itself how that clock stands to
ours, from round trips of its own (lsl_time_correction_ex: the uncertainty is the round trip's). Stamps are handed on
as they are, with that measurement beside them. The library comes with the package pylsl (extra `lsl`).
"""

from __future__ import annotations

import ctypes
import math
import time
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.connect.channel_map.model import LAYER_STAMP, LslSource
from monitor.connect.channel_map.values import Sample
from monitor.errors import WitnessError
from monitor.feed.limits import MAX_NAME
from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import ClockTold

TEXTS = "text"
"""Topic of the samples of a stream of texts, and the name of their text."""
BUFFER_S = 10
"""Samples that wait for us: the layer throws the oldest away beyond it, which shows in their stamps."""
A_TURN = 256
FOUND_WITHIN_S = 5.0
ALL_WITHIN_S = 1.5
"""After the first stream that is meant: the layer asks each half second, and a second one may answer later."""
CORRECTED_EVERY_S = 1.0
FIRST_CORRECTION_S = 0.2
LOST_FROM_S, LOST_FROM_PERIODS = 0.25, 3.0
"""A hole in the stamps of a regular stream from which on samples were lost; less is the unevenness of its stamps."""


def layer() -> Any:
    """The layer's package. Raises `WitnessError` where it is not installed."""
    try:
        import pylsl
    except (ImportError, RuntimeError) as error:  # RuntimeError: the package without its library
        raise WitnessError(
            f"The lab streaming layer is not installed here ({error}); install it with: pip install trialwitness[lsl]"
        ) from error
    return pylsl


def find_stream(source: LslSource, within_s: float) -> Any:
    """The one stream that a map means. Raises `WitnessError` where several do, or none is found."""
    pylsl = layer()
    found = _resolved(pylsl, source, within_s)
    if not found:
        raise WitnessError(f"No stream {_pins(source)} was found within {within_s:g} s.")
    if len(found) > 1:
        each = "; ".join(f'source_id = "{one.source_id()}", host = "{one.hostname()}"' for one in found)
        raise WitnessError(f"{len(found)} streams are {_pins(source)}: say which in the map's [source]: {each}.")
    return found[0]


def labels_of(info: Any, channels: int) -> list[str]:
    """The names of a stream's channels: the labels of its description, where it has as many different ones."""
    labels: list[str] = []
    channel = info.desc().child("channels").child("channel")
    while not channel.empty() and len(labels) < channels:
        labels.append(channel.child_value("label")[:MAX_NAME])
        channel = channel.next_sibling("channel")
    if len(labels) == channels and all(labels) and len(set(labels)) == channels:
        return labels
    return [f"c{index}" for index in range(channels)]


def text_values(text: str) -> dict[str, Any]:
    """What a text of a marker stream says: `text` whole, and `kind` and `name`: "sync pulse" is a sync named pulse, and
    a text that does not begin with a kind of marker is `other`, named by the whole of it."""
    kind, _, name = text.partition(" ")
    if kind not in KINDS:
        kind, name = "other", text
    return {TEXTS: text, "kind": kind, "name": name.strip()[:MAX_NAME]}


class LslReceiver:
    """One stream, pinned by its source id and its machine from the first time on; finds it again where it was lost."""

    def __init__(self, source: LslSource, within_s: float = FOUND_WITHIN_S) -> None:
        self.refused = 0
        self.last_refusal = ""
        self.doubt = ""
        self._pylsl = layer()
        info = find_stream(source, within_s)
        self._pinned = LslSource(
            source.stream, info.type() or None, info.source_id() or None, info.hostname(), source.channels
        )
        self.where = f"lsl {source.stream} of {info.hostname()}"
        self._clock: ClockTold | None = None
        self._asked_s = -math.inf
        self._stamp: float | None = None
        self._again: Any = None
        self._inlet: Any = None
        self._open(info)

    @property
    def clock(self) -> ClockTold | None:
        """How the stream's clock stands to this machine's monotonic clock, as the layer measures it."""
        return self._clock

    def samples(self, timeout_s: float) -> list[Sample]:
        """Up to 256 samples that wait."""
        if self._inlet is None and not self._found_again(timeout_s):
            return []
        try:
            values, stamps = self._inlet.pull_chunk(timeout_s, A_TURN, min_samples=1, as_numpy=True)
            self._ask_for_clock()
        except (self._pylsl.util.LostError, self._pylsl.util.InternalError) as error:
            self._refuse(f"the stream was lost ({error}); it is looked for again")
            self._lose()
            return []
        found = []
        for row, stamp in zip(values.tolist(), stamps.tolist(), strict=True):
            found.append(self._sample(row, stamp)._replace(lost_before=self._hole(stamp)))
        return found

    def close(self) -> None:
        """Lets go of the stream."""
        self._inlet = None
        self._again = None

    def _open(self, info: Any) -> None:
        self._inlet = self._pylsl.StreamInlet(info, max_buflen=BUFFER_S, recover=False)
        try:
            described = self._inlet.info(timeout=FOUND_WITHIN_S)
            self._inlet.open_stream(timeout=FOUND_WITHIN_S)
        except (self._pylsl.util.TimeoutError, self._pylsl.util.LostError) as error:
            raise WitnessError(f"{self.where}: the stream was found and does not answer ({error}).") from error
        self.rate_hz: float = float(described.nominal_srate())
        self.is_texts = described.channel_format() == self._pylsl.cf_string
        count = described.channel_count()
        names: Sequence[str] = self._pinned.channels or labels_of(described, count)
        if len(names) != count and not self.is_texts:
            raise WitnessError(f"{self.where} has {count} channels, and the map's [source] names {len(names)}.")
        self.names = tuple(names)
        self._stamp = None

    def _lose(self) -> None:
        self._inlet = self._clock = None
        self._again = self._pylsl.ContinuousResolver(pred=_predicate(self._pinned))

    def _found_again(self, timeout_s: float) -> bool:
        found = [] if self._again is None else self._again.results()
        if not found:
            time.sleep(min(timeout_s, 0.1))
            return False
        try:
            self._open(found[0])
        except WitnessError as error:
            self.last_refusal = str(error)
            self._inlet = None
            return False
        self._again = None
        return True

    def _ask_for_clock(self) -> None:
        now = time.monotonic()
        if now - self._asked_s < CORRECTED_EVERY_S:
            return
        self._asked_s = now
        told = time_correction(self._pylsl, self._inlet, FIRST_CORRECTION_S if self._clock is None else 0.0)
        self._clock = told or self._clock

    def _hole(self, stamp: float) -> int:
        """How many samples of a regular stream are missing before a stamp."""
        before, self._stamp = self._stamp, stamp
        if before is None or self.rate_hz <= 0:
            return 0
        hole_s = stamp - before
        return round(hole_s * self.rate_hz) - 1 if hole_s >= max(LOST_FROM_S, LOST_FROM_PERIODS / self.rate_hz) else 0

    def _sample(self, row: Sequence[Any], stamp: float) -> Sample:
        if self.is_texts:
            text = row[0].decode("utf-8", "replace") if isinstance(row[0], bytes) else str(row[0])
            return Sample({LAYER_STAMP: stamp, **text_values(text)}, TEXTS)
        values: Mapping[str, Any] = dict(zip(self.names, row, strict=True))
        return Sample({LAYER_STAMP: stamp, **values})

    def _refuse(self, why: str) -> None:
        self.refused += 1
        self.last_refusal = why


def time_correction(pylsl: Any, inlet: Any, timeout_s: float) -> ClockTold | None:
    """The layer's estimate, and its uncertainty; None while it has none. Raises what the layer raises for a loss."""
    remote, uncertainty, error = ctypes.c_double(), ctypes.c_double(), ctypes.c_int()
    ask = pylsl.lib.lib.lsl_time_correction_ex
    ask.restype = ctypes.c_double
    offset_s = ask(
        inlet.obj,
        ctypes.byref(remote),
        ctypes.byref(uncertainty),
        ctypes.c_double(timeout_s),
        ctypes.byref(error),
    )
    try:
        pylsl.util.handle_error(error)
    except pylsl.util.TimeoutError:
        return None
    if not math.isfinite(offset_s) or not uncertainty.value >= 0:
        return None
    return ClockTold(offset_s, uncertainty.value)


def _resolved(pylsl: Any, source: LslSource, within_s: float) -> list[Any]:
    """All streams that a map means: looks on for a moment after the first, since a second one answers later."""
    found = pylsl.resolve_bypred(_predicate(source), 1, within_s)
    return pylsl.resolve_bypred(_predicate(source), 64, ALL_WITHIN_S) if found else []


def _predicate(source: LslSource) -> str:
    """What the layer is asked for, as an XPath predicate: texts are quoted by the mark that they do not have."""
    asked = {"name": source.stream, "type": source.type, "source_id": source.source_id, "hostname": source.host}
    parts = []
    for key, text in asked.items():
        if text is not None:
            mark = '"' if '"' not in text else "'"
            parts.append(f"{key}={mark}{text.replace(mark, '')}{mark}")
    return " and ".join(parts)


def _pins(source: LslSource) -> str:
    pinned = {"type": source.type, "source_id": source.source_id, "host": source.host}
    more = "".join(f', {key} "{text}"' for key, text in pinned.items() if text is not None)
    return f'named "{source.stream}"{more}'
