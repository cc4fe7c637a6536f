"""TERM and INT as an exception, or as a wish, so that a command ends in good order."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from monitor.errors import WitnessError


class Interrupted(Exception):
    """Raised when a signal asks the command to end."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class interruptible:  # noqa: N801 - used as a with-statement
    """While it holds, TERM and INT raise `Interrupted`, and so does HUP, as of a terminal that is gone, unless it is
    ignored."""

    def __init__(self, *, puts_off: bool = False) -> None:
        """With `puts_off` nothing is raised until `let_go`: of what begins many things, such as a run, none is left
        without whoever would end it. And once one was raised, a second one waits for the next `let_go`: it does not
        keep whoever was told first from ending all that has begun."""
        self._begins = self._puts_off = puts_off
        self._put_off: int | None = None

    def put_off(self) -> None:
        """From here on a signal waits for `let_go`."""
        self._puts_off = True

    def let_go(self) -> None:
        """From here on a signal is raised when it comes; and the first one that has come, now."""
        self._puts_off = False
        number, self._put_off = self._put_off, None
        if number is not None:
            self._raise(number)

    @contextmanager
    def puts_off(self) -> Iterator[None]:
        """A step that is done whole or not begun: a signal that comes meanwhile is raised after it."""
        self.put_off()
        try:
            yield
        finally:
            self._puts_off = False
        self.let_go()

    def _raise(self, number: int) -> None:
        self._puts_off = self._begins
        raise Interrupted(number)

    def __enter__(self) -> interruptible:
        def interrupt(number: int, _: FrameType | None) -> None:
            if self._puts_off:
                self._put_off = number if self._put_off is None else self._put_off
            else:
                self._raise(number)

        self._before = {one: signal.signal(one, interrupt) for one in _asking()}
        return self

    def __exit__(self, _: object, error: BaseException | None, __: object) -> None:
        for one, handler in self._before.items():
            signal.signal(one, handler)
        if self._put_off is not None and isinstance(error, WitnessError):
            # what could not begin was ended by the same signal, as by Ctrl-C, which all of a terminal's processes get
            raise Interrupted(self._put_off) from error


class asked_to_stop:  # noqa: N801 - used as a with-statement
    """While it holds, the first TERM or INT only sets `number`: what has been taken in is handed on first, and whoever
    loops asks in between. The second one sets `at_once` and raises `Interrupted`.

    HUP, as of a terminal that is gone, is such a first one unless it is ignored, and never a second one: the system and
    a shell may each send it for the same terminal."""

    number: int | None = None
    at_once = False
    only_waits = False
    """Set by whoever does nothing but wait from here on: then the first one raises `Interrupted` as well."""

    def end_a_wait(self) -> None:
        """Raises `Interrupted` once it is asked for: what is waited for may never come."""
        if self.number is not None:
            raise Interrupted(self.number)

    def also_for(self, number: int | None) -> None:
        """As the first signal with this number, where there is one and none came before."""
        self.number = number if self.number is None else self.number

    def __enter__(self) -> asked_to_stop:
        def ask(number: int, _: FrameType | None) -> None:
            is_second = self.number is not None and number != signal.SIGHUP
            raises = is_second or (self.only_waits and self.number is None)
            self.at_once = self.at_once or is_second
            self.also_for(number)
            if raises:
                raise Interrupted(number)

        self._before = {one: signal.signal(one, ask) for one in _asking()}
        return self

    def __exit__(self, *_: object) -> None:
        for one, handler in self._before.items():
            signal.signal(one, handler)


def _asking() -> tuple[signal.Signals, ...]:
    hangs_up = () if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN else (signal.SIGHUP,)
    return signal.SIGINT, signal.SIGTERM, *hangs_up
