"""A file that a process of its own parses: its samples as they come, and one sentence where it cannot go on."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from monitor.connect.channel_map.model import LAYER_STAMP
from monitor.connect.channel_map.values import Sample
from monitor.connect.sources.lsl import TEXTS, text_values
from monitor.connect.sources.parsing.protocol import read_messages
from monitor.errors import WitnessError
from monitor.named_files import regular

AT_MOST_S = 3600.0
"""By the clock; its limit of processor time is the nearer one, unless the disk stalls."""


class ParsedFile:
    """The samples of a file, in the order of time, each with the place of its stream among those asked for."""

    def __init__(self, form: str, path: Path, asked: Any) -> None:
        self.path = path
        self.refused = 0
        self.last_refusal = ""
        self.streams: list[dict[str, Any]] = []
        """What the file says of each stream that was asked for: name, rate_hz, uncertainty_s."""
        try:
            os.close(regular(path))
        except OSError as error:
            raise WitnessError(f"{path} cannot be read: {error.strerror or error}.") from error
        self._process = subprocess.Popen(
            [sys.executable, "-m", "monitor.connect.sources.parsing.process", form, str(path), json.dumps(asked)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # a library's own words; what matters comes as a message
        )
        self._timer = threading.Timer(AT_MOST_S, self._process.kill)
        self._timer.daemon = True
        self._timer.start()

    def samples(self) -> Iterator[tuple[int, float, Sample]]:
        """Place of the stream, time and sample. Raises `WitnessError` where the file cannot be parsed."""
        assert self._process.stdout is not None
        ended = False
        try:
            for message in read_messages(self._process.stdout):
                if "error" in message:
                    raise WitnessError(str(message["error"]))
                if "streams" in message:
                    self.streams = list(message["streams"])
                for place, at, values, topic in message.get("samples", ()):
                    yield int(place), float(at), _sample(float(at), values, topic)
                if "end" in message:
                    ended = True
                    self.refused, self.last_refusal = int(message["end"]), str(message["why"])
        except (ValueError, TypeError) as error:
            raise WitnessError(f"{self.path}: what parses it went wrong ({error}).") from error
        if not ended:
            code = self._process.wait()
            raise WitnessError(
                f"{self.path} could not be parsed to its end: the process for it ended with {code}; it may be damaged, "
                "or need more memory or time than is given."
            )

    @property
    def part_read(self) -> None:
        """Not known: another process reads it."""
        return None

    def close(self) -> None:
        """Ends the process."""
        self._timer.cancel()
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()


def _sample(at: float, values: Any, topic: str) -> Sample:
    stamp = at if math.isfinite(at) else math.nan
    if topic == TEXTS:
        return Sample({LAYER_STAMP: stamp, **text_values(str(values))}, TEXTS)
    return Sample({LAYER_STAMP: stamp, **values}, topic)
