"""What belongs to a session beside its record, as far as the record's own entries show it: marks, ticks, and in what
share of the frames a signal was measured. A pupil that is lost is not measured; it is never "off the road".
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from monitor.judging.case.sources import SourceLog
from monitor.judging.entered.operator import OperatorLog
from monitor.measures.columns import FloatArray
from monitor.study.day.model import Companion


@dataclass(slots=True)
class MeasuredCounts:
    """Frames in all and with a value, by drive and signal; whole numbers, so that no cut into blocks changes them."""

    names: tuple[str, ...]
    counts: dict[tuple[int, str], tuple[int, int]] = field(default_factory=dict)

    def take(self, drive: int, frames: int, signals: Mapping[str, FloatArray]) -> None:
        """The next frames of a drive."""
        for name in self.names:
            column = signals.get(name)
            given = 0 if column is None else int(np.isfinite(column).sum())
            before, measured = self.counts.get((drive, name), (0, 0))
            self.counts[drive, name] = before + frames, measured + given

    def fork(self) -> MeasuredCounts:
        """The counts so far, to go on from alone."""
        return MeasuredCounts(self.names, dict(self.counts))


@dataclass(frozen=True, slots=True)
class CompanionState:
    """How one companion stands. `is_there` is None where only files show it, which nobody has looked for."""

    name: str
    is_there: bool | None
    words: str


def companion_states(
    companions: Iterable[Companion], operator: OperatorLog, counts: MeasuredCounts, sources: Iterable[SourceLog]
) -> tuple[CompanionState, ...]:
    """Each companion of the study, in its order."""
    sources = tuple(sources)
    return tuple(_state(one, operator, counts, sources) for one in companions)


def _state(
    one: Companion, operator: OperatorLog, counts: MeasuredCounts, sources: tuple[SourceLog, ...]
) -> CompanionState:
    said: list[tuple[bool, str]] = []
    if one.is_ticked:
        is_done = one.name in operator.steps_done
        said.append((is_done, "ticked" if is_done else "not ticked on the run sheet"))
    if one.mark is not None:
        made = operator.marks_made(one.mark)
        said.append(
            (made > 0, f"{made} {'mark' if made == 1 else 'marks'} {one.mark}" if made else f"no mark {one.mark}")
        )
    if one.signal is not None:
        said += _measured(one, one.signal, counts, sources)
    if not said:
        return CompanionState(one.name, None, "shown by its files")
    return CompanionState(one.name, all(there for there, _ in said), "; ".join(words for _, words in said))


def _measured(
    one: Companion, signal: str, counts: MeasuredCounts, sources: tuple[SourceLog, ...]
) -> Iterator[tuple[bool, str]]:
    """The share of frames with a value, for each drive; of a further source's own samples where it gives the signal."""
    shares = [
        (f"drive {drive}", frames, measured)
        for (drive, name), (frames, measured) in sorted(counts.counts.items())
        if name == signal and measured
    ]
    shares += [
        (log.name_as_of(run.number), run.frames, run.measured[signal])
        for log in sources
        for run in log.runs
        if signal in run.measured
    ]
    if not shares:
        yield False, f"{signal} was not measured in any frame"
    for where, frames, measured in shares:
        share = measured / frames
        there = share >= one.measured_at_least
        wanted = "" if there else f", {100.0 * one.measured_at_least:.0f} % wanted"
        yield there, f"{where}: {signal} measured in {100.0 * share:.0f} %{wanted}"
