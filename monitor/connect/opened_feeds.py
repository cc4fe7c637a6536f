"""Feeds as they are named on the command line: an endpoint, or a stream of the lab streaming layer, `lsl:NAME`.

A stream is bridged in a process of its own, which publishes on the loopback, knows its clock, and ends when nobody has
listened for a while: it must outlive the screen, as the recorder does. Neither the recorder nor whoever listens loads
anything of the layer.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence

from monitor.errors import WitnessError

PREFIX = "lsl:"
UNHEARD_S = 60.0
"""A bridged stream that nobody has listened to for so long ends."""


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
