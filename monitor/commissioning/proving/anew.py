"""One trial of a record, judged again by other frames or other markers, in memory."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import msgpack
import numpy as np

from monitor.commissioning.proving.faults import Body
from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Marker
from monitor.judging.blinding import hide
from monitor.judging.case.blocks import KeptRun, MeasuredBlock, measure_block
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.stretch import cut_stretch
from monitor.judging.case.trial import Trial
from monitor.judging.case.values import Cast
from monitor.judging.session import DriveTrials, Session
from monitor.measures.columns import BoolArray, FrameBlock, OtherRows, Road, join_blocks, slice_block
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, unpack_frames
from monitor.record.reader import RecordReading
from monitor.study.model import Study, Trigger

BEFORE_S = 25.0
"""Frames from so long before a fire are judged again; where the trial does not come out the same by them, all frames of
its drive are."""

AFTER_S = 5.0

STAFF = "REHEARSAL"
"""Stands in a rehearsal's record where a participant's code would: it is nobody's trial."""


@dataclass(frozen=True, slots=True)
class Anew:
    """A fired trial and all that decides it. `received`: entry → its monotonic and wall time in ns; `silent`: all
    entries that are no frames, in order."""

    study: Study
    opening: Opening
    run: str
    road: Road | None
    trigger: Trigger
    marker: ReceivedMarker
    trial: Trial
    frames: FrameBlock
    received: Mapping[int, tuple[int, int]]
    silent: tuple[Entry, ...]
    other: Body | None
    """The vehicle that the trigger is about."""
    is_hidden: bool
    """Whether a blind record hides its response, so that nothing found of a copy may tell of it either."""

    @property
    def rate_hz(self) -> float:
        """Of its frames."""
        return 1.0 / float(np.median(np.diff(self.frames.t)))

    def judge(self, frames: FrameBlock | None = None, silent: Sequence[Entry] | None = None) -> Trial | None:
        """The trial by other frames, or by other entries; None where there is no such trial any more."""
        session = Session(self.study, self.opening)
        session.take_kept(self._pieces(self.frames if frames is None else frames, silent or self.silent))
        wanted = self.trial.trigger, self.trial.occurrence
        trials = session.trials(unblinded=True)
        found = next((one for one in trials if (one.trigger, one.occurrence) == wanted), None)
        return hide(self.study, (found,))[0] if found is not None and self.is_hidden else found

    def _pieces(self, frames: FrameBlock, silent: Sequence[Entry]) -> Iterator[Entry | KeptRun]:
        block, _ = measure_block(frames, self.road, None)
        times = np.array([self.received[int(one)] for one in frames.number], np.int64)
        run, first = KeptRun(self.run, block, times[:, 0], times[:, 1]), 0
        for entry in silent:
            stop = int(np.searchsorted(frames.number, entry.number))
            if stop > first:
                yield run.part(first, stop)
                first = stop
            yield entry
        if first < len(frames):
            yield run.part(first, len(frames))

    def without_frames(self, lost: BoolArray) -> Trial | None:
        """The trial with these frames lost."""
        kept = np.flatnonzero(~lost)
        frames, rows = self.frames, self.frames.others
        of_kept = np.isin(rows.frame_of_row(), kept)
        start = np.concatenate([[0], np.cumsum(np.diff(rows.start)[kept])])
        others = OtherRows(
            start=start,
            id=rows.id[of_kept],
            channels={name: column[of_kept] for name, column in rows.channels.items()},
            names=rows.names,
            label=None if rows.label is None else rows.label[of_kept],
            labels=rows.labels,
        )
        return self.judge(
            FrameBlock(
                number=frames.number[kept],
                seq=frames.seq[kept],
                t=frames.t[kept],
                wall=frames.wall[kept],
                markers=frames.markers[kept],
                own={name: column[kept] for name, column in frames.own.items()},
                signals={name: column[kept] for name, column in frames.signals.items()},
                others=others,
            )
        )

    def markers(self, kind: str) -> list[int]:
        """Places in `silent` of the markers of a kind that belong to the trial."""
        found = []
        for place, entry in enumerate(self.silent):
            marker = _marker_in(entry)
            if marker is None or marker.run != self.run or marker.kind != kind:
                continue
            is_own = marker.n == self.marker.n if kind == "trigger" else 0.0 <= marker.t - self.marker.t <= AFTER_S
            if is_own:
                found.append(place)
        return found

    def with_moved(self, places: Sequence[int], seconds: float) -> Trial | None:
        """The trial with the times of some markers moved."""
        silent = list(self.silent)
        for place in places:
            silent[place] = _moved(silent[place], seconds)
        return self.judge(silent=silent)


