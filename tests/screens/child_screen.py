"""Run as a program by the tests: the watch screen on a source that always changes.

Writes a byte to the file descriptor of argument 1 at every look at the view: by that a test sees whether the loop runs.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace

from monitor.errors import WitnessError
from monitor.following.view import LiveView
from monitor.screens.watch.running import run_watch
from tests.screens import conftest as kit

BEAT = int(sys.argv[1])


class Changing(kit.FakeSource):
    """Changes something pressing with every look, so that every look is drawn."""

    def view(self) -> LiveView:
        os.write(BEAT, b".")
        self.change()
        if self.shown.revision % 2:
            return self.shown
        return replace(self.shown, masked=True)


try:
    status = run_watch(Changing(kit.live_view()))
except WitnessError as error:
    print(error, file=sys.stderr)
    status = error.exit_code
os.write(BEAT, b"E")
sys.exit(status)
