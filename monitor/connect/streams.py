"""Streams of the lab streaming layer as feeds of their own, without a map: `--feed lsl:NAME`.

Each is bridged in a process of its own, which publishes on the loopback, knows its clock, and ends when nobody has
listened for a while: it must outlive the screen, as the recorder does. The recorder loads nothing of the layer.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence

import numpy as np

from monitor.connect.channel_map.loading import parse_map
from monitor.connect.channel_map.model import LAYER_STAMP, ChannelMap, LslSource
from monitor.connect.sources.lsl import FOUND_WITHIN_S, TEXTS, LslReceiver
from monitor.errors import WitnessError
from monitor.feed.limits import MAX_NAME
from monitor.feed.marker_kinds import KINDS

PREFIX = "lsl:"
UNHEARD_S = 60.0
"""A bridged stream that nobody has listened to for so long ends."""
OF_STREAMS = tuple(kind.name for kind in KINDS.values() if kind.of_sources or kind.name == "sync")
LISTENS_S, ENOUGH_SAMPLES, LEAST_SAMPLES = 3.0, 600, 10
"""How long, and to how many samples, a stream is listened to that states no rate."""
NEED_MORE = ("alert_on", "alert_off")
"""Kinds of which a text alone does not say enough: an alert's modality needs a map."""


class OpenedFeeds:
    """Feeds, where those that are streams of the layer have been put behind bridges of their own.

    Raises `WitnessError` where one cannot be bridged.
    """

    def __init__(self, feeds: Sequence[str]) -> None:
        self._bridges: list[subprocess.Popen[str]] = []
        self.endpoints: tuple[str, ...] = ()
        """Where each of them publishes."""
        try:
            for one in feeds:
                endpoint = self._bridged(one.removeprefix(PREFIX)) if one.startswith(PREFIX) else one
                self.endpoints = (*self.endpoints, endpoint)
        except WitnessError:
            self.end()
            raise

    def end(self) -> None:
        """Ends the bridges: for who listens for a moment. A run's go on as long as somebody listens."""
        for bridge in self._bridges:
            bridge.terminate()
        for bridge in self._bridges:
            bridge.wait()

    def _bridged(self, name: str) -> str:
        """Starts a bridge for a stream; gives where it publishes. It has no need of us once it has said that."""
        command = [sys.executable, "-m", "monitor", "bridge", "--json", "--lsl", name, "--bind", "tcp://127.0.0.1:*"]
        with tempfile.TemporaryFile("w+") as said:
            process = subprocess.Popen(
                [*command, "--until-unheard", f"{UNHEARD_S:g}"],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=said,
                text=True,
                start_new_session=True,
            )
            assert process.stdout is not None
            line = process.stdout.readline()
            process.stdout.close()
            if line:
                self._bridges.append(process)
                endpoint: str = json.loads(line)["endpoint"]
                return endpoint
            process.wait()
            said.seek(0)
            lines = said.read().splitlines()
        told = [one for one in lines if name in one or "streaming layer" in one]
        raise WitnessError(told[-1] if told else f"The stream {name} cannot be bridged: {' '.join(lines[-1:])}")


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
