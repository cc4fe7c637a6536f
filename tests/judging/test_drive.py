"""One drive's bookkeeping: what is judged, counted, recovered, and where a drive begins and ends."""

from __future__ import annotations

import msgpack
import pytest

from monitor.judging.case.stream import FLUSH_FRAMES
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames, pack_map, unpack_frames
from tests.judging.hand import FIRE_T, HandDrive, entries_of, judged, opening_of, study_of


def taken(messages: list[list[bytes]], *, close: bool = True) -> Session:
    """A session after these messages, one entry each."""
    entries = [
        Entry(EntryKind.MESSAGE, number, number * 1_000_000, number * 1_000_000, pack_frames(frames))
        for number, frames in enumerate(messages, start=2)
    ]
    if close:
        entries.append(Entry(EntryKind.CLOSE, len(entries) + 2, 0, 0, pack_map({"why": "test"})))
    session = Session(study_of(), opening_of(study_of()))
    session.take(entries)
    return session


def messages_of(drive: HandDrive) -> list[list[bytes]]:
    return [frames for _, frames in drive.messages()]


def is_frame(message: list[bytes], seq: int | None = None) -> bool:
    return message[0] == b"frame" and (seq is None or msgpack.unpackb(message[1])["seq"] == seq)


def place_of(messages: list[list[bytes]], seq: int) -> int:
    return next(index for index, message in enumerate(messages) if is_frame(message, seq))


def changed(message: list[bytes], **fields: object) -> list[bytes]:
    return [message[0], msgpack.packb({**msgpack.unpackb(message[1]), **fields})]


SHORT = HandDrive(end_t=16.0)
FRAMES = 16 * 60 + 1


def test_a_clean_drive_counts_its_frames() -> None:
    counts = taken(messages_of(SHORT)).drives[0].log.counts
    assert (counts.frames, counts.judged) == (FRAMES, FRAMES)
    assert (counts.lost, counts.duplicates, counts.out_of_order, counts.repeated_time, counts.before_hello) == (0,) * 5


def test_a_duplicate_is_counted_and_not_judged() -> None:
    messages = messages_of(SHORT)
    at = place_of(messages, 590)
    messages.insert(at + 1, changed(messages[at], own={**msgpack.unpackb(messages[at][1])["own"], "speed": 5.0}))
    session = taken(messages)
    counts = session.drives[0].log.counts
    assert (counts.frames, counts.judged, counts.duplicates) == (FRAMES, FRAMES, 1)
    assert session.trials()[0].verdict == "valid"


def test_a_frame_out_of_order_is_counted_and_not_judged_but_was_not_lost() -> None:
    messages = messages_of(SHORT)
    at = place_of(messages, 400)
    messages.insert(at + 2, messages.pop(at))
    counts = taken(messages).drives[0].log.counts
    assert (counts.frames, counts.judged, counts.out_of_order, counts.lost) == (FRAMES, FRAMES - 1, 1, 0)


def test_the_same_frame_out_of_order_twice_is_a_duplicate() -> None:
    messages = messages_of(SHORT)
    at = place_of(messages, 400)
    late = messages.pop(at)
    messages[at + 1 : at + 1] = [late, late]
    counts = taken(messages).drives[0].log.counts
    assert (counts.out_of_order, counts.duplicates) == (1, 1)


def test_a_repeated_time_is_counted_and_not_judged() -> None:
    messages = messages_of(SHORT)
    at = place_of(messages, 401)
    messages[at] = changed(messages[at], t=400 / 60)
    counts = taken(messages).drives[0].log.counts
    assert (counts.frames, counts.judged, counts.repeated_time, counts.lost) == (FRAMES, FRAMES - 1, 1, 0)


def test_frames_before_the_hello_are_not_judged() -> None:
    messages = messages_of(SHORT)
    first_hello = messages.pop(0)
    messages.insert(30, first_hello)
    log = taken(messages).drives[0].log
    assert log.counts.before_hello > 20
    assert log.counts.judged == FRAMES - log.counts.before_hello
    assert log.first_t == pytest.approx(log.counts.before_hello / 60)


def test_a_pause_is_no_loss_and_is_found_only_inside_the_window() -> None:
    early = HandDrive(markers=[(3.0, "pause", "", {}), (3.0, "resume", "", {}), *HandDrive().markers])
    (trial,) = judged(early).trials()
    assert trial.findings == ()
    inside = HandDrive(markers=[(9.0, "pause", "", {}), (9.0, "resume", "", {}), *HandDrive().markers])
    (trial,) = judged(inside).trials()
    assert [one.code for one in trial.findings] == ["paused-in-window"]
    assert trial.verdict == "invalid"


