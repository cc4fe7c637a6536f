"""One drive of a record as columns: the simulator's stream with its road and the measures of its frames."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import Hello
from monitor.judging.case.alignment import AlignedSources
from monitor.judging.case.blocks import MeasuredBlock, join_measured_blocks, measure_block
from monitor.judging.case.columns import road_of
from monitor.judging.case.pacing import Pacing
from monitor.judging.case.received import ReceivedMarker
from monitor.judging.case.sources import Sources
from monitor.judging.case.stream import Stream
from monitor.measures.columns import FrameBlock, Road
from monitor.measures.lateral import LateralMemory
from monitor.record.entries import Entry

MERGE_FRAMES = 1024
"""Blocks longer than this are not joined any more, so that old frames can be let go of piece by piece."""


@dataclass(slots=True)
class DriveLog(Stream):
    """A drive, growing."""

    road: Road | None = None
    blocks: deque[MeasuredBlock] = field(default_factory=deque)
    aligned: AlignedSources | None = None
    """The further sources by the clock of this drive; None where there are none."""
    pacing: Pacing = field(default_factory=lambda: Pacing(None))
    newest_ns: int = 0
    """Boot clock of the recorder's machine when the newest judged frame came: columns that are kept have no others."""
    _measured: MeasuredBlock | None = None
    _lateral: LateralMemory | None = None

    def fork_drive(self, sources: Sources, *, frames: bool) -> DriveLog:
        """The drive as it stands, to go on from alone with its own `sources`; `frames`: with those measured so far."""
        twin = self.fork()
        twin.blocks = deque(self.blocks) if frames else deque()
        twin.pacing = self.pacing.fork()
        if self.aligned is not None:
            twin.aligned = self.aligned.fork(sources, twin, twin.blocks)
        return twin

    def take_hello(self, hello: Hello, entry: Entry) -> None:
        """A hello; the first one tells the road."""
        if self.hello is None:
            self.road = road_of(hello)
        Stream.take_hello(self, hello, entry)

    def take_measured(self, block: MeasuredBlock) -> None:
        """Frames that were all judged when this was first done, with what was measured then; nothing else may wait."""
        self._measured, self._waiting = block, len(block.frames)
        for _ in self._count_rows(block.frames, 0, len(block.frames)):
            pass

    def flush(self) -> MeasuredBlock | None:
        """Makes a measured block of the frames that wait; None where there are none."""
        if self._measured is not None:
            block, self._measured, self._waiting = self._measured, None, 0
            self.blocks.append(block)
            return block
        frames = self.frames_waiting()
        if frames is None:
            return None
        block, self._lateral = measure_block(frames, self.road, self._lateral)
        self.blocks.append(block)
        return block

    def note_received(self, frames: FrameBlock, received_ns: Callable[[int], int]) -> None:
        """When judged frames were received, by the numbers of their entries."""
        holds = [marker.t for marker in self.markers.values() if KINDS[marker.kind].holds is not None]
        self.newest_ns = received_ns(int(frames.number[-1]))
        self.pacing.take(frames, received_ns, lambda begin, end: any(begin <= t <= end for t in holds))

    def merge(self) -> None:
        """Keeps the blocks few: the newest is joined to the one before it while that is not more than twice as long.

        Live, a block has a handful of frames; with hundreds of blocks a trial's window cost 10 ms to cut out, with
        some ten it costs 1 ms.
        """
        blocks = self.blocks
        while len(blocks) > 1 and len(blocks[-2].frames) <= min(2 * len(blocks[-1].frames), MERGE_FRAMES):
            newest = blocks.pop()
            blocks.append(join_measured_blocks(blocks.pop(), newest))

    def trim(self) -> None:
        """Forgets what no trial may look at any more."""
        horizon = self.newest_t - self.retain_s
        self.pacing.trim(horizon)
        while len(self.blocks) > 1 and self.blocks[0].frames.t[-1] < horizon:
            self.blocks.popleft()
        while self.losses and self.losses[0].before_t < horizon:
            self.losses.popleft()

    def number_at(self, t: float, not_before: int) -> int | None:
        """The entry of the first judged frame at or after `t`, else of the drive's end, but none before `not_before`;
        None while there is neither."""
        found = None
        for block in self.blocks:
            if block.frames.t[-1] >= t:
                found = int(block.frames.number[int(block.frames.t.searchsorted(t, side="left"))])
                break
        if self.end_number is not None and (found is None or found > self.end_number):
            found = self.end_number
        return None if found is None else max(found, not_before)

    def newest_at(self, number: int) -> float:
        """The time of the newest judged frame as of entry `number`, among those that are kept."""
        for block in reversed(self.blocks):
            known = block.known_by(number)
            if known:
                return float(block.frames.t[known - 1])
        return self.newest_t

    def known_markers(self, number: int) -> list[ReceivedMarker]:
        """The markers known as of entry `number`, by their own count; after them those of further sources."""
        known = Stream.known_markers(self, number)
        return known if self.aligned is None else known + self.aligned.markers(number)
