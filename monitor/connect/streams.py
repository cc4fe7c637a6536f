"""A stream of the lab streaming layer as a feed of its own, without a map: `bridge --lsl NAME`."""

from __future__ import annotations

import json
import re
import time

import numpy as np

from monitor.connect.channel_map.loading import parse_map
from monitor.connect.channel_map.model import LAYER_STAMP, ChannelMap, LslSource
from monitor.connect.opened_feeds import PREFIX
from monitor.connect.sources.lsl import FOUND_WITHIN_S, TEXTS, LslReceiver
from monitor.errors import WitnessError
from monitor.feed.limits import MAX_NAME
from monitor.feed.marker_kinds import KINDS

OF_STREAMS = tuple(kind.name for kind in KINDS.values() if kind.of_sources or kind.name == "sync")
LISTENS_S, ENOUGH_SAMPLES, LEAST_SAMPLES = 3.0, 600, 10
"""How long, and to how many samples, a stream is listened to that states no rate."""
NEED_MORE = ("alert_on", "alert_off")
"""Kinds of which a text alone does not say enough: an alert's modality needs a map."""


def map_of_stream(name: str, within_s: float = FOUND_WITHIN_S) -> tuple[ChannelMap, LslReceiver]:
    """A map that takes a whole stream, and the stream: each channel is a signal of its label, each text a marker.

    A text that begins with a kind of marker, "sync pulse" or "task_start arrow-grid", is one of that kind and name; any
    other is `other`, named by it. Raises `WitnessError` where the stream is not found, or several are.
    """
    receiver = LslReceiver(LslSource(name), within_s)
    lines = [
        "[feed]",
        f"source = {_text(name[:MAX_NAME])}",
        f"rate_hz = {_rate_hz(receiver):g}",
        "[source]",
        'kind = "lsl"',
        f"stream = {_text(name)}",
        "[time]",
        'from = "lsl_time"',
    ]
    if receiver.is_texts:
        for kind in OF_STREAMS:
            if kind not in NEED_MORE:
                lines += ["[[marker]]", f'kind = "{kind}"', 'when = "received"', f'topic = "{TEXTS}"']
                lines += ['from = "kind"', f'becomes = "{kind}"', 'name_from = "name"']
    else:
        for channel in receiver.names:
            lines += [f"[signals.{_text(channel)}]", f"from = {_text(channel)}"]
    return parse_map("\n".join(lines) + "\n", f"{PREFIX}{name}"), receiver


def _rate_hz(receiver: LslReceiver) -> float:
    """The stream's own rate; one that states none is listened to, because a sample is believed for no longer than the
    time until the next one is due. Texts come when they come."""
    if receiver.rate_hz > 0.0 or receiver.is_texts:
        return receiver.rate_hz or 1.0
    stamps: list[float] = []
    until_s = time.monotonic() + LISTENS_S
    while len(stamps) < ENOUGH_SAMPLES and (left_s := until_s - time.monotonic()) > 0.0:
        stamps += [one.values[LAYER_STAMP] for one in receiver.samples(min(left_s, 0.1))]
    steps = np.diff(np.array(stamps, np.float64))
    if len(steps) + 1 < LEAST_SAMPLES or not np.median(steps) > 0.0:
        receiver.close()
        raise WitnessError(
            f"{receiver.where} states no rate and sent {len(stamps)} samples in {LISTENS_S:g} s: how long one of them "
            "is to be believed cannot be told. Write a map for it, with [feed] rate_hz, and give it to: bridge --map."
        )
    return float(f"{1.0 / np.median(steps):.2g}")


def _text(text: str) -> str:
    return json.dumps(re.sub(r"[^\x20-\x7e\xa0-\uffff]", "?", text), ensure_ascii=False)
