"""One run of the overview: what its writer tells heads it, and silence never says that all is well."""

from __future__ import annotations

import json
import os
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import zmq
from hypothesis import given
from hypothesis import strategies as st

from monitor.following.overview.listening import NEVER_ANSWERED_S, Listening
from monitor.following.overview.row import FIRST_WORD_S, Heard, RunRow, row_line, row_of
from monitor.following.overview.told import is_understood
from monitor.following.processes import ProcessState
from monitor.following.status_stream import VALID_FOR_S, full, status_endpoint
from monitor.judging.case.trial import Ruling
from monitor.record.disk import DISK, lock_record
from monitor.recorder.plan import RecorderPlan
from monitor.recorder.running import announce, make_sockets_directory, sockets_here, withdraw_announcement
from monitor.recorder.wire import RecorderStatus, entries_endpoint, pack_status
from monitor.screens.overview.drawing import OverviewPicture, draw_overview
from tests.following.test_heading import APPLIES, WORDS, outlook, trial, view

RECORD = Path("/records/Q07-20261128T093000Z-ab12.run")
RECORDS = RecorderStatus(alive=True, pid=7, age_s=0.1, minutes_left=90.0, record=str(RECORD))


def told(name: str = "ready", **more: Any) -> dict[str, Any]:
    """What the writer of a run tells in one situation of the heading's table."""
    return {**full(view(**APPLIES[name])), "pid": 7, "by": "ann", **more}


def heard(said: dict[str, Any] | None = None, **more: Any) -> Heard:
    fields: dict[str, Any] = {"record": RECORD, "is_held": True, "since_s": 60.0, "told": said, "recorder": RECORDS}
    return Heard(**{**fields, **more})


def row(said: dict[str, Any] | None = None, **more: Any) -> RunRow:
    return row_of(heard(said, **more))


@pytest.mark.parametrize("name", [name for name in APPLIES if name != "unattended"])
def test_what_heads_the_operators_screen_heads_the_row(name: str) -> None:
    found = row(told(name))
    assert found.heading.word == WORDS[name]
    assert found.heading.tone == told(name)["headings"][0]["tone"]
    assert found.participant == "Q01"
    assert found.by == "ann"


def test_a_row_has_who_what_comes_what_waits_feed_and_disk() -> None:
    found = row(told("verdict"))
    assert (found.state, found.drive, found.next_trigger, found.seconds_to_next) == ("recording", 1, "side-gust", 40.0)
    assert found.waits == (("1/gate-brake/1", "INVALID"),)
    assert (found.feed, found.disk) == ("live, 0 lost", "6 h 40 min left")
    assert found.wants_somebody
    assert row_line(found) == (
        "Q01 | recording | INVALID: gate-brake: time gap 2.60 s, band 1.30 to 1.90 s: out by 0.20 s. | next side-gust "
        f"in 40 s | waits: INVALID 1/gate-brake/1 | feed live, 0 lost | disk 6 h 40 min left | {RECORD}"
    )


def test_while_a_trial_is_answered_no_seconds_are_told() -> None:
    for hides in ({"in_horizon": True}, {"hidden": True}):
        said = {**full(view(outlook=outlook(seconds_left=17.3, **hides))), "pid": 7, "by": "ann"}
        assert said["next"] == {"trigger": "side-gust", "seconds": None}
        found = row(said)
        assert found.seconds_to_next is None
        assert found.heading.seconds is None
        assert "17" not in json.dumps(found.as_json())
        assert "17" not in row_line(found)


@pytest.mark.parametrize("name", ["hold", "losing", "ready", "later"])
def test_until_a_blind_trial_is_ruled_on_nothing_that_driving_decides_is_told(name: str) -> None:
    fired = {"blind": True, "trials": (trial("valid"),), "seen": frozenset({("1/gate-brake/1", "VALID")})}
    shown = {**APPLIES[name], **fired}
    found = row({**full(view(**shown)), "pid": 7, "by": "ann"})
    assert found.heading.word == "HIDDEN"
    assert found.seconds_to_next is None
    assert "2.6" not in row_line(found)
    ruled = trial("valid", rulings=(Ruling("valid", "confirmed", "", "ann", 41.0, 1.0, None),))
    told_again = row({**full(view(**{**shown, "trials": (ruled,)})), "pid": 7, "by": "ann"})
    assert told_again.heading.word == WORDS[name]
    left_open = replace(ruled, blind=True, rulings=(replace(ruled.rulings[0], verdict="undecided"),))
    still = row({**full(view(**{**shown, "trials": (left_open,)})), "pid": 7, "by": "ann"})
    assert (still.heading.word, still.withheld, still.next_trigger) == ("HIDDEN", True, "")
    stopped = row({**full(view(**{**shown, **APPLIES["stop"]})), "pid": 7, "by": "ann"})
    assert stopped.heading.word == "STOP"


