"""What a screen is given: somewhere to take the newest picture from, and somewhere to put the operator's entries."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from monitor.following.view import LiveView, TransportView


class ViewProvider(Protocol):
    """The screen asks, the source never pushes, so a slow terminal can build no backlog."""

    def view(self) -> LiveView:
        """The newest picture. Called up to 25 times a second on the screen's loop: it may not block.

        `feed.age_s` and `feed.state` are those of the moment of the call, also when nothing has come in since.
        """
        ...

    def post(self, fields: dict[str, Any]) -> str:
        """Hands on an operator's entry (`record.entries.pack_operator`) and gives its key; it may not block.

        The screen fills in `type`, `drive`, `at` (seconds of the drive at the key press), `wall` (seconds since 1970
        at the key press) and the type's own fields; the source adds `key` and `by`. From this call on until the entry
        is on disk it counts in `view().recorder.unsaved`: by that the screen says "saving" and then "on disk".
        Raises `WitnessError` with a plain sentence where the entry cannot be taken.
        """
        ...

    def end(self, why: str) -> None:
        """Asks the recorder to close the run. Leaving the screen does not call it."""
        ...


@runtime_checkable
class EndingProvider(Protocol):
    """A source whose run may be ended while no disk takes the end: `view().recorder.unclosed` says what comes of it."""

    def name_place(self, directory: Path) -> None:
        """Names a directory of records, on any disk, for what no disk takes; it may not block."""
        ...

    def leave_unsaved(self) -> None:
        """What no disk takes is to be left; it may not block."""
        ...


@runtime_checkable
class WakingProvider(Protocol):
    """A source that says when there is a view that must not wait for the next tick."""

    def when_turned(self, wake: Callable[[], None]) -> None:
        """`wake` is called, in any thread, when a view with another verdict is there. It may be called too often."""
        ...


@runtime_checkable
class TransportProvider(Protocol):
    """A source over a record that can be moved about in. All calls return at once; the next view shows the result."""

    def transport(self) -> TransportView: ...

    def play(self) -> None: ...

    def pause(self) -> None: ...

    def step(self, frames: int) -> None:
        """Moves by so many frames (negative: back) and pauses."""
        ...

    def set_speed(self, speed: float) -> None:
        """Times recorded time, 0.1 to 60."""
        ...

    def seek(self, at_s: float) -> None:
        """Goes to so many seconds from the record's start, clipped to its length."""
        ...

    def jump(self, direction: int) -> object:
        """Goes to just before the next (+1) or the previous (−1) trigger."""
        ...

    def loop(self) -> object:
        """Goes round the trigger nearest to here; a second call ends it."""
        ...
