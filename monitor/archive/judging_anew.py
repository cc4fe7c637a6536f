"""Records judged anew for the reports, several at a time where the caller has a way to do that."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Protocol

from monitor.archive.program import record_files
from monitor.archive.summary import RunSummary
from monitor.archive.summary_cache import fresh_summary
from monitor.errors import WitnessError
from monitor.study.model import Study

BEGINNING = 4096

Alike = list[Path]
"""Records that are perhaps copies of one another, of which only one is judged then."""

Judged = tuple[Path, RunSummary | str]
"""A record and its summary, or in one sentence why there is none."""

Progress = Callable[[int, int], None]
"""Told how many of the records have been judged, and how many are to be."""


class Spread(Protocol):
    """Does the work on each of the pieces, the answers in order: `map`, or the same in several processes."""

    def __call__(self, work: Callable[[Alike], list[Judged]], pieces: Sequence[Alike], /) -> Iterator[list[Judged]]: ...


def one_by_one(work: Callable[[Alike], list[Judged]], pieces: Sequence[Alike], /) -> Iterator[list[Judged]]:
    """The work in this process."""
    return map(work, pieces)


def judge_anew(
    records: Sequence[Path],
    study: Study | None = None,
    *,
    spread: Spread = one_by_one,
    progress: Progress | None = None,
    unblinded: bool = False,
) -> Iterator[Judged]:
    """Judges the records and leaves their summaries in the caches; what is wrong with one keeps no other from it."""
    done = 0
    for judged in spread(partial(_judge, study=study, unblinded=unblinded), _perhaps_alike(records)):
        if progress is not None:
            progress(done, len(records))
        done += len(judged)
        yield from judged
    if progress is not None and done:
        progress(done, len(records))


def _perhaps_alike(records: Sequence[Path]) -> list[Alike]:
    pieces: dict[tuple[object, ...], Alike] = {}
    for path in records:
        pieces.setdefault(_seen_quickly(path), []).append(path)
    return list(pieces.values())


def _seen_quickly(record: Path) -> tuple[object, ...]:
    """What copies have in common and can be had at once: sizes, and the beginning, in which each run has its times."""
    try:
        files = list(record_files(record))
        with files[0].open("rb") as file:
            return (*(one.stat().st_size for one in files), file.read(BEGINNING))
    except (OSError, IndexError):
        return (record,)


def _judge(records: Alike, study: Study | None, *, unblinded: bool) -> list[Judged]:
    judged: list[Judged] = []
    alike: dict[str, tuple[RunSummary, RunSummary]] = {}
    for path in records:
        try:
            judged.append((path, fresh_summary(path, study, alike, unblinded=unblinded)))
        except WitnessError as error:
            judged.append((path, " ".join(str(error).split())))
        except OSError as error:
            judged.append((path, f"the disk does not give it back ({error.strerror})."))
    return judged
