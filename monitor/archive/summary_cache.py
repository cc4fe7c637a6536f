"""Summaries of records beside them, so that a tally of 200 runs need not judge 200 runs.

`summary.cache` in a record's directory is one JSON object: `program` (digest of version and source of all that judges),
`files` (name → size, time of change and SHA-256 of each of the record's files), `runs` (one summary for each study file
by which the record was judged) and `sum` (SHA-256 of `runs`). It may be deleted at any time, decides nothing, and is
made again wherever anything of it does not fit. It lies in the record, so that `withdraw` erases it too. It never holds
a response that is hidden; one that another version of the program made is removed on sight, because it may.

A file whose size and time of change are as noted counts as unchanged; else its bytes are compared by their digest, so
that a copy of the directory need not be judged again. Hence a bit that rots on the disk does not show here; `verify` is
for that.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.archive.program import program_digest, record_files
from monitor.archive.review import review_record
from monitor.archive.summary import RunSummary, run_from_json, summarise
from monitor.study.model import Study

CACHE_NAME = "summary.cache"
MOST_STUDIES = 4
"""Summaries kept, by the record's own study file and by others; the oldest go."""
OWN_STUDY = "own"

Noted = dict[str, list[Any]]
"""File name → [size, time of change in ns, SHA-256]."""


def cached_summary(path: Path, study: Study | None = None) -> RunSummary | None:
    """The summary in the cache; None where there is none that fits. Raises OSError where the record cannot be read."""
    found = _read(path)
    return found.get(_name_of(study))


Judged = tuple[RunSummary, RunSummary]
"""A record's summary as anybody may see it, and as it was asked for."""


def fresh_summary(
    path: Path, study: Study | None = None, alike: dict[str, Judged] | None = None, *, unblinded: bool = False
) -> RunSummary:
    """Judges the record and leaves the summary in the cache; raises `RecordUnreadable` and `StudyFaults`.

    `alike` remembers what was judged by the content of the files, so that copies of a record are judged once.
    A cache that cannot be written (a read-only disk) is left out: it is only for speed. What `unblinded` asks for
    beyond what anybody may see is given and never written.
    """
    others = _read(path)
    before = _note_files(path)
    content = json.dumps([[name, digest] for name, (_, _, digest) in sorted(before.items())])
    judged = None if alike is None else alike.get(content)
    if judged is None:
        reviewed = review_record(path, study)
        told = summarise(reviewed)
        judged = told, summarise(reviewed, unblinded=True) if unblinded else told
    if alike is not None:
        alike[content] = judged
    told, asked = (replace(one, record=path.name) for one in judged)
    if _note_files(path) == before:  # else it was written to meanwhile
        _write(path, before, {**others, _name_of(study): told})
    return asked


def _name_of(study: Study | None) -> str:
    return study.sha256 if study else OWN_STUDY


def _note_files(path: Path) -> Noted:
    noted: Noted = {}
    for file in record_files(path):
        state = file.stat()
        noted[file.name] = [state.st_size, state.st_mtime_ns, _file_digest(file)]
    return noted


def _file_digest(file: Path) -> str:
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def _read(path: Path) -> dict[str, RunSummary]:
    try:
        text = (path / CACHE_NAME).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return {}
    try:
        read = json.loads(text)
        if read["program"] != program_digest() or read["sum"] != _sum(read["runs"]):
            # one that another version made may hold what is hidden now
            with suppress(OSError):
                (path / CACHE_NAME).unlink()
            return {}
        found = {name: run_from_json({**one, "record": path.name}) for name, one in read["runs"].items()}
        fits, moved = _compare(path, dict(read["files"]))
    except (ValueError, KeyError, TypeError, AttributeError):
        with suppress(OSError):
            (path / CACHE_NAME).unlink()
        return {}  # whatever is wrong with it, it is made again
    if not fits:
        return {}
    if moved is not None:
        _write(path, moved, found)
    return found


def _compare(path: Path, noted: Noted) -> tuple[bool, Noted | None]:
    """Whether the record's files are those that were noted; and what to note instead where only their times differ."""
    now = {file.name: file for file in record_files(path)}
    if now.keys() != noted.keys():
        return False, None
    moved = False
    for name, file in now.items():
        size, changed_ns, digest = noted[name]
        state = file.stat()
        if state.st_size != size:
            return False, None
        if state.st_mtime_ns != changed_ns:
            if _file_digest(file) != digest:
                return False, None
            noted[name], moved = [size, state.st_mtime_ns, digest], True
    return True, noted if moved else None


def _sum(body: Mapping[str, object]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def _write(path: Path, noted: Noted, runs: Mapping[str, RunSummary]) -> None:
    body = {name: one.as_json() for name, one in list(runs.items())[-MOST_STUDIES:]}
    document = {"program": program_digest(), "files": noted, "sum": _sum(body), "runs": body}
    unfinished = path / f"{CACHE_NAME}.{os.getpid()}"
    try:
        descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(document, file, ensure_ascii=False)
        unfinished.replace(path / CACHE_NAME)
    except OSError:
        with suppress(OSError):
            unfinished.unlink()
