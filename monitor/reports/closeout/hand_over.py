"""The list of what is handed over with a record: its files and what lies beside it with digests, and what is missing.

One line a file, "SHA-256, two blanks, path" from the folder of the records, so that a general checking program takes
it; lines that begin with # are for people.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from glob import escape
from pathlib import Path

from monitor.archive.kept.layout import CACHE_NAME as COLUMNS_NAME
from monitor.archive.rehearsals import FOLDER
from monitor.archive.summary_cache import CACHE_NAME as SUMMARY_NAME
from monitor.judging.session import Session
from monitor.reports.closeout.sections import minute
from monitor.reports.export.drives import WholeRun
from monitor.study.day.model import Companion

CACHES = (COLUMNS_NAME, SUMMARY_NAME)
"""May be deleted at any time, and are made anew."""
MISSING = "# MISSING"


def hand_over(run: WholeRun, by: str, at: float) -> list[str]:
    """The lines of the list. `at`: seconds since 1970."""
    session, record = run.session, run.path
    lines = [
        f"# Handed over with the run of {session.opening.participant}, record {record.name}",
        f"# study {session.study.name}, file {session.study.sha256}",
        f"# list made {minute(at)} UTC by {by}; check it in the folder of the records, such as: sha256sum --check FILE",
        f"# the record is {run.state}; its digest is {run.digest}",
    ]
    if run.added.code:
        lines.append(f"# code of what was entered after closing: {run.added.code}")
    lines += _files(record.parent, [path for path in _below(record) if path.name not in CACHES])
    lines += [f"{MISSING} in the record: {what}" for what in run.damage]
    rehearsed = session.operator.day.rehearsed
    if rehearsed is not None and rehearsed.name:
        lines.append("# the rehearsal before it")
        page = record.parent / FOLDER / f"{rehearsed.name}.json"
        lines += _files(record.parent, [page]) if page.is_file() else [f"{MISSING} {page.name}"]
    return lines + list(_companions(session, record))


def missing_files(session: Session, record: Path) -> list[str]:
    """Companions whose files are not there, a sentence each."""
    return [
        f"{one.name}: no file {one.files} beside the records."
        for one in session.study.day.companions
        if one.files is not None and not files_of(one, session, record)
    ]


def files_of(companion: Companion, session: Session, record: Path) -> list[Path]:
    """The files of a companion that are this participant's or this record's, in order of their names.

    Whoever's code begins with this one has files that begin alike: Q1 is not given those of Q10.
    """
    if companion.files is None:
        return []
    names = {"participant": session.opening.participant, "record": record.stem}
    pattern = companion.files.format(**{name: escape(text) for name, text in names.items()})
    found = [path for match in sorted(record.parent.glob(pattern)) for path in _below(match)]
    own = re.compile("|".join(rf"(?<![A-Za-z0-9]){re.escape(text)}(?![0-9])" for text in names.values()))
    return [path for path in found if own.search(path.relative_to(record.parent).as_posix())]


def _companions(session: Session, record: Path) -> Iterator[str]:
    for one, state in zip(session.study.day.companions, session.companions(), strict=True):
        found = files_of(one, session, record)
        if state.is_there is False:
            yield f"{MISSING} {one.name}: {state.words}"
        else:
            yield f"# {one.name}: {state.words}"
        if one.files is not None and not found:
            yield f"{MISSING} {one.name}: no file {one.files}"
        yield from _files(record.parent, found)


def _below(path: Path) -> list[Path]:
    """A file, or the files in a folder; no links."""
    if path.is_symlink():
        return []
    return (
        [path]
        if path.is_file()
        else sorted(each for each in path.rglob("*") if each.is_file() and not each.is_symlink())
    )


def _files(base: Path, paths: list[Path]) -> list[str]:
    return [f"{_digest(path)}  {path.relative_to(base).as_posix()}" for path in paths]


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
