"""A trigger whose signal changed while no frame came in: it is told by the first frame after, and when it fired is not
known."""

from __future__ import annotations

from typing import Any

import msgpack
import pytest

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.received import Loss
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames, unpack_frames
from monitor.simulation.plan import SimulationPlan
from tests.judging import simulated
from tests.judging.hand import HandDrive, first_trial, found_codes

PLAN = SimulationPlan(scenario="clean", seed=1, rate_hz=20.0, group="chime")
FIRES = {"gate-brake": 30.05, "side-gust": 62.55}


def without(from_t: float, to_t: float) -> list[Entry]:
    """The clean drive as a bridge hands it on that saw no frame in that time, and then what had changed by them."""
    kept = []
    times = [fields["t"] for topic, fields in map(_decoded, simulated.entries_of(PLAN)) if topic == b"frame"]
    before = max((t for t in times if t < from_t - 1e-9), default=0.0)
    after = min(t for t in times if t >= to_t - 1e-9)

    def late(marker: dict[str, Any]) -> dict[str, Any]:
        if not before < marker["t"] < after:
            return marker
        return {**marker, "t": after, "data": {**(marker.get("data") or {}), "not_before": before}}

    for entry in simulated.entries_of(PLAN):
        topic, fields = _decoded(entry)
        if topic == b"frame" and before < fields["t"] < after:
            continue
        if topic == b"marker":
            fields = late(fields)
        elif topic == b"hello":
            fields = {**fields, "recent": [late(one) for one in fields["recent"]]}
        kept.append(entry if not topic else entry._replace(payload=pack_frames([topic, msgpack.packb(fields)])))
    return kept


def _decoded(entry: Entry) -> tuple[bytes, dict[str, Any]]:
    if entry.kind is not EntryKind.MESSAGE:
        return b"", {}
    topic, payload = unpack_frames(entry.payload)
    return topic, msgpack.unpackb(payload)


def trial_of(trigger: str, entries: list[Entry]) -> Trial:
    session = Session(simulated.dusk_road(), simulated.opening_of(PLAN))
    session.take(entries)
    return next(one for one in session.trials() if one.trigger == trigger)


@pytest.mark.parametrize("frames", [2, 8, 20, 30])
@pytest.mark.parametrize("trigger", FIRES)
def test_a_fire_that_nobody_saw_makes_a_trial_undecided_and_never_invalid(trigger: str, frames: int) -> None:
    fire_t = FIRES[trigger]
    trial = trial_of(trigger, without(fire_t, fire_t + frames / 20.0))
    assert trial.verdict == "undecided"
    assert {one.result for one in trial.conditions} == {"undecided"}
    assert trial.timing.result == "not stated"
    (gap,) = [one for one in trial.findings if one.code == "witness-gap"]
    assert f"between {fire_t - 0.05:.2f} and {fire_t + frames / 20.0:.2f} s" in gap.sentence
    assert [one.code for one in trial.findings if one.severity == "void"] == []


@pytest.mark.parametrize("trigger", FIRES)
def test_a_fire_between_two_frames_that_came_is_judged_as_ever(trigger: str) -> None:
    assert trial_of(trigger, without(0.0, 0.0)).verdict == "valid"


@pytest.mark.parametrize("unnumbered", [None, True])
@pytest.mark.parametrize("by_frames", [None, True])
def test_what_was_lost_with_frames_before_a_bridge_is_not_called_missing(
    by_frames: bool | None, unnumbered: bool | None
) -> None:
    """A chime whose signal rose and fell while nothing came in: its marker was never made."""
    lost = frozenset(range(615, 630))
    drive = HandDrive(markers=[], end_t=16.0, markers_by_frames=by_frames, unnumbered=unnumbered)
    if unnumbered:  # what was lost leaves no gap of the numbers
        drive.number = lambda seq: seq - sum(one < seq for one in lost)
    drive.lost_frames = lost
    trial = first_trial(drive)
    codes = found_codes(trial)
    assert ("alert-missing" in codes) is not bool(by_frames)
    assert ("alert-unknown" in codes) is bool(by_frames)
    assert trial.verdict == ("undecided" if by_frames else "invalid")


def test_where_all_frames_came_a_missing_alert_is_missing() -> None:
    trial = first_trial(HandDrive(markers=[], end_t=16.0, markers_by_frames=True, unnumbered=True))
    assert (found_codes(trial), trial.verdict) == (["alert-missing"], "invalid")


