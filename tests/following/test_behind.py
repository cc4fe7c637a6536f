"""More comes in than is judged: the screen says so, draws less, and loses nothing."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from monitor.following.heading.table import OF_THIS_MOMENT, headings
from monitor.following.live import BEHIND_S, Following
from monitor.record.clock import SYSTEM_CLOCK
from monitor.record.entries import Entry
from monitor.recorder.client import RecorderClient
from monitor.recorder.wire import RecorderStatus
from tests.judging.hand import HandDrive, entries_of


class Slow:
    """A recorder that has all entries, and a follower of it that is handed so many a step."""

    generation = 1
    unsaved = 0

    def __init__(self, entries: list[Entry]) -> None:
        now_ns, last_ns = SYSTEM_CLOCK.monotonic_ns(), entries[-1].monotonic_ns
        self.left = [one._replace(monotonic_ns=now_ns - last_ns + one.monotonic_ns) for one in entries]
        self.number = self.left[-1].number
        self.a_step = 300

    def entries(self, timeout_s: float) -> list[Entry]:
        taken, self.left = self.left[: self.a_step], self.left[self.a_step :]
        return taken

    def status(self) -> RecorderStatus:
        return RecorderStatus(alive=True, number=self.number, age_s=0.01)

    def close(self) -> None:
        pass


def test_a_follower_that_is_behind_says_so_until_it_has_caught_up(tmp_path: Path) -> None:
    client = Slow(entries_of(HandDrive(ends=False)))
    following = Following(cast("RecorderClient", client), tmp_path / "r.run", by="test")
    following.step(0.0)
    assert following.behind_s > BEHIND_S
    view = following.view(1)
    assert view is not None
    assert view.feed.behind_s == following.behind_s
    (_, head), *others = headings(view)
    assert head.word == "BEHIND"
    assert "behind what comes in; the record has all of it" in head.sentence
    assert [name for name, _ in others if name in OF_THIS_MOMENT] == []
    client.a_step = 10_000
    following.step(0.0)
    assert following.behind_s <= BEHIND_S
    view = following.view(2)
    assert view is not None
    assert view.feed.behind_s is None
    assert view.feed.lost == 0
    assert [trial.verdict for trial in view.trials] == ["valid"]


def test_a_handful_of_frames_on_their_way_is_not_behind(tmp_path: Path) -> None:
    client = Slow(entries_of(HandDrive(ends=False)))
    client.a_step = len(client.left) - 10
    following = Following(cast("RecorderClient", client), tmp_path / "r.run", by="test")
    following.step(0.0)
    assert following.behind_s <= BEHIND_S
