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


def test_a_run_without_a_screen_is_followed_so(monkeypatch: pytest.MonkeyPatch) -> None:
    following = Interrupting(signal.SIGHUP)  # of which the record stays open: nothing is closed here, or reviewed
    attributes: dict[str, Any] = {"close": lambda: None, "failed": False}
    for name, value in attributes.items():
        setattr(following, name, value)
    monkeypatch.setattr(live_run.Follower, "of", lambda *_: lambda: following)
    run = cast("Any", SimpleNamespace(record="r.run"))
    with interruptible(puts_off=True) as asked:
        status = live_run.stream_run(run, live_run.Follower("test"), asked, as_json=True, until_end=False)
    assert status == 128 + signal.SIGHUP
    assert following.judged == 1
