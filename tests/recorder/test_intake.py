"""What arrives is in the record, whole and in order, and the same entries reach whoever follows."""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path

from monitor.record.entries import Entry, EntryKind, unpack_frames, unpack_further
from monitor.recorder.plan import RecorderTiming
from tests.recorder import quick
from tests.recorder.conftest import House

BURST = """
import sys, time, zmq
socket = zmq.Context().socket(zmq.PUB)
socket.linger = 2000
socket.sndhwm = 200_000
port = socket.bind_to_random_port("tcp://127.0.0.1")
open(sys.argv[1], "w").write(str(port))
print("ready", flush=True)
count, rate_hz = int(sys.argv[2]), float(sys.argv[3])
go = sys.argv[4]
import os
while not os.path.exists(go):
    socket.send_multipart([b"hello", b"joining"])
    time.sleep(0.01)
begun = time.monotonic()
for number in range(count):
    if rate_hz:
        time.sleep(max(0.0, begun + number / rate_hz - time.monotonic()))
    socket.send_multipart([b"frame", number.to_bytes(8, "little") + b"x" * 1500])
while True:
    socket.send_multipart([b"hello", b"after"])
    time.sleep(0.5)
"""


def numbers(messages: list[list[bytes]]) -> list[int]:
    return [int.from_bytes(frames[1][:8], "little") for frames in messages if frames[0] == b"frame"]


def test_every_message_is_in_the_record_in_order_and_byte_for_byte(house: House) -> None:
    feed, endpoint = house.publisher()
    recorder = house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    sent = [[b"frame", os.urandom(n % 700)] for n in range(600)]
    sent[100] = [b"marker", b"\x00\xff"]
    sent[200] = [b"frame"]
    sent[300] = [b"frame", b"", b"a third frame"]
    sent[400] = [b"framework", b"a longer topic comes with the prefix"]
    for frames in sent:
        feed.send_multipart(frames)
    follower.until(lambda: follower.messages[-1:] == [sent[-1]], "the last message at the follower")
    recorder.terminate()
    assert recorder.wait(10) == 128 + signal.SIGTERM
    entries = house.read()
    recorded = [frames for frames in house.messages_in(entries) if frames != [b"hello", b"joining"]]
    assert recorded == sent
    assert [frames for frames in follower.messages if frames != [b"hello", b"joining"]] == sent
    assert [entry.number for entry in entries] == list(range(1, len(entries) + 1))
    assert entries[: len(follower.entries)] == follower.entries
    assert entries[0].kind == EntryKind.OPENING
    assert entries[-1].kind == EntryKind.CLOSE


def test_a_topic_that_is_not_ours_is_not_taken(house: House) -> None:
    feed, endpoint = house.publisher()
    house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    feed.send_multipart([b"telemetry", b"not ours"])
    feed.send_multipart([b"frame", b"ours"])
    follower.until(lambda: [b"frame", b"ours"] in follower.messages, "our frame")
    assert {frames[0] for frames in follower.messages} == {b"hello", b"frame"}


def test_two_feeds_go_into_one_record_each_message_with_its_source(house: House) -> None:
    first, one = house.publisher()
    second, other = house.publisher("ipc://" + str(house.room / "feed"))
    house.start(house.plan(one, other))
    follower = house.follow()
    house.subscribed(first, follower)

    def further() -> list[tuple[int, bytes]]:
        return [unpack_further(entry.payload) for entry in follower.entries if entry.kind is EntryKind.FURTHER]

    def both() -> object:
        first.send_multipart([b"frame", b"1"])
        second.send_multipart([b"frame", b"2"])
        return [b"frame", b"1"] in follower.messages and further()

    follower.until(both, "messages of both feeds")
    assert {(source, tuple(unpack_frames(payload))) for source, payload in further()} == {(1, (b"frame", b"2"))}
    assert [b"frame", b"2"] not in follower.messages


def test_ten_times_the_rate_loses_nothing(house: House, tmp_path: Path) -> None:
    count, rate_hz = 1200, 600
    port, go = tmp_path / "port", tmp_path / "go"
    house.python(BURST, str(port), str(count), str(rate_hz), str(go))
    house.start(house.plan(f"tcp://127.0.0.1:{port.read_text()}"))
    follower = house.follow()
    follower.until_messages(1)
    go.touch()
    follower.until(lambda: [b"hello", b"after"] in follower.messages, "the end of the burst")
    assert numbers(follower.messages) == list(range(count))
    assert numbers(house.messages_in(house.read())) == list(range(count))


def test_a_burst_as_fast_as_it_can_be_sent_loses_nothing(house: House, tmp_path: Path) -> None:
    count = 20_000
    port, go = tmp_path / "port", tmp_path / "go"
    house.python(BURST, str(port), str(count), "0", str(go))
    house.start(house.plan(f"tcp://127.0.0.1:{port.read_text()}"))
    follower = house.follow()
    follower.until_messages(1)
    go.touch()
    follower.until(lambda: [b"hello", b"after"] in follower.messages, "the end of the burst")
    assert numbers(follower.messages) == list(range(count))


def test_a_message_of_5000_parts_is_cut_and_said(house: House) -> None:
    feed, endpoint = house.publisher()
    house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    feed.send_multipart([b"frame"] + [b"part"] * 4999)
    feed.send_multipart([b"frame", b"next"])
    follower.until(lambda: [b"frame", b"next"] in follower.messages, "the next message")
    follower.until(lambda: [fields for fields in follower.intake if fields["event"] == "cut"], "the entry about it")
    assert [b"frame"] + [b"part"] * 7 in follower.messages
    (cut,) = [fields for fields in follower.intake if fields["event"] == "cut"]
    assert cut["sentence"] == f"a message of 5000 parts came from {endpoint}; only the first 8 were kept"


