"""One pass by what was kept shows its followers what the record's entries show them, for one feed and for several."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from monitor.archive import record_pass
from monitor.archive.kept import writing
from monitor.archive.kept.layout import CACHE_NAME
from monitor.archive.kept.reading import KeptColumns
from monitor.archive.record_pass import RecordPass, Step, StoppedPass
from monitor.archive.review import review_record
from monitor.judging.document import trial_json
from monitor.judging.session import Session
from monitor.judging.source_state import look_at_sources
from monitor.record.entries import Entry, EntryKind
from monitor.record.reader import RecordReading
from monitor.record.writer import RecordWriter, Writing
from monitor.replay.seeking.map import RecordMap
from monitor.replay.seeking.playback import Playback
from monitor.replay.seeking.reading import MapMaking
from tests.judging.hand import HandDrive, study_of
from tests.judging.handsource import GAZE_STUDY, opening_of_several
from tests.judging.test_beside import FEEDS_OF, WHEN_AWAY, entries_named
from tests.replay.conftest import SetClock, long_drive, write_record


@pytest.fixture(autouse=True)
def _short_records_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record_pass, "KEPT_FROM", 0)
    monkeypatch.setattr(writing, "LEAVE_FREE", 0)


def written(path: Path, entries: list[Entry], study_text: str) -> Path:
    """A record of these entries, at the times that they have."""
    clock = SetClock()
    writer = RecordWriter.create(path, opening_of_several(study_of(study_text)), Writing(clock=clock))
    for entry in entries:
        if entry.kind not in (EntryKind.OPENING, EntryKind.CLOSE):
            clock.ns = entry.monotonic_ns
            writer.append(entry.kind, entry.payload)
    writer.close("the test is over")
    return path


def told(session: Session) -> str:
    trials = [trial_json(trial) for trial in session.trials()]
    sources = [repr(one) for one in look_at_sources(session)]
    counts = [
        (log.frames, log.bad, log.heard, [repr(run.log.counts) for run in log.runs]) for log in session.sources.logs
    ]
    return json.dumps([trials, sources, counts, session.last_number, session.last_wall_ns])


@pytest.mark.parametrize(
    ("name", "text", "steps_s"),
    [
        *(pytest.param(name, GAZE_STUDY, (0.3, 30.0), id=f"{name}-gaze") for name in sorted(FEEDS_OF)),
        *(
            pytest.param(name, WHEN_AWAY, (0.3,), id=f"{name}-rule on gaze")
            for name in ("holes", "restarted", "two clocks")
        ),
    ],
)
def test_several_feeds_give_the_same_by_their_columns(
    tmp_path: Path, name: str, text: str, steps_s: tuple[float, ...]
) -> None:
    path = written(tmp_path / "r.run", entries_named(name), text)
    by_entries = told(review_record(path).session)
    assert told(review_record(path, keep=True).session) == by_entries
    assert KeptColumns(path, RecordReading(path).digest).state == "closed"
    assert told(review_record(path, keep=True).session) == by_entries
    for step_s in steps_s:
        assert told(RecordPass(path, keep=True).run(step_s=step_s).session) == by_entries


def steps_of(path: Path, *, keep: bool) -> list[Step]:
    steps: list[Step] = []
    RecordPass(path, keep=keep).run(lambda session: steps.append, step_s=1.5)
    return steps


@pytest.mark.parametrize("name", ["restarted", "silent", "two clocks"])
def test_followers_are_told_of_every_entry_once_with_its_times(tmp_path: Path, name: str) -> None:
    path = written(tmp_path / "r.run", entries_named(name), GAZE_STUDY)
    review_record(path, keep=True)
    entries = [entry for block in RecordReading(path).blocks() for entry in block]
    for keep in (False, True):
        steps = steps_of(path, keep=keep)
        assert len(steps) > 10
        for place, column in enumerate(("number", "monotonic_ns", "wall_ns"), start=1):
            found = np.concatenate([getattr(step, column) for step in steps]).tolist()
            assert found == [entry[place] for entry in entries], (keep, column)
        firsts = [step.number[step.first_message] for step in steps if step.first_message is not None]
        assert firsts[0] == next(entry.number for entry in entries if entry.kind is EntryKind.MESSAGE)


def map_of(found: RecordMap) -> dict[str, Any]:
    """What a replay knows of a record, as plain values."""
    return {
        "places": found.places,
        "holes": found.holes,
        "done": {key: track.trial for key, track in found.done_tracks.items()},
        "lines": {key: [repr(spell) for spell in line.spells] for key, line in found.lines.items()},
        "ends": (found.read_to_s, found.read_to_number, found.length_s, found.damage, found.state),
        "times": {
            drive: [np.interp(np.arange(t[0], t[-1], 0.25), t, at_s).round(9).tolist()]
            for drive, (t, at_s) in found.times.items()
        },
    }


@pytest.fixture
def noted_record(tmp_path: Path) -> Path:
    second = HandDrive(run="run-b", rate_hz=20.0, end_t=30.0, fire_t=None)
    return write_record(
        tmp_path, long_drive(), second, notes=((3.0, "begins"), (50.0, "yawns"), (190.0, "nearly home"))
    )


def test_a_replay_opens_by_the_kept_columns_with_the_same_map(
    noted_record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = map_of(MapMaking(noted_record).run())  # keeps them
    assert (noted_record / CACHE_NAME).exists()
    making = MapMaking(noted_record)
    asked: list[int] = []
    blocks = making._pass.reading.blocks

    def noted(after: int = 0, size: int = 2048) -> Iterator[list[Entry]]:
        asked.append(after)
        return blocks(after, size)

    monkeypatch.setattr(making._pass.reading, "blocks", noted)
    assert map_of(making.run()) == truth
    assert asked == []


def test_seeks_from_checkpoints_of_the_kept_pass_give_the_trials_of_the_entries(tmp_path: Path) -> None:
    path = written(tmp_path / "r.run", entries_named("two clocks"), GAZE_STUDY)
    review_record(path, keep=True)
    found = MapMaking(path).run()
    entries = [entry for block in RecordReading(path).blocks() for entry in block]
    playback, draw = Playback(found), Random(5)
    for _ in range(6):
        playback.go_to(draw.uniform(0.0, found.length_s))
        session = Session(found.study, RecordReading(path).opening)
        session.take(entries[: playback.number])
        assert told(playback.session) == told(session), playback.number


def test_what_was_followed_is_void_where_the_columns_prove_unfit_on_the_way(noted_record: Path) -> None:
    truth = map_of(MapMaking(noted_record).run())
    cache = noted_record / CACHE_NAME
    whole = bytearray(cache.read_bytes())
    whole[len(whole) // 2] ^= 1  # in a later chunk: the tail still fits
    cache.write_bytes(bytes(whole))
    KeptColumns(noted_record, RecordReading(noted_record).digest)
    begun: list[Session] = []

    def follow(session: Session) -> Any:
        begun.append(session)
        return lambda step: None

    passed = RecordPass(noted_record, keep=True).run(follow)
    assert len(begun) == 2
    assert passed.session is begun[1]
    cache.write_bytes(bytes(whole))
    assert map_of(MapMaking(noted_record).run()) == truth


def test_a_follower_that_stops_the_pass_leaves_no_half_a_cache(noted_record: Path) -> None:
    def stopped(step: Step) -> None:
        raise StoppedPass

    with pytest.raises(StoppedPass):
        RecordPass(noted_record, keep=True).run(lambda session: stopped)
    assert not list(noted_record.glob(f"{CACHE_NAME}*"))