def trials_of(reading: RecordReading, study: Study) -> tuple[list[Anew], tuple[str, ...]]:
    """Of each trigger the first valid trial of a record, else the first that fired: ready to be judged again.

    Then the trials that came after a blind one that nobody has ruled on: what is found of them, and from which size,
    tells how the car was driven meanwhile. A rehearsal's driver is nobody whose response is hidden.
    """
    session = Session(study, reading.opening)
    blocks: dict[str, list[MeasuredBlock]] = {}
    session.on_measured = lambda run, block: blocks.setdefault(run, []).append(block)
    others: list[Entry] = []
    received: dict[int, tuple[int, int]] = {}
    for entries in reading.blocks(0):
        session.take(entries)
        received.update((one.number, (one.monotonic_ns, one.wall_ns)) for one in entries)
        others += [one for one in entries if one.kind not in (EntryKind.TICK, EntryKind.MESSAGE) or _is_told(one)]
    chosen: dict[str, tuple[Trial, DriveTrials]] = {}
    trials = session.trials(unblinded=session.opening.participant == STAFF)
    for trial in trials:
        kept = chosen.get(trial.trigger)
        if (
            trial.fired_at is not None
            and trial.hidden_after is None
            and (kept is None or (trial.verdict == "valid" and kept[0].verdict != "valid"))
        ):
            chosen[trial.trigger] = trial, session.drives[trial.drive - 1]
    found = []
    for trial, drive in chosen.values():
        frames = join_blocks([one.frames for one in blocks[drive.log.run]])
        found.append(_anew(session, trial, drive, frames, _Entries(received, others)))
    return found, tuple(one.id for one in trials if one.fired_at is not None and one.hidden_after is not None)


class _Entries(NamedTuple):
    """Of a whole record: entry → its monotonic and wall time in ns, and all entries that are no frames, in order."""

    received: dict[int, tuple[int, int]]
    silent: list[Entry]


def _anew(
    session: Session,
    trial: Trial,
    drive: DriveTrials,
    frames: FrameBlock,
    entries: _Entries,
) -> Anew:
    track = next(one for one in drive.tracks[trial.trigger] if one.occurrence == trial.occurrence)
    assert track.marker is not None
    until = track.final_at if track.final_at is not None else session.last_number
    fired_at = track.marker.t
    whole = Anew(
        study=session.study,
        opening=session.opening,
        run=drive.log.run,
        road=drive.log.road,
        trigger=drive.watches[trial.trigger].trigger,
        marker=track.marker,
        trial=trial,
        frames=slice_block(frames, 0, int(np.searchsorted(frames.number, until, side="right"))),
        received=entries.received,
        silent=tuple(one for one in entries.silent if one.number <= until and _is_of(one, drive.log.run)),
        other=_other_of(session, drive, trial, frames, fired_at),
        is_hidden=trial.withheld,
    )
    first = int(np.searchsorted(frames.t, fired_at - BEFORE_S))
    short = replace(whole, frames=slice_block(whole.frames, first, len(whole.frames)))
    for one in (short, whole):
        again = one.judge()
        if again is not None and _says(again) == _says(trial):
            return replace(one, trial=again)
    again = whole.judge()
    return whole if again is None else replace(whole, trial=again)


def _says(trial: Trial) -> tuple[object, ...]:
    values = [one.value for one in trial.conditions]
    return trial.verdict, trial.timing.result, [one.code for one in trial.findings], values


def _other_of(session: Session, drive: DriveTrials, trial: Trial, frames: FrameBlock, fired_at: float) -> Body | None:
    at = max(int(np.searchsorted(frames.t, fired_at, side="right")) - 1, 0)
    block, _ = measure_block(slice_block(frames, at, at + 1), drive.log.road, None)
    trigger = drive.watches[trial.trigger].trigger
    drive.log.blocks.clear()
    drive.log.blocks.append(block)
    stretch = cut_stretch(drive.log, fired_at - 1.0, fired_at + 1.0, session.last_number)
    if stretch is None:
        return None
    row = int(Cast(session.study.roles, trigger.role, int(block.lead_id[0])).rows_in(stretch)(trigger.role)[-1])
    if row < 0:
        return None
    number = int(block.frames.others.id[row])
    return Body(trigger.role, number)


def _is_of(entry: Entry, run: str) -> bool:
    """Whether an entry has to do with a drive: another drive's hellos and markers have not."""
    if entry.kind is not EntryKind.MESSAGE:
        return True
    message = decode_message(unpack_frames(entry.payload))
    return getattr(message, "run", run) == run


def _is_told(entry: Entry) -> bool:
    """Whether an entry is a message that is no frame."""
    return entry.kind is EntryKind.MESSAGE and not isinstance(decode_message(unpack_frames(entry.payload)), Frame)


def _marker_in(entry: Entry) -> Marker | None:
    if entry.kind is not EntryKind.MESSAGE:
        return None
    message = decode_message(unpack_frames(entry.payload))
    return message if isinstance(message, Marker) else None


def _moved(entry: Entry, seconds: float) -> Entry:
    topic, body = unpack_frames(entry.payload)[:2]
    fields = msgpack.unpackb(body)
    fields["t"] += seconds
    return entry._replace(payload=pack_frames([topic, msgpack.packb(fields, use_bin_type=True)]))