def test_eight_large_frames_are_kept_only_up_to_the_total(house: House) -> None:
    feed, endpoint = house.publisher()
    house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    large = b"x" * 200_000
    feed.send_multipart([b"frame", large, large, large, large])
    follower.until(lambda: any(len(frames) > 2 for frames in follower.messages), "the large message")
    assert [b"frame", large, large] in follower.messages


def test_silence_is_entered_as_ticks_soon_after_the_last_message_then_at_a_steady_pace(house: House) -> None:
    feed, endpoint = house.publisher()
    timing = RecorderTiming(first_tick_s=0.25, tick_s=0.5)
    house.start(replace(house.plan(endpoint), timing=timing))
    follower = house.follow()
    house.subscribed(feed, follower)
    feed.send_multipart([b"frame", b"last"])
    follower.until(lambda: [b"frame", b"last"] in follower.messages, "the last message")
    last = max(entry.number for entry in follower.entries if entry.kind == EntryKind.MESSAGE)

    def ticks() -> list[Entry]:
        return [entry for entry in follower.entries if entry.kind == EntryKind.TICK and entry.number > last]

    follower.until(lambda: len(ticks()) >= 3, "three ticks")
    at = next(entry for entry in follower.entries if entry.number == last).monotonic_ns
    gaps = [
        (tick.monotonic_ns - before) / 1e9
        for before, tick in zip([at, *[t.monotonic_ns for t in ticks()]], ticks(), strict=False)
    ]
    assert gaps[0] >= timing.first_tick_s
    assert all(gap >= timing.tick_s for gap in gaps[1:])
    assert all(tick.payload == b"" for tick in ticks())


def test_a_publisher_that_is_stopped_is_said_and_comes_back_by_itself(house: House, tmp_path: Path) -> None:
    port, go = tmp_path / "port", tmp_path / "go"
    publisher = house.python(BURST, str(port), "0", "0", str(go))
    endpoint = f"tcp://127.0.0.1:{port.read_text()}"
    house.start(replace(house.plan(endpoint), timing=quick.TICKS, link_timing=quick.LINK))
    follower = house.follow()
    follower.until_messages(1)
    os.kill(publisher.pid, signal.SIGSTOP)
    follower.until(lambda: any(fields["event"] == "lost" for fields in follower.intake), "the heartbeat's loss")
    follower.until(lambda: any(fields["event"] == "unanswered" for fields in follower.intake), "no handshake")
    ticks = follower.kinds.count(EntryKind.TICK)
    assert ticks >= 2
    follower.until(lambda: follower.client.status().feeds[0].state == "unanswered", "the state at the follower")
    assert follower.client.status().feeds[0].sentence == (
        f"{endpoint} takes the connection but does not answer: it is stopped, or it is not a ZeroMQ port"
    )
    stood_s = follower.client.status().age_s
    assert stood_s is not None
    assert stood_s > quick.LINK.heartbeat_s
    os.kill(publisher.pid, signal.SIGCONT)
    follower.until(lambda: follower.client.status().feeds[0].state == "live", "messages again")
    again_s = follower.client.status().age_s
    assert again_s is not None
    assert again_s < stood_s


def test_a_publisher_that_restarts_is_met_again(house: House) -> None:
    feed, endpoint = house.publisher()
    house.start(replace(house.plan(endpoint), link_timing=quick.LINK))
    follower = house.follow()
    house.subscribed(feed, follower)
    feed.close(0)
    follower.until(lambda: any(fields["event"] == "lost" for fields in follower.intake), "the loss")
    follower.until(lambda: any(fields["event"] == "missing" for fields in follower.intake), "nothing answers")
    again, _ = house.publisher(endpoint)

    def after() -> bool:
        again.send_multipart([b"hello", b"after the restart"])
        return [b"hello", b"after the restart"] in follower.messages

    follower.until(after, "messages of the restarted publisher")
    events = [fields["event"] for fields in follower.intake]
    assert events[events.index("lost") :][:4] == ["lost", "missing", "connected", "live"]


def test_an_oversize_message_is_entered_as_a_rebuilt_connection_and_messages_follow(house: House) -> None:
    feed, endpoint = house.publisher()
    house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    feed.send_multipart([b"frame", b"x" * (16 << 20)])

    def after() -> bool:
        feed.send_multipart([b"frame", b"after"])
        events = [fields["event"] for fields in follower.intake]
        return "rebuilt" in events and events[events.index("rebuilt") :][:3] == ["rebuilt", "connected", "live"]

    follower.until(after, "the rebuilt connection, with messages on it")
    assert follower.messages[-1] == [b"frame", b"after"]
    (rebuilt,) = [fields for fields in follower.intake if fields["event"] == "rebuilt"]
    assert rebuilt["sentence"].startswith(f"{endpoint} sent a message over 256 KiB")
    follower.until(lambda: follower.client.status().feeds[0].rebuilt == 1, "the count in the recorder's state")


def test_what_the_payload_is_does_not_matter_to_the_recorder(house: House) -> None:
    feed, endpoint = house.publisher()
    house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    payloads = [b"\xc1", b"\x93" * 1000, b"\xdd\xff\xff\xff\xff", b"\x91" * 200_000, b"\x80" * (256 << 10), b""]
    for payload in payloads:
        feed.send_multipart([b"frame", payload])
    follower.until(lambda: [b"frame", b""] in follower.messages, "the last of them")
    assert [frames[1] for frames in follower.messages if frames[0] == b"frame"] == payloads