@pytest.mark.parametrize(("not_before", "code"), [(9.9, "alert-unaccounted"), (10.1, "alert-before-fire")])
def test_an_alert_whose_end_nobody_saw_was_perhaps_over_at_the_fire(not_before: float, code: str) -> None:
    """It was given 5 s before the fire at 10 s; its end was told by the first frame that came after a loss."""
    early = (5.0, "alert_on", "b", {"modality": "light"})
    over = (10.2, "alert_off", "b", {"modality": "light", "not_before": not_before})
    drive = HandDrive(end_t=16.0)
    drive.markers += [early, over]
    trial = first_trial(drive)
    assert found_codes(trial) == [code]
    assert trial.verdict == ("undecided" if not_before < 10.0 else "invalid")


@pytest.mark.parametrize("unnumbered", [None, True])
@pytest.mark.parametrize("by_frames", [None, True])
@pytest.mark.parametrize("end_t", [14.0, 120.0])
def test_a_fire_that_came_and_went_with_lost_frames_is_not_called_missed(
    by_frames: bool | None, unnumbered: bool | None, end_t: float
) -> None:
    """The rule holds at 10 s; the flag that the bridge reads rose and fell in the frames that never reached it. The
    drive may go on for longer than frames are kept."""
    lost = frozenset(range(596, 606))
    drive = HandDrive(fire_t=None, end_t=end_t, markers=[], markers_by_frames=by_frames, unnumbered=unnumbered)
    if unnumbered:
        drive.number = lambda seq: seq - sum(one < seq for one in lost)
    drive.lost_frames = lost
    trial = first_trial(drive)
    assert found_codes(trial) == (["marker-lost"] if by_frames else ["trigger-missed"])
    assert trial.verdict == ("undecided" if by_frames else "invalid")


def test_frames_lost_away_from_where_the_rule_held_excuse_no_missing_fire() -> None:
    drive = HandDrive(fire_t=None, end_t=30.0, markers=[], markers_by_frames=True)
    drive.lost_frames = frozenset(range(1200, 1230))
    assert found_codes(first_trial(drive)) == ["trigger-missed"]


def lossy_drive(frames: int, *, by_frames: bool | None = True) -> DriveLog:
    """A drive at 20 Hz of which every second frame was lost; frame `seq` came as entry `seq` + 2."""
    hello = {"v": 1, "run": "r", "source": "s", "rate_hz": 20.0, "signals": {}, "recent": []}
    drive = DriveLog(1, "r", 60.0)
    told = decode_message([b"hello", msgpack.packb({**hello, "markers_by_frames": by_frames})])
    assert isinstance(told, Hello)
    drive.take_hello(told, Entry(EntryKind.MESSAGE, 1, 0, 0, b""))
    own = dict.fromkeys(("x", "y", "heading", "speed", "accel", "length", "width"), 0.0)
    for seq in range(0, frames, 2):
        frame = {"v": 1, "run": "r", "seq": seq, "t": seq / 20.0, "own": own, "others": {}, "signals": {}, "markers": 0}
        decoded = decode_message([b"frame", msgpack.packb(frame)])
        assert isinstance(decoded, Frame)
        drive.take_frame(decoded, seq + 2)
        if seq % 4096 == 0:
            drive.flush()
            drive.trim()
    return drive


def test_however_many_frames_are_lost_none_is_forgotten() -> None:
    """Every second frame for an hour: each instant of it is still one at which a marker may have been lost, and was one
    from the entry on that told of it, whatever else was taken with that entry."""
    drive = lossy_drive(72_000)
    for t in (0.05, 7.05, 1800.05, 3599.0 - 0.05):
        told_by = round(20.0 * (t + 0.05)) + 2
        about_t = pytest.approx((t - 0.05, t + 0.05))
        assert drive.unseen_in(t - 0.001, t + 0.001, 80_000) == about_t
        assert drive.unseen_in(t - 0.001, t + 0.001, told_by) == about_t
        assert drive.unseen_in(t - 0.001, t + 0.001, told_by - 1) is None
    assert drive.unseen_in(1800.1, 1800.1, 80_000) is None
    assert drive.unseen_in(3600.5, 3601.0, 80_000) is None


def test_a_drive_that_goes_on_from_elsewhere_keeps_what_it_did_not_see_to_itself() -> None:
    drive = lossy_drive(100)
    twin = drive.fork()
    twin.unseen.add(Loss(6.0, 6.1, 1, 300))
    assert (drive.unseen_in(6.0, 6.1, 400), twin.unseen_in(6.0, 6.1, 400)) == (None, (6.0, 6.1))


def test_a_source_that_sends_markers_of_its_own_loses_none_with_frames() -> None:
    assert lossy_drive(100, by_frames=None).unseen_in(0.0, 5.0, 200) is None