def test_how_long_a_blind_trials_verdict_stands_tells_nothing() -> None:
    """A verdict gives way 15 s before the next fire, and a car that has braked comes to that later."""
    lost = {"blind": True, "trials": (trial("invalid"),)}
    found = [
        row({**full(view(outlook=outlook(seconds_left=left), **lost)), "pid": 7, "by": "ann"}) for left in (40.0, 12.0)
    ]
    assert [one.heading.word for one in found] == ["HIDDEN", "HIDDEN"]
    assert found[0].waits == (("1/gate-brake/1", "INVALID"),)
    assert found[0].wants_somebody


@given(
    name=st.sampled_from(sorted(APPLIES)),
    told_age_s=st.floats(VALID_FOR_S + 1e-6, 1e6),
    since_s=st.floats(0.0, 1e6),
    is_held=st.booleans(),
    writer=st.sampled_from(["gone", "stopped", "there"]),
    recorder=st.sampled_from([None, RECORDS, replace(RECORDS, closed="ab" * 32)]),
    recorder_age_s=st.floats(0.0, 1e6),
    left=st.booleans(),
)
def test_what_was_heard_too_long_ago_counts_for_nothing(
    name: str,
    told_age_s: float,
    since_s: float,
    is_held: bool,
    writer: ProcessState,
    recorder: RecorderStatus | None,
    recorder_age_s: float,
    left: bool,
) -> None:
    said = told(name, **({"left": True} if left else {}))
    found = row(
        said,
        told_age_s=told_age_s,
        since_s=since_s,
        is_held=is_held,
        writer=writer,
        recorder=recorder,
        recorder_age_s=recorder_age_s,
    )
    assert found.heading.word in ("UNKNOWN", "UNWATCHED", "NO RECORD", "CLOSED")
    assert found.state != "recording"
    assert found.seconds_to_next is None
    assert found.heading.tone != "good"


def test_a_word_says_itself_for_how_long_it_counts() -> None:
    assert row(told(valid_for_s=5.0), told_age_s=4.9).heading.word == "READY"
    assert row(told(valid_for_s=5.0), told_age_s=5.1, writer="there").heading.word == "UNKNOWN"


def test_nobody_watches_is_said_and_why() -> None:
    never = row()
    assert (never.state, never.heading.word) == ("nobody watches", "UNWATCHED")
    assert never.heading.sentence.startswith("Nobody watches: no screen of an operator is on it.")
    assert (never.participant, never.feed, never.disk) == ("Q07", "comes in", "90 min left")
    assert never.may_write
    closed = row({"pid": 7, "by": "ann", "left": True}, told_age_s=0.5)
    assert closed.heading.sentence.startswith("Nobody watches: the screen of ann was closed.")
    died = row(told(), told_age_s=3.0, writer="gone")
    assert died.heading.sentence.startswith("Nobody watches: the screen of ann has died.")
    assert row(since_s=FIRST_WORD_S - 0.5).heading.word == "UNKNOWN"


def test_a_watcher_that_is_there_and_silent_is_unknown_and_named() -> None:
    for writer, how in (("stopped", "is stopped"), ("there", "hangs")):
        found = row(told(), told_age_s=7.4, writer=writer)
        assert (found.state, found.heading.word) == ("unknown", "UNKNOWN")
        assert f"the screen of ann {how} and has told nothing for 7 s" in found.heading.sentence
        assert not found.may_write


def test_a_recorder_that_died_is_told_at_once_whatever_was_told_before() -> None:
    found = row(told("ready"), told_age_s=0.1, is_held=False)
    assert (found.state, found.heading.word) == ("not recording", "NO RECORD")
    assert found.may_write
    assert not found.is_recorded
    restarting = row(told("not recording", recorder="restarting"), is_held=False)
    assert restarting.heading.word == WORDS["not recording"]  # the writer's own word, which says what is being done


def test_a_recorder_without_a_watcher_that_does_not_answer_is_told() -> None:
    assert row(recorder_age_s=5.0).heading.word == "NO RECORD"
    silent = row(recorder=replace(RECORDS, age_s=42.0))
    assert silent.feed == "silent for 42 s"
    full_disk = row(recorder=replace(RECORDS, trouble="No space left: NOT RECORDING."))
    assert full_disk.disk == "No space left: NOT RECORDING."


