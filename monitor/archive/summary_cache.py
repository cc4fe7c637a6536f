"""Summaries of records beside them, so that a tally of 200 runs need not judge 200 runs.

`summary.cache` in a record's directory is one JSON object: `program` (digest of version and source of all that
judges), `files` (name → size, time of change and SHA-256 of each of the record's files), `runs` (one summary for each
study file by which the record was judged), `key` (which key seals it) and `seal` (of all that; see cache_seal). It may
be deleted at any time, decides nothing, and is made again wherever anything of it does not fit. It lies in the record,
so that `withdraw` erases it too. It never holds a response that is hidden; one that another version of the program
made is removed on sight, because it may.

A file whose size and time of change are as noted counts as unchanged; else its bytes are compared by their digest, so
that a copy of the directory need not be judged again. Hence a bit that rots on the disk does not show here; `verify` is
for that.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from monitor.archive.cache_seal import key_mark, seal_holds, seal_of
from monitor.archive.program import file_digest, program_digest, record_files
from monitor.archive.review import review_record
from monitor.archive.summary import RunSummary, run_from_json, summarise
from monitor.record.disk import read_small
from monitor.study.model import Study

CACHE_NAME = "summary.cache"
MOST_BYTES = 16 << 20
"""A cache that is longer is none of ours (a run of a day has some 100 KiB)."""
MOST_STUDIES = 4
"""Summaries kept, by the record's own study file and by others; the oldest go."""
OWN_STUDY = "own"

Noted = dict[str, list[Any]]
"""File name → [size, time of change in ns, SHA-256]."""


def cached_summary(path: Path, study: Study | None = None) -> RunSummary | None:
    """The summary in the cache; None where there is none that fits. Raises OSError where the record cannot be read."""
    found = _read(path)
    return found.get(_name_of(study))


def fresh_summary(
    path: Path, study: Study | None = None, *, unblinded: bool = False
) -> tuple[RunSummary, RunSummary, Noted | None]:
    """Judges the record: its summary as anybody may see it, as it was asked for, and the files that it was made of
    (None where they were written to meanwhile). Raises `RecordUnreadable` and `StudyFaults`; writes nothing."""
    before = note_files(path)
    reviewed = review_record(path, study)
    told = summarise(reviewed)
    asked = summarise(reviewed, unblinded=True) if unblinded else told
    after = {file.name: file.stat() for file in record_files(path)}
    unchanged = after.keys() == before.keys() and all(
        before[name][:2] == [state.st_size, state.st_mtime_ns] for name, state in after.items()
    )
    return told, asked, before if unchanged else None


def keep_summary(path: Path, study: Study | None, noted: Noted, told: RunSummary) -> None:
    """Leaves a summary in the cache. One that cannot be written (a read-only disk) is left out: it is only for speed.
    What anybody may see, and never more, is given here."""
    _write(path, noted, {**_read(path), _name_of(study): told})


def same_content(one: Noted, other: Noted) -> bool:
    """Whether two records' files are the same, byte for byte."""
    return {name: digest for name, (_, _, digest) in one.items()} == {
        name: digest for name, (_, _, digest) in other.items()
    }


def is_changed(path: Path) -> bool:
    """Whether the cache is one that this program made for this user, and was changed since."""
    try:
        read = json.loads(read_small(path / CACHE_NAME, MOST_BYTES))
        if read["program"] != program_digest() or read["key"] != key_mark() or read["key"] is None:
            return False
        return not seal_holds(bytes.fromhex(read.pop("seal")), _canonical(read))
    except OSError:
        return False
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return True


def _name_of(study: Study | None) -> str:
    return study.sha256 if study else OWN_STUDY


def note_files(path: Path) -> Noted:
    """Sizes, times of change and digests of a record's files."""
    noted: Noted = {}
    for file in record_files(path):
        state = file.stat()
        noted[file.name] = [state.st_size, state.st_mtime_ns, file_digest(file)]
    return noted


def _read(path: Path) -> dict[str, RunSummary]:
    try:
        text = read_small(path / CACHE_NAME, MOST_BYTES)
    except OSError:
        return {}
    try:
        read = json.loads(text)
        if read["program"] != program_digest() or not seal_holds(bytes.fromhex(read.pop("seal")), _canonical(read)):
            # one that another version made may hold what is hidden now
            with suppress(OSError):
                (path / CACHE_NAME).unlink()
            return {}
        found = {name: run_from_json({**one, "record": path.name}) for name, one in read["runs"].items()}
        fits, moved = _compare(path, dict(read["files"]))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
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
            if file_digest(file) != digest:
                return False, None
            noted[name], moved = [size, state.st_mtime_ns, digest], True
    return True, noted if moved else None


def _canonical(document: Mapping[str, object]) -> bytes:
    return json.dumps(document, sort_keys=True).encode()


def _write(path: Path, noted: Noted, runs: Mapping[str, RunSummary]) -> None:
    body = {name: one.as_json() for name, one in list(runs.items())[-MOST_STUDIES:]}
    document = {"program": program_digest(), "files": noted, "runs": body, "key": key_mark()}
    seal = seal_of(_canonical(json.loads(json.dumps(document))))
    if seal is None:
        return
    unfinished = path / f"{CACHE_NAME}.{os.getpid()}"
    try:
        descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump({**document, "seal": seal.hex()}, file)
        unfinished.replace(path / CACHE_NAME)
    except OSError:
        with suppress(OSError):
            unfinished.unlink()
