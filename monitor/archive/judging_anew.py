"""Records judged anew for the reports; copies of one another are judged once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.archive.engine.addresses import record_at
from monitor.archive.engine.run import IN_THIS_PROCESS, Answer, How, answers
from monitor.archive.engine.unit import Task
from monitor.archive.program import record_files
from monitor.archive.summary import RunSummary, run_from_json
from monitor.archive.summary_cache import Noted, fresh_summary, keep_summary, note_files, same_content
from monitor.study.model import Study

BEGINNING = 4096

Judged = tuple[Path, RunSummary | str]
"""A record and its summary, or in one sentence why there is none."""


def judge_anew(
    records: Sequence[Path],
    study: Study | None = None,
    how: How = IN_THIS_PROCESS,
    *,
    unblinded: bool = False,
) -> Iterator[Judged]:
    """Judges the records and leaves their summaries in the caches; what is wrong with one keeps no other from it."""
    task = Task(summarise_one, study, {"unblinded": unblinded}, reveals=unblinded)
    others: list[Path] = []
    alike = _perhaps_alike(records)
    firsts = answers([record_at(paths[0]) for paths in alike], task, how)
    for (path, *copies), answer in zip(alike, firsts, strict=True):
        yield path, _judged(path, answer, study)
        for copy in copies:
            summary = None if answer.fault else _as_copy(copy, answer, study)
            if summary is None:
                others.append(copy)
            else:
                yield copy, summary
    for path, answer in zip(others, answers([record_at(one) for one in others], task, how), strict=True):
        yield path, _judged(path, answer, study)


def summarise_one(path: Path, study: Study | None, options: Mapping[str, Any]) -> dict[str, Any]:
    """One record for the engine: its summary as anybody may see it, as it was asked for, and of what files it was made
    (null where they were written to meanwhile)."""
    told, asked, noted = fresh_summary(path, study, unblinded=options["unblinded"])
    return {"told": told.as_json(), "asked": asked.as_json() if asked is not told else None, "files": noted}


def _judged(path: Path, answer: Answer, study: Study | None) -> RunSummary | str:
    if answer.fault:
        return answer.fault
    value = answer.value
    told = run_from_json(value["told"])
    if value["files"] is not None:
        keep_summary(path, study, value["files"], told)
    return told if value["asked"] is None else run_from_json(value["asked"])


def _as_copy(path: Path, answer: Answer, study: Study | None) -> RunSummary | None:
    """The summary of a record whose files are byte for byte those of the one that was judged; None for any other."""
    noted: Noted | None = answer.value["files"]
    try:
        if noted is None or not same_content(own := note_files(path), noted):
            return None
    except OSError:
        return None
    keep_summary(path, study, own, replace(run_from_json(answer.value["told"]), record=path.name))
    return replace(run_from_json(answer.value["asked"] or answer.value["told"]), record=path.name)


def _perhaps_alike(records: Sequence[Path]) -> list[list[Path]]:
    pieces: dict[tuple[object, ...], list[Path]] = {}
    for path in records:
        pieces.setdefault(_seen_quickly(path), []).append(path)
    return list(pieces.values())


def _seen_quickly(record: Path) -> tuple[object, ...]:
    """What copies have in common and can be had at once: sizes, and the beginning, in which each run has its times."""
    try:
        files = [file for file in record_files(record) if file.is_file()]
        with files[0].open("rb") as file:
            return (*(one.stat().st_size for one in files), file.read(BEGINNING))
    except (OSError, IndexError):
        return (record,)