def test_a_run_that_was_closed_is_no_loss() -> None:
    found = row(recorder=replace(RECORDS, closed="ab" * 32), is_held=False)
    assert (found.state, found.heading.word, found.wants_somebody) == ("closed", "CLOSED", False)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.floats(allow_nan=True) | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["word", "trial", "seconds"]), inner),
    max_leaves=4,
)


@given(
    more=st.dictionaries(st.sampled_from([*told(), "v", "wall", "next", "headings", "waiting"]), VALUES, min_size=1),
    writer=st.sampled_from(["gone", "stopped", "there"]),
)
def test_whatever_another_version_tells_gives_a_row_that_claims_nothing_of_it(
    more: dict[str, Any], writer: ProcessState
) -> None:
    """One writer of another version must neither end the look at all other runs, nor be READY by chance."""
    said = told() | more
    found = row(said, writer=writer)
    assert row_line(found)
    json.dumps(found.as_json())
    if not is_understood(said):
        assert found.heading.tone != "good"
        assert found.seconds_to_next is None


def test_a_screen_of_another_version_is_named_and_what_this_one_tells_is_understood() -> None:
    found = row(told() | {"v": 2}, writer="there")
    assert (found.state, found.heading.word) == ("unknown", "UNKNOWN")
    assert found.heading.sentence.startswith("A screen of another version writes on it")
    assert all(is_understood(told(name)) for name in APPLIES)


def test_a_record_that_is_not_there_any_more_is_no_recorder_that_died() -> None:
    """Renamed, withdrawn, or its disk is gone: nobody knows what is recorded, and the recorder may be alive."""
    found = row(told(), is_held=False, is_there=False, recorder=RECORDS, recorder_age_s=0.2)
    assert (found.state, found.heading.word, found.heading.tone) == ("not recording", "NO RECORD", "bad")
    assert "is not there any more" in found.heading.sentence
    assert "its recorder answers" in found.heading.sentence
    assert "has died" not in found.heading.sentence


