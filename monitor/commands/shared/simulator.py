"""A simulated drive in a process of its own, for `demo` and `drill`; it begins when somebody listens."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from monitor.errors import WitnessError

if TYPE_CHECKING:
    from monitor.following.beginning import Run


class Simulator:
    """`simulate` with these options, on a port of this machine; it ends with the block that it is used in."""

    def __init__(self, options: Sequence[str]) -> None:
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-m", "monitor", "simulate", "--json", "--wait", "30"),
                *("--bind", "tcp://127.0.0.1:*", *options),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.endpoint = ""
        """Where it publishes, once the block has begun."""

    def hold_back(self) -> None:
        """Asks at its desk to hold the trigger back; nobody is there any more once the drive has ended."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write("hold back\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            pass

    def __enter__(self) -> Simulator:
        assert self._process.stdout is not None
        assert self._process.stderr is not None
        line = self._process.stdout.readline()
        if not line:
            raise WitnessError(self._process.stderr.read().strip() or "The simulator did not start.")
        self.endpoint = str(json.loads(line)["endpoint"])
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self) -> None:
        """Ends the drive where it is."""
        self._process.terminate()
        self._process.wait()


def end_drive(simulator: Simulator, run: Run) -> None:
    """Ends a simulated drive and its record where the terminal hangs: nothing after the screen is reached then."""
    from monitor.commands.shared.live_run import end_run

    simulator.end()
    if run.is_recorded:
        end_run(run)