def test_constant_time_in_a_pause_is_counted_and_not_lost() -> None:
    messages = messages_of(HandDrive(markers=[(3.0, "pause", "", {}), (3.0, "resume", "", {}), *HandDrive().markers]))
    at = place_of(messages, 180)
    still = messages[at]
    repeats = []
    for message in messages[at + 1 :]:
        if is_frame(message):
            fields = msgpack.unpackb(message[1])
            repeats.append([message[0], msgpack.packb({**fields, "seq": fields["seq"] + 100})])
        else:
            repeats.append(message)
    stood = [changed(still, seq=180 + k) for k in range(1, 101)]
    session = taken([*messages[: at + 1], *stood, *repeats])
    log = session.drives[0].log
    assert (log.counts.repeated_time, log.counts.lost, log.paused) == (100, 0, False)
    assert session.trials()[0].verdict == "valid"


def test_a_new_run_begins_a_new_drive_and_ends_the_old_one() -> None:
    session = judged(HandDrive(ends=False, end_t=14.0), HandDrive(run="run-b"))
    assert [drive.log.index for drive in session.drives] == [1, 2]
    assert session.drives[0].log.end_kind == "new drive"
    assert session.drives[1].log.end_kind == "run_end"
    first, second = session.trials()
    assert (first.id, second.id) == ("1/gate-brake/1", "2/gate-brake/1")
    assert (first.stage, second.stage) == ("final", "final")
    assert (second.naive, second.verdict) == ("no", "invalid")


def test_what_comes_late_from_an_older_run_is_passed_over() -> None:
    first, second = messages_of(HandDrive()), messages_of(HandDrive(run="run-b"))
    straggler = changed(first[-1], seq=99_999, t=99.0)
    session = taken([*first, *second[:20], straggler, *second[20:]])
    assert [drive.log.run for drive in session.drives] == ["run-a", "run-b"]
    assert session.drives[0].log.newest_t == pytest.approx(16.0)


def test_a_marker_found_only_in_a_hello_counts_at_its_own_time() -> None:
    session = judged(HandDrive(lost_markers=frozenset({2})))
    marker = session.drives[0].log.markers[2]
    assert marker.recovered
    assert (marker.kind, marker.t) == ("trigger", FIRE_T)
    (trial,) = session.trials()
    assert (trial.fired_at, trial.timing.result, trial.verdict) == (FIRE_T, "on time", "valid")


@pytest.mark.parametrize(("late_s", "expected"), [(0.5, []), (1.9, []), (2.1, ["marker-late"])])
def test_a_marker_may_come_two_seconds_late(late_s: float, expected: list[str]) -> None:
    messages = messages_of(HandDrive(rate_hz=20.0))
    # hellos would repeat it sooner
    messages = [changed(one, recent=[]) if one[0] == b"hello" else one for one in messages]
    alert = next(one for one in messages if one[0] == b"marker" and msgpack.unpackb(one[1])["kind"] == "alert_on")
    messages.remove(alert)
    after = next(
        index for index, one in enumerate(messages) if is_frame(one) and msgpack.unpackb(one[1])["t"] > 10.3 + late_s
    )
    messages.insert(after, alert)
    (trial,) = taken(messages).trials()
    assert [one.code for one in trial.findings] == expected
    assert trial.verdict == "valid"  # a late marker is told, and counts at its own time
    assert trial.alert.at == pytest.approx(10.3)


def test_the_drive_ends_at_run_end_abort_new_run_or_close() -> None:
    assert judged(HandDrive()).drives[0].log.end_kind == "run_end"
    aborted = HandDrive(ends=False, markers=[(12.0, "abort", "", {})], end_t=12.5)
    assert judged(aborted).drives[0].log.end_kind == "abort"
    assert judged(HandDrive(ends=False)).drives[0].log.end_kind == "close"


def test_refused_messages_are_counted_and_change_nothing() -> None:
    messages = messages_of(SHORT)
    clean = taken(messages).trials()
    messages[500:500] = [[b"frame", b"\xc1"], [b"nonsense"], [b"frame", msgpack.packb({"v": 1})]]
    session = taken(messages)
    assert session.bad == 3
    assert session.last_refusal is not None
    assert session.trials()[0].conditions == clean[0].conditions


def test_a_thousand_frames_more_leave_the_judged_window_in_memory() -> None:
    # memory is bounded: what lies further back than any trial may look is let go of, and what it may look at is not
    session = judged(HandDrive(end_t=180.0, rate_hz=20.0))
    log = session.drives[0].log
    kept_s = log.newest_t - log.blocks[0].frames.t[0]
    assert log.retain_s <= kept_s <= log.retain_s + 110.0
    assert session.trials()[0].verdict == "valid"


def test_of_frames_of_one_table_a_block_is_made_when_so_many_wait_and_no_sooner() -> None:
    """They come in by the second, with a hello between: each is counted once."""
    drive = HandDrive(end_t=100.0)
    told: list[tuple[str, int]] = []
    session = Session(study_of(), opening_of(study_of()))
    session.on_measured = lambda run, block: told.append((run, len(block.frames)))
    session.take(entries_of(drive))
    assert sum(count for _, count in told) == 6001
    assert [count >= FLUSH_FRAMES for _, count in told] == [True, False]


def test_entries_keep_the_messages_as_they_came() -> None:
    first = next(one for one in entries_of(SHORT) if one.kind is EntryKind.MESSAGE)
    assert unpack_frames(first.payload) == messages_of(SHORT)[0]
