"""A wall clock that is stepped in mid-run, by whatever and whenever: what a blind record hides is decided by the order
of its entries and by the clock that never steps, so the same is hidden, and the same is told."""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from monitor.archive import record_pass
from monitor.archive.kept import writing
from monitor.archive.kept.layout import CACHE_NAME
from monitor.archive.review import review_record
from monitor.judging.session import Session
from monitor.record.entries import EntryKind, Opening, pack_frames, pack_operator
from monitor.record.reader import RecordReading
from monitor.record.writer import RecordWriter, Writing
from tests.judging.hand import FIRE_T, study_of
from tests.leaks.test_started_again import AGAIN_T, HORIZON_S, KILLED_T, TEXT, drives
from tests.leaks.test_what_was_entered import MovingClock
from tests.reports.making import NOON

HOUR_S = 3600.0
STEPS_S = (-HOUR_S, HOUR_S, -1.0)
WHEN_S = (3.0, FIRE_T - 0.2, FIRE_T + 0.1, KILLED_T + 0.5, AGAIN_T + 0.2, 25.0)
"""Before all notes, just before the fire, inside the horizon, while the bridge is down, in the next drive, late."""
BEFORE, AFTER = (2.0, 6.0, FIRE_T - 1.0), (FIRE_T + 0.3, KILLED_T + 0.6, AGAIN_T + 1.0, 24.0, 28.0)
"""When notes are entered, before the fire and after it."""


class SteppedClock(MovingClock):
    """Its wall clock is set by `step_s` when `at_s` of the run have passed."""

    def __init__(self, step_s: float, at_s: float) -> None:
        super().__init__(NOON)
        self.step_s, self.at_s, self.drive_s = step_s, at_s, 0.0

    def wall_ns(self) -> int:
        stepped_s = self.step_s if (self.drive_s or 0.0) >= self.at_s else 0.0
        return super().wall_ns() + round(1e9 * stepped_s)


def written(
    directory: Path, clock: SteppedClock, *, ends_by_itself: bool = False, pace: float = 1.0, doubled: int = 0
) -> Path:
    """One drive in two pieces, the second begun inside the hidden horizon of the first, with notes all along; each has
    the clock of the moment at which its key was pressed, a little before its entry. `doubled`: how often the last frame
    of the first piece comes once more, which nobody judges."""
    study = study_of(TEXT)
    opening = Opening("Q07", "chime", study.name, TEXT, study.sha256, ("tcp://127.0.0.1:1",), {})
    path = directory / "Q07-20261102T120000Z-abcd.run"
    writer = RecordWriter.create(path, opening, Writing(clock=clock))
    last: list[bytes] = []
    due, keys = list(BEFORE + AFTER), count()
    for begins_s, drive in drives(1.8, 20.0):
        for t, frames in replace(drive, ends=ends_by_itself or begins_s > 0.0).messages():
            while due and due[0] <= begins_s + t:
                clock.drive_s = due[0] / pace
                note = {"text": f"{due.pop(0):g}", "wall": clock.wall_ns() / 1e9, "key": f"k{next(keys)}"}
                clock.drive_s += 0.05
                writer.append(EntryKind.OPERATOR, pack_operator({"type": "note", "by": "anna", **note}))
            clock.drive_s = (begins_s + t) / pace
            writer.append(EntryKind.MESSAGE, pack_frames(frames))
            last = frames if frames[0] == b"frame" else last
        for _ in range(doubled if begins_s == 0.0 else 0):
            clock.drive_s = (clock.drive_s or 0.0) + 0.01
            writer.append(EntryKind.MESSAGE, pack_frames(last))
    writer.close("the run ended")
    return path


def read(record: Path) -> Session:
    reading = RecordReading(record)
    session = Session(study_of(TEXT), reading.opening)
    for entries in reading.blocks():
        session.take(entries)
    return session


def hidden_in_next(session: Session) -> tuple[float, float]:
    """From when to when the second drive is the response to what fired in the first."""
    ((_, from_t, to_t),) = [each for trial in session.trials() for each in trial.hidden_in]
    return from_t, to_t


def told_notes(session: Session) -> list[float]:
    """The moments of the notes whose clock is told."""
    times = session.told_times()
    return [float(note.text) for note in session.operator.notes if times.wall(note.wall) is not None]


