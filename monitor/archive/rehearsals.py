"""The pages of rehearsals that are kept beside the records, for whoever asks before a participant sits down."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.record.json_file import read_json_map

FOLDER = "rehearsals"
"""Inside the directory of records: records of rehearsals are no participants' and are not counted as such."""
MOST_BYTES = 1 << 24


@dataclass(frozen=True, slots=True)
class NewestRehearsal:
    """The newest kept page of a study that can be read, and what is newer and cannot."""

    page: dict[str, Any] | None = None
    """With its file's name in `name`; None where no page of the study can be read."""
    unreadable: tuple[str, ...] = ()
    """Names of newer files of which nobody can tell what they said, the newest first."""


def kept_pages(records: Path, study: str) -> list[dict[str, Any]]:
    """The kept pages of a study, the oldest first, each with its file's name in `name`; unreadable ones left out, which
    `unreadable_pages` names."""
    return [page for path in _files(records) if (page := _page_of(path, study)) is not None]


def unreadable_pages(records: Path) -> list[str]:
    """What is wrong with the files among the kept pages that cannot be read, a sentence each."""
    found = []
    for path in _files(records):
        try:
            read_page(path)
        except WitnessError as error:
            found.append(str(error))
    return found


def newest_rehearsal(records: Path, study: str) -> NewestRehearsal:
    """The newest kept page of a study, go or no-go, for whoever asks before a participant sits down."""
    unreadable: list[str] = []
    for path in reversed(_files(records)):
        try:
            page = read_page(path)
        except WitnessError:
            unreadable.append(path.name)  # it may have been today's, and a no-go
            continue
        if page.get("study") == study:
            return NewestRehearsal(page, tuple(unreadable))
    return NewestRehearsal(None, tuple(unreadable))


def _files(records: Path) -> list[Path]:
    """All that may be a kept page; their names begin with the time, so that the oldest is first."""
    return sorted((records / FOLDER).glob("*.json"))


def _page_of(path: Path, study: str) -> dict[str, Any] | None:
    try:
        page = read_page(path)
    except WitnessError:
        return None
    return page if page.get("study") == study else None


def read_page(path: Path) -> dict[str, Any]:
    """A kept page. Raises `WitnessError` for anything else."""
    try:
        page = read_json_map(path, MOST_BYTES)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else error
        raise WitnessError(f"{path} is no kept rehearsal ({why}).") from error
    if page.get("type") != "rehearsal":
        raise WitnessError(f"{path} is no kept rehearsal.")
    return {**page, "name": path.stem}
