"""How a run stands, once a second, for whoever listens: in full on a private socket, faults alone on an announced one.

The private socket (`status`, in the directory of the run's sockets, which only its owner may enter) has what heads the
operator's screen. The announced one is for a lamp, a headset or a second display in the control room: of it only faults
and trials that wait, masked, never a participant's code, a READY or a countdown: **nothing may be commanded by it**.
It is JSON, one message a second, each with `valid_for_s`: who has heard nothing for so long knows nothing, and least of
all that all is well. A listener that does not read costs nothing: what it leaves is dropped.

| key (announced) | is |
| --- | --- |
| `v` | 1 |
| `study` | the study's name |
| `wall` | seconds since 1970 |
| `seq` | +1 each; a hole is a message that was dropped |
| `valid_for_s` | 2: after so long without another one nothing is known |
| `faults` | list of {`code`, `words`} of `FAULTS`, the most pressing first; none by driving while a blind trial waits |
| `waiting` | list of {`trial`, `word`}: trials that wait for somebody, the oldest first; none after a hidden one |

The private one adds `pid`, `by`, `record`, `participant`, `drive`, `t`, `feed`, `recorder`, `recorder_says`,
`minutes_left` (of the disk), `lost` (frames), `next` ({`trigger`, `seconds`}, or null; the seconds are null while a
trial is being answered, because how fast the next trigger comes near would tell how, and so would that it has fired:
null while anything is withheld), `withheld` (whether a blind record has a trial that fired, told by its marker or not,
and that no ruling decides), `ladder` (a word) and `headings`: a list of {`name`, `tone`, `word`,
`seconds`, `sentence`, `now`}, and at the end `left`: true.
"""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any

import zmq

from monitor.errors import WitnessError
from monitor.following.heading.model import Heading
from monitor.following.heading.run import is_followed
from monitor.following.heading.table import headings, over_the_ladder
from monitor.following.heading.trials import running, speaks, waiting
from monitor.following.processes import process_state
from monitor.following.view import LiveView
from monitor.following.words import verdict_word

EVERY_S = 1.0
VALID_FOR_S = 2.0

FAULTS = {
    "stop": "The participant is stopped",
    "not recording": "Nothing is being recorded",
    "behind": "What is told is of a while ago",
    "silent": "Nothing comes in",
    "saved": "A trial is lost and can perhaps still be had",
    "not yet": "Simulator and plan differ",
    "losing": "The coming trial is being lost",
}
"""Rows of the heading's table that are announced, and the only words that are."""


BY_DRIVING = ("verdict", "to rule", "losing", "hold", "hidden", "later", "ready", "no trigger")
"""Rows of the heading's table whose words or seconds may come of how the car is driven: a verdict, too, gives way some
seconds before the next fire, which a car that has braked comes to later. Until a blind trial is ruled on nobody but the
operator is told them: a car that is slow then has braked. Trials that wait are told beside."""


def status_endpoint(sockets: Path) -> str:
    """Where the writing follower of a run tells how it stands."""
    return f"ipc://{sockets}/status"


def announced(view: LiveView) -> dict[str, Any]:
    """What may be heard by anybody in the control room."""
    names = [name for name, _ in _told_headings(view) if not (_is_withheld(view) and name in BY_DRIVING)]
    return {
        "v": 1,
        "study": view.study,
        "valid_for_s": VALID_FOR_S,
        "faults": [{"code": name, "words": FAULTS[name]} for name in names if name in FAULTS],
        "waiting": [{"trial": one.id, "word": verdict_word(one)} for one in waiting(view) if one.hidden_after is None],
    }


def full(view: LiveView) -> dict[str, Any]:
    """What the operator's own screens are told."""
    ladder = over_the_ladder(view)
    return announced(view) | {
        "record": view.record,
        "participant": view.participant,
        "drive": view.drive,
        "t": view.t,
        "feed": view.feed.state,
        "recorder": view.recorder.state,
        "recorder_says": view.recorder.sentence,
        "minutes_left": view.recorder.minutes_left,
        "lost": view.feed.lost,
        "next": _next(view),
        "withheld": _is_withheld(view),
        "ladder": ladder.word if ladder is not None else None,
        "headings": [
            {
                "name": name,
                "tone": one.tone,
                "word": one.word,
                "seconds": one.seconds,
                "sentence": one.sentence,
                "now": one.now,
            }
            for name, one in _told_headings(view)
        ],
    }


def _told_headings(view: LiveView) -> list[tuple[str, Heading]]:
    """Without those of a trial that came after a hidden one of its drive: when it came tells how the car was driven."""
    if not any(one.hidden_after is not None and speaks(one) for one in view.trials):
        return headings(view)
    now = running(view)
    later = ("fired",) if now is not None and now.hidden_after is not None else ()
    return [(name, one) for name, one in headings(view) if name not in (*later, "saved")]