@pytest.mark.parametrize(
    ("step_s", "at_s", "ends_by_itself"),
    [(0.0, 0.0, False), (0.0, 0.0, True), *((step_s, at_s, at_s == 25.0) for step_s in STEPS_S for at_s in WHEN_S)],
)
def test_a_clock_that_steps_hides_nothing_more_and_nothing_less(
    tmp_path: Path, step_s: float, at_s: float, ends_by_itself: bool
) -> None:
    """A bridge that was stopped in good order has sent the drive's end: what is driven on is the response as well."""
    session = read(written(tmp_path, SteppedClock(step_s, at_s), ends_by_itself=ends_by_itself))
    assert told_notes(session) == list(BEFORE)
    from_t, to_t = hidden_in_next(session)
    assert from_t < AGAIN_T
    assert to_t == pytest.approx(FIRE_T + HORIZON_S, abs=0.01)
    times = session.told_times()
    markers = [one for drive in session.drives for one in drive.log.markers.values()]
    fire = next(one for one in markers if one.kind == "trigger")
    later = [one for one in markers if one.number > fire.number]
    assert later
    assert [times.received(one) for one in later] == [None] * len(later)
    assert times.received(fire) is not None


@pytest.mark.parametrize("pace", [0.3, 0.5, 0.9, 1.0, 1.5, 10.0])
def test_of_a_drive_that_is_slow_or_fast_all_of_the_horizon_is_hidden(tmp_path: Path, pace: float) -> None:
    """By its own time: by the recorder's clock a slow simulator's horizon is over before the response is. Of a fast one
    more is hidden, since nobody drives in it."""
    session = read(written(tmp_path, SteppedClock(0.0, 0.0), pace=pace))
    to_t = hidden_in_next(session)[1]
    assert to_t >= FIRE_T + HORIZON_S - 0.01
    assert to_t == pytest.approx(FIRE_T + HORIZON_S, abs=0.2) or pace > 1.0


@pytest.mark.parametrize("doubled", [0, 1, 60])
def test_what_is_hidden_is_the_same_by_the_entries_and_by_the_columns_that_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, doubled: int
) -> None:
    """Frames that are not judged stand in no column, and are no sign that the drive went on."""
    monkeypatch.setattr(record_pass, "KEPT_FROM", 0)
    monkeypatch.setattr(writing, "LEAVE_FREE", 0)
    record = written(tmp_path, SteppedClock(0.0, 0.0), doubled=doubled)
    found = {hidden_in_next(read(record)), *(hidden_in_next(review_record(record, keep=True).session) for _ in "ab")}
    assert (record / CACHE_NAME).exists()
    ((_, to_t),) = found
    assert to_t == pytest.approx(FIRE_T + HORIZON_S, abs=0.01)


@pytest.mark.parametrize("step_s", STEPS_S)
def test_what_was_entered_after_the_records_end_keeps_its_clock_however_that_stands(
    tmp_path: Path, step_s: float
) -> None:
    session = read(written(tmp_path, SteppedClock(step_s, 25.0)))
    wall = NOON.timestamp() + 60.0
    ruling = {"type": "ruling", "trial": "1/gate-brake/1", "verdict": "undecided", "reason": "other", "wall": wall}
    session.take_addendum({"key": "late", "by": "anna", **ruling})
    assert session.trials()[0].rulings[0].told_wall == wall


@pytest.mark.parametrize("ends_by_itself", [False, True])
def test_a_trial_that_fired_has_its_marker_and_were_it_gone_more_would_be_hidden(
    tmp_path: Path, ends_by_itself: bool
) -> None:
    """What bounds the hidden time is the marker of the fire. No way is known by which it could be gone."""
    session = read(written(tmp_path, SteppedClock(0.0, 0.0), ends_by_itself=ends_by_itself))
    from_t, to_t = hidden_in_next(session)
    fired = [one for one in session.trials(unblinded=True) if one.fired_at is not None]
    assert len(fired) == 2
    for trial in fired:
        markers = session.drives[trial.drive - 1].log.markers
        (number,) = [n for n, one in markers.items() if (one.t, one.name) == (trial.fired_at, trial.trigger)]
        del markers[number]
    without = hidden_in_next(session)
    assert without[0] == from_t
    assert without[1] == pytest.approx(AGAIN_T + FIRE_T + HORIZON_S - KILLED_T, abs=0.01)
    assert without[1] > to_t
    assert told_notes(session) == []
