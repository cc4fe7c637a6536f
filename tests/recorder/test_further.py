"""Several feeds in one record: whose silence counts, bursts beside the simulator, and packing for keeping."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.entries import EntryKind, pack_frames, pack_further, unpack_frames, unpack_further
from monitor.record.reader import RecordReading
from monitor.record.sealing import seal_record
from monitor.record.verify import verify_record
from monitor.record.writer import RecordWriter
from tests.recorder.conftest import OPENING, House


def test_the_age_is_that_of_the_simulators_last_message(house: House) -> None:
    simulator, one = house.publisher()
    gaze, other = house.publisher("ipc://" + str(house.room / "gaze"))
    house.start(house.plan(one, other))
    follower = house.follow()
    house.subscribed(simulator, follower)

    def gaze_goes_on() -> bool:
        gaze.send_multipart([b"frame", b"look"])
        age_s = follower.client.status().age_s
        return age_s is not None and age_s > 1.0

    follower.until(gaze_goes_on, "the simulator's silence, over a gaze that goes on")
    assert EntryKind.FURTHER in follower.kinds[-20:]


def test_a_burst_of_a_further_source_loses_nothing_and_leaves_the_simulator_its_turn(house: House) -> None:
    simulator, one = house.publisher()
    gaze, other = house.publisher("ipc://" + str(house.room / "gaze"))
    house.start(house.plan(one, other))
    follower = house.follow()
    house.subscribed(simulator, follower)

    def taken() -> list[int]:
        payloads = [unpack_further(entry.payload)[1] for entry in follower.entries if entry.kind is EntryKind.FURTHER]
        return [struct.unpack("<I", unpack_frames(payload)[1])[0] for payload in payloads]

    first = 10**6

    def subscribed() -> list[int]:
        gaze.send_multipart([b"frame", struct.pack("<I", first)])
        return taken()

    follower.until(subscribed, "the gaze's subscription")
    for number in range(5000):
        gaze.send_multipart([b"frame", struct.pack("<I", number)])
        if number % 500 == 0:
            simulator.send_multipart([b"frame", struct.pack("<I", number)])
    follower.until(lambda: taken()[-1] == 4999, "the end of the burst")
    assert [number for number in taken() if number < first] == list(range(5000))
    mine = [struct.unpack("<I", frames[1])[0] for frames in follower.messages if len(frames[1]) == 4]
    assert [number for number in mine if number % 500 == 0][-10:] == list(range(0, 5000, 500))


def test_a_record_of_several_feeds_is_sealed_and_gives_the_same_bytes(tmp_path: Path) -> None:
    writer = RecordWriter.create(tmp_path / "r.run", OPENING)
    for number in range(300):
        frame = [b"frame", struct.pack(">Id", number, number / 60) * 20]
        writer.append(EntryKind.MESSAGE, pack_frames(frame))
        writer.append(EntryKind.FURTHER, pack_further(1 + number % 2, frame))
    digest = writer.close("test")
    before = [entry for block in RecordReading(tmp_path / "r.run").blocks() for entry in block]
    assert seal_record(tmp_path / "r.run").digest == digest
    assert [entry for block in RecordReading(tmp_path / "r.run").blocks() for entry in block] == before
    assert verify_record(tmp_path / "r.run").ok
    assert sum(entry.kind is EntryKind.FURTHER for entry in before) == 300


def test_a_feed_is_given_once_and_a_damaged_entry_is_told(house: House) -> None:
    with pytest.raises(WitnessError, match=r"The feed ipc:///a is given twice"):
        house.plan("ipc:///a", "ipc:///b", "ipc:///a")
    with pytest.raises(RecordUnreadable, match="shorter than the source's place"):
        unpack_further(b"\1")