def _next(view: LiveView) -> dict[str, Any] | None:
    """The next trigger and the seconds until it fires; not while a trial is being answered."""
    outlook = view.outlook
    if outlook is None or not is_followed(view) or _is_withheld(view):
        return None
    answering = outlook.in_horizon or outlook.hidden
    return {"trigger": outlook.trigger, "seconds": None if answering else outlook.seconds_left}


def _is_withheld(view: LiveView) -> bool:
    """Also after a ruling that decides nothing, which leaves the response hidden, and where no marker told of the
    fire."""
    fired = (one for one in view.trials if one.fire_t is not None)
    return view.blind and any(one.ruling is None or one.response_hidden for one in fired)


class StatusStream:
    """Publishes in the caller's thread, never waits. Raises `WitnessError` where an endpoint cannot be bound."""

    def __init__(self, sockets: Path, by: str, announce: str | None = None) -> None:
        self._by = by
        self._sockets = sockets
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._private = self._bound(status_endpoint(sockets))
        self._file = (sockets / "status").stat().st_ino
        self._public = None if announce is None else self._bound(announce)
        self._told_at = float("-inf")
        self._heads = ""
        self._seq = 0

    def _bound(self, endpoint: str) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.PUB)
        socket.linger = 0
        socket.sndhwm = 10
        try:
            socket.bind(endpoint)
        except zmq.ZMQError as error:
            self._context.destroy(0)
            raise WitnessError(f"{endpoint}: nothing can be announced there: {error.strerror}.") from error
        return socket

    @property
    def is_due(self) -> bool:
        """Whether a second has passed."""
        return time.monotonic() - self._told_at >= EVERY_S

    def tell(self, view: LiveView) -> None:
        """Tells how it stands: once a second, and on the private socket also when something else heads the screen."""
        heads = headings(view)[0][0]
        if not self.is_due and heads == self._heads:
            return
        self._heads = heads
        wall = {"wall": time.time()}
        self._send(self._private, full(view) | wall | {"pid": os.getpid(), "by": view.in_charge or self._by})
        if self.is_due:
            self._told_at = time.monotonic()
            self._seq += 1
            if self._public is not None:
                self._send(self._public, announced(view) | wall | {"seq": self._seq})

    def close(self) -> None:
        """Says that this screen was left, and lets go of the sockets."""
        self._send(self._private, {"v": 1, "pid": os.getpid(), "by": self._by, "left": True, "wall": time.time()})
        self._context.destroy(100)
        path = self._sockets / "status"
        try:
            if path.stat().st_ino == self._file:  # else another screen writes by now
                path.unlink()
            self._sockets.rmdir()  # only where the recorder has left it already
        except OSError:
            pass

    @staticmethod
    def _send(socket: zmq.Socket[bytes], fields: dict[str, Any]) -> None:
        try:
            socket.send(json.dumps(fields, ensure_ascii=False, allow_nan=False).encode(), zmq.NOBLOCK)
        except zmq.ZMQError:
            pass  # nobody reads: it is said again in a second


class WriterWatch:
    """For who only looks on: is the screen that writes still there?"""

    def __init__(self, sockets: Path) -> None:
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._heard = self._context.socket(zmq.SUB)
        self._heard.linger = 0
        self._heard.setsockopt(zmq.CONFLATE, 1)
        self._heard.subscribe(b"")
        self._heard.connect(status_endpoint(sockets))
        self._last: dict[str, Any] | None = None
        self._heard_at = time.monotonic()

    def look(self) -> str:
        """One sentence where nobody writes on this run; empty where somebody does, or did until a moment ago."""
        try:
            self._last = json.loads(self._heard.recv(zmq.NOBLOCK))
            self._heard_at = time.monotonic()
        except (zmq.Again, ValueError):
            pass
        silent_s = time.monotonic() - self._heard_at
        if self._last is None:
            return "No screen of an operator is on this run: nobody enters notes." if silent_s > 3.0 else ""
        who = f"The operator's screen (process {self._last.get('pid')}, {self._last.get('by')})"
        if self._last.get("left"):
            return f"{who} was closed: nobody enters notes."
        if silent_s <= VALID_FOR_S:
            return ""
        pid = self._last.get("pid")
        state = process_state(pid) if isinstance(pid, int) else "there"
        if state != "gone":
            how = "is stopped" if state == "stopped" else "hangs"
            return f"{who} {how}: it is there and has not answered for {silent_s:.0f} s."
        return f"{who} has died: nobody enters notes; come back with: trialwitness attach."

    def close(self) -> None:
        """Leaves."""
        self._context.destroy(0)
