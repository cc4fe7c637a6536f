"""A signal that comes while a follower takes in what was recorded: it has judged all that it took when it is asked to
end, since the record is closed, and the run reviewed, by what it has then."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from monitor.commands.connecting import rehearse
from monitor.commands.shared import live_run
from monitor.commands.shared.interrupting import Interrupted, interruptible
from monitor.errors import WitnessError
from monitor.study.demo import demo_study


class Interrupting:
    """A follower to whom each signal comes between what it takes and what it judges of it."""

    def __init__(self, number: signal.Signals) -> None:
        self.taken = self.judged = 0
        self.session = None
        self._number = number

    def step(self, timeout_s: float) -> bool:
        self.taken += 1
        os.kill(os.getpid(), self._number)
        self.judged += 1
        return True


def watch(following: Any, asked: interruptible) -> object:
    return live_run._follow(following, None, until_end=False, undivided=asked.puts_off)


def rehearsal(following: Any, asked: interruptible) -> object:
    return rehearse._drive(following, demo_study(), (), 1, asked)


@pytest.mark.parametrize("follow", [watch, rehearsal])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_what_was_taken_is_judged_before_a_signal_ends_it(
    follow: Callable[[Any, interruptible], object], number: signal.Signals
) -> None:
    following = Interrupting(number)
    with pytest.raises(Interrupted) as ended, interruptible() as asked:
        follow(following, asked)
    assert ended.value.number == number
    assert (following.taken, following.judged) == (1, 1)


class Ending(Interrupting):
    """A follower whose run is asked to be closed while a second signal comes, and is closed two steps later."""

    record, failed = "r.run", False

    def __init__(self, number: signal.Signals, second: signal.Signals) -> None:
        super().__init__(number)
        self.session = cast("Any", SimpleNamespace(closed=True, current=None, trials=tuple, operator=NOTHING))
        self.left_to_close = 2
        self._second = second

    def post(self, fields: dict[str, Any]) -> None:
        assert fields["type"] == "end"
        self._number = self._second
        os.kill(os.getpid(), self._second)

    def step(self, timeout_s: float) -> bool:
        if self._number is self._second:
            self.left_to_close -= 1
        return super().step(timeout_s)

    def status(self) -> Any:
        return SimpleNamespace(closed="3f9a" if self.left_to_close <= 0 else None)

    def close(self) -> None: ...


NOTHING = SimpleNamespace(notes=())


@pytest.mark.parametrize("second", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_second_signal_keeps_from_no_end_of_a_run(second: signal.Signals, monkeypatch: pytest.MonkeyPatch) -> None:
    """It comes in the moment when the first one is being told, or while the run is being closed."""
    first = signal.SIGTERM if second is not signal.SIGTERM else signal.SIGINT
    following = Ending(first, second)
    monkeypatch.setattr(live_run.Follower, "of", lambda *_: lambda: following)
    run = cast("Any", SimpleNamespace(record="r.run", is_recorded=False))
    with pytest.raises(Interrupted), interruptible(puts_off=True) as asked:
        live_run.stream_run(run, live_run.Follower("test"), asked, as_json=True, until_end=False)
    assert following.left_to_close == 0


def test_of_signals_that_were_put_off_the_first_one_counts_and_the_next_waits_for_who_ends() -> None:
    raised = []
    with interruptible(puts_off=True) as asked:
        for number in (signal.SIGTERM, signal.SIGHUP):
            os.kill(os.getpid(), number)
        for _ in range(2):
            try:
                asked.let_go()
                os.kill(os.getpid(), signal.SIGINT)
            except Interrupted as interrupted:
                raised.append(interrupted.number)
                os.kill(os.getpid(), signal.SIGHUP)
    assert raised == [signal.SIGTERM, signal.SIGHUP]


def test_what_could_not_begin_because_all_were_told_to_end_is_no_fault() -> None:
    """Ctrl-C goes to the simulator, too, which then does not start."""

    def begin(*, is_told: bool) -> None:
        with interruptible(puts_off=True):
            if is_told:
                os.kill(os.getpid(), signal.SIGINT)
            raise WitnessError("The simulator did not start.")

    with pytest.raises(Interrupted) as ended:
        begin(is_told=True)
    assert ended.value.number == signal.SIGINT
    with pytest.raises(WitnessError):
        begin(is_told=False)


def test_a_run_without_a_screen_is_followed_so(monkeypatch: pytest.MonkeyPatch) -> None:
    following = Interrupting(signal.SIGHUP)  # of which the record stays open: nothing is closed here, or reviewed
    attributes: dict[str, Any] = {"close": lambda: None, "failed": False}
    for name, value in attributes.items():
        setattr(following, name, value)
    monkeypatch.setattr(live_run.Follower, "of", lambda *_: lambda: following)
    run = cast("Any", SimpleNamespace(record="r.run", is_recorded=True))
    with interruptible(puts_off=True) as asked:
        status = live_run.stream_run(run, live_run.Follower("test"), asked, as_json=True, until_end=False)
    assert status == 128 + signal.SIGHUP
    assert following.judged == 1
