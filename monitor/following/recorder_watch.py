"""Watching over the recorder: does it answer, is its process there, and starting it again when it has died.

A dead recorder has let go of the lock on its record; one that holds it and does not answer is stopped, or hangs, and
starting another one would be in vain.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.following.processes import process_state
from monitor.following.view import RecorderState, RecorderView, Unclosed
from monitor.record.disk import is_being_written
from monitor.recorder.client import RecorderClient

LOOK_EVERY_S = 0.1
"""A message comes in eighty times a second; the recorder is looked after this often."""

MISSED_S = 0.8
"""A recorder tells its state four times a second: after this long without it the feed is not blamed any more."""

QUIET_S = 1.0
"""A hello comes every second: a simulator that is connected and sends nothing for so long is stopped."""

STOPPED_AFTER_S = 1.8
"""One that holds its record and has said nothing for so long is called stopped: on the screen within 3 s (common
practice, no source)."""

TRY_AGAIN_S = 1.0
HEARD_WITHIN_S = 5.0
"""A recorder that was started again is given so long to tell its state."""
SAID_S = 30.0
"""What happened to the recorder is said for so long after it goes on: long enough to be seen by who looked away."""


@dataclass(slots=True)
class _Gone:
    """Since when the recorder is not heard, and what is made of it."""

    since: float
    state: RecorderState = "recording"
    tried_at: float = float("-inf")
    trouble: str = ""


class RecorderWatch:
    """`restart` starts the recorder again on the same record; None for who only looks on."""

    def __init__(self, client: RecorderClient, record: Path, restart: Callable[[], None] | None) -> None:
        self._client = client
        self._record = record
        self._restart = restart
        self._looked_at = float("-inf")
        self._gone: _Gone | None = None
        self._restarts = 0
        self._trying: threading.Thread | None = None
        self._said = ""
        self._said_until = 0.0
        self.number = 0
        """The last entry that the recorder has told of."""
        self.failed = False
        """Whether recording failed at any time, as far as was heard."""

    def look(self) -> None:
        """Call often: looks whether the recorder answers, and starts it again where it has died."""
        now = time.monotonic()
        if now - self._looked_at < LOOK_EVERY_S:
            return
        self._looked_at = now
        status = self._client.status()
        self.number = status.number
        self.failed = self.failed or status.trouble is not None
        if status.alive or status.closed is not None or status.left:
            self._found_again(now, status.pid)
            return
        gone = self._gone = self._gone or _Gone(now)
        if is_being_written(self._record):
            if gone.state == "restarting" and now - gone.tried_at < HEARD_WITHIN_S:
                return  # the one that was started holds it, and has not told its state yet
            if self._client.silent_s >= STOPPED_AFTER_S:
                gone.state = "stopped"
                how = "is stopped" if process_state(status.pid) == "stopped" else "hangs"
                gone.trouble = (
                    f"The recorder (process {status.pid}) {how}: it holds the record and has not answered for "
                    f"{self._client.silent_s:.0f} s."
                )
            return
        self._died(gone, now, status.pid)

    def _found_again(self, now: float, pid: int) -> None:
        gone, self._gone = self._gone, None
        if gone is None or gone.state == "recording":
            return
        took_s = now - gone.since
        self._said_until = now + SAID_S
        self._said = (
            f"The recorder (process {pid}) had been stopped for {took_s:.0f} s and goes on."
            if gone.state == "stopped"
            else "The recorder had died and was started again; what came in between is lost."
        )

    def _died(self, gone: _Gone, now: float, pid: int) -> None:
        gone.state = "restarting" if self._restart is not None else "lost"
        gone.trouble = gone.trouble or f"The recorder (process {pid}) has died."
        is_trying = self._trying is not None and self._trying.is_alive()
        if self._restart is None or is_trying or now - gone.tried_at < TRY_AGAIN_S * (1 + min(self._restarts, 9)):
            return
        gone.tried_at = now
        self._restarts += 1
        # in a thread of its own: a long record is read for its last good entry first, and the screen goes on meanwhile
        self._trying = threading.Thread(target=self._try, args=(gone, pid), name="restart", daemon=True)
        self._trying.start()

    def _try(self, gone: _Gone, pid: int) -> None:
        assert self._restart is not None
        try:
            self._restart()
            gone.trouble = f"The recorder (process {pid}) has died; another one has been started."
        except WitnessError as error:
            gone.trouble = f"The recorder (process {pid}) has died and cannot be started again yet: {error}"

    @property
    def blames(self) -> str:
        """What to say instead of the feed's silence while the recorder itself is not heard; empty while it is."""
        silent_s = self._client.silent_s
        if silent_s < MISSED_S or self._client.status().closed is not None:
            return ""
        return f"Nothing comes from the recorder for {silent_s:.1f} s; whether the simulator sends is not known."

    def silence(self, age_s: float, otherwise: str) -> str:
        """What is said of a feed that is silent: who it is that is not heard, as far as that is known."""
        if self.blames:
            return self.blames
        feeds = self._client.status().feeds
        state = feeds[0].state if feeds else "connecting"
        if state == "missing":
            return f"The simulator has gone: no frame for {age_s:.1f} s, and nothing answers at {feeds[0].endpoint}."
        if state == "lost":  # by itself, or because a process that is stopped answers no heartbeat
            return f"The simulator does not answer: no frame for {age_s:.1f} s; its connection was lost."
        if state == "unanswered":
            return f"The simulator is there and does not answer (stopped, or it hangs): no frame for {age_s:.1f} s."
        if age_s >= QUIET_S and state in ("live", "connected", "silent"):
            return f"The simulator is there and sends nothing (stopped, or it hangs): no frame for {age_s:.1f} s."
        return otherwise or f"No frame for {age_s:.1f} s."

    def view(self, *, over: bool) -> RecorderView:
        """The recorder in the words of the screen; `over`: the drive has ended, and nobody minds a silent simulator."""
        status, client = self._client.status(), self._client
        state: RecorderState = "recording"
        silent = (link.sentence for link in status.feeds if link.state not in ("live", "connecting") and not over)
        sentence = status.trouble or next(silent, "")
        gone = self._gone
        if status.closed is not None:
            state, sentence = "closed", f"Closed. Digest {status.closed[:16]} …"
        elif gone is not None and gone.state != "recording":
            state, sentence = gone.state, gone.trouble
        elif not status.alive:
            sentence = ""  # not heard yet, or for a moment only
        elif status.trouble is not None and "NOT RECORDING" in status.trouble:
            state = "not recording"
        elif client.unsaved:
            state = "saving"
        if status.alive and time.monotonic() < self._said_until:
            sentence = self._said
        unclosed = _unclosed(client)
        if unclosed is not None:
            state = "lost" if unclosed.left else "not recording"
            end = "ended and they are lost" if unclosed.left else "name a directory for them in the close-out"
            sentence = f"NOT CLOSED: {unclosed.entries} entries are on no disk; {end}."
        return RecorderView(state, status.minutes_left, client.unsaved, sentence, unclosed)


def _unclosed(client: RecorderClient) -> Unclosed | None:
    """What would be lost, while no disk takes the end of the run; None at any other time."""
    status = client.status()
    if not status.ending and not status.left:
        return None
    of_operator = tuple(_as_text(fields) for fields in client.unsaved_entries())
    return Unclosed(status.left or status.unsynced, of_operator, status.place_said, bool(status.left))


def _as_text(fields: dict[str, Any]) -> str:
    """An operator's entry in one line, to be copied by hand where no disk takes it."""
    words = (fields.get(name) for name in ("trial", "verdict", "reason", "code", "text", "words", "rating", "why"))
    at = fields.get("at")
    when = f" at {at:.1f} s" if isinstance(at, int | float) else ""
    return f"{fields.get('type')}{when}: {', '.join(str(word) for word in words if word not in (None, ''))}"