def test_a_directory_that_cannot_be_looked_into_is_told_and_hides_no_other_run(here: Path, tmp_path: Path) -> None:
    first = Recording(tmp_path / "a", "Q01-1-a.run")
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    listening = Listening([loop, tmp_path / "a"], everywhere=False)
    try:
        until(listening, lambda places: words(places) == ["READY"], first)
        seen = listening.look()
        assert seen.trouble == f"{loop} cannot be looked into: Too many levels of symbolic links"
        nothing = draw_overview(OverviewPicture((), trouble="/x cannot be looked into: gone"), 80, 24).text()
        assert "/x cannot be looked into: gone" in nothing
        assert "Nothing is being recorded" not in nothing
    finally:
        listening.close()
        first.close()


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A directory for the sockets of this test alone, short enough for them."""
    with tempfile.TemporaryDirectory(prefix="ov-", dir="/tmp") as folder:
        monkeypatch.setenv("XDG_RUNTIME_DIR", folder)
        yield Path(folder)


class Recording:
    """A recorder and a writer, as far as others hear of them."""

    def __init__(self, records: Path, name: str) -> None:
        self.record = records / name
        self.record.mkdir(parents=True)
        (self.record / "part-0001.twr").write_bytes(b"x")
        self.sockets = make_sockets_directory()
        self.lock: int | None = lock_record(DISK, self.record)
        announce(RecorderPlan(record=str(self.record), feeds=("tcp://127.0.0.1:1",), sockets=str(self.sockets)))
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._writer, self._recorder = self._context.socket(zmq.PUB), self._context.socket(zmq.PUB)
        self._writer.bind(status_endpoint(self.sockets))
        self._recorder.bind(entries_endpoint(self.sockets))

    def tell(self, **more: Any) -> None:
        status = {"pid": os.getpid(), "age_s": 0.1, "minutes_left": 90.0, "feeds": [], "record": str(self.record)}
        self._recorder.send(pack_status(status))
        said = {**told("ready"), "participant": self.record.name[:3], "pid": os.getpid(), "wall": time.time(), **more}
        self._writer.send(json.dumps(said).encode())

    def die(self) -> None:
        assert self.lock is not None
        os.close(self.lock)
        self.lock = None

    def close(self) -> None:
        if self.lock is not None:
            self.die()
        self._context.destroy(0)


def until(listening: Listening, what: Any, *tellers: Recording, **more: Any) -> tuple[RunRow | None, ...]:
    """Goes on telling and looking until the rows are so."""
    deadline, pause = time.monotonic() + 60.0, threading.Event()
    while time.monotonic() < deadline:
        for one in tellers:
            one.tell(**more)
        seen = listening.look()
        if what(seen.places):
            return seen.places
        pause.wait(0.02)
    raise AssertionError(f"not so: {seen.places}")


def words(places: tuple[RunRow | None, ...]) -> list[str | None]:
    return [None if one is None else one.heading.word for one in places]


def test_runs_are_found_in_directories_and_each_keeps_its_place(here: Path, tmp_path: Path) -> None:
    first, second = Recording(tmp_path / "a", "Q01-1-a.run"), Recording(tmp_path / "b", "Q02-1-b.run")
    listening = Listening([tmp_path / "a", tmp_path / "b"], everywhere=False)
    third = None
    try:
        until(listening, lambda places: words(places) == ["READY", "READY"], first, second)
        first.die()
        places = until(listening, lambda places: words(places) == ["NO RECORD", "READY"], second)
        assert [one.participant for one in places if one is not None] == ["Q01", "Q02"]
        withdraw_announcement(first.record)
        listening._let_go(first.sockets)
        assert words(listening.look().places) == [None, "READY"]  # the other one does not move
        third = Recording(tmp_path / "a", "Q03-1-c.run")
        listening._searched_at = float("-inf")
        until(listening, lambda places: words(places) == ["READY", "READY"], second, third)
        assert [one.participant for one in listening.look().runs] == ["Q03", "Q02"]
    finally:
        listening.close()
        for one in (first, second, third):
            if one is not None:
                one.close()


@pytest.mark.slow
def test_everywhere_finds_every_run_of_this_user_and_what_lies_beside_it(here: Path, tmp_path: Path) -> None:
    lives, died = Recording(tmp_path / "far", "Q01-1-a.run"), Recording(tmp_path / "far", "Q02-1-b.run")
    died.close()
    assert set(sockets_here()) == {lives.sockets, died.sockets}
    listening = Listening([tmp_path / "none"], everywhere=True)
    try:
        until(listening, lambda places: sorted(map(str, words(places))) == ["NO RECORD", "READY"], lives)
    finally:
        listening.close()
        lives.close()


def test_a_word_that_waited_in_a_buffer_is_as_old_as_it_says(here: Path, tmp_path: Path) -> None:
    run = Recording(tmp_path, "Q01-1-a.run")
    listening = Listening([tmp_path], everywhere=False)
    try:
        until(listening, lambda places: words(places) == ["READY"], run)
        until(listening, lambda places: words(places) == ["UNKNOWN"], run, wall=time.time() - 10.0)
    finally:
        listening.close()
        run.close()


def test_a_run_left_unclosed_long_ago_is_counted_and_has_no_row(here: Path, tmp_path: Path) -> None:
    run = Recording(tmp_path, "Q01-1-a.run")
    run.close()
    for path in run.record.iterdir():
        os.utime(path, (1.0, 1.0))
    listening = Listening([tmp_path], everywhere=False)
    try:
        seen = listening.look()
        assert (seen.places, seen.old) == ((), 1)
    finally:
        listening.close()


def test_sockets_that_nobody_answers_at_are_let_go(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_sockets_directory()
    listening = Listening([], everywhere=True)
    try:
        listening.look()
        assert len(listening._ears) == 1
        for ear in listening._ears.values():
            ear.since -= NEVER_ANSWERED_S + 1.0
        listening.look()
        assert not listening._ears
        assert not listening.is_waiting
    finally:
        listening.close()


def test_an_exercise_is_counted_and_has_no_row(here: Path, tmp_path: Path) -> None:
    """Somebody who exercises is no participant: DRILL-01 that is READY among runs would be taken for one."""
    exercise = Recording(tmp_path / "drills" / "ann" / "20261128T093000Z", "DRILL-01-1-a.run")
    first = Recording(tmp_path, "Q01-1-a.run")
    listening = Listening([tmp_path], everywhere=True)
    try:
        until(listening, lambda places: words(places) == ["READY"] and listening.look().exercises == 1, first, exercise)
        assert [one.participant for one in listening.look().runs] == ["Q01"]
        exercise.die()
        until(listening, lambda places: listening.look().exercises == 0, first, exercise)
    finally:
        listening.close()
        first.close()
        exercise.close()
