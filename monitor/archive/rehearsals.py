"""The pages of rehearsals that are kept beside the records, for whoever asks before a participant sits down."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.record.json_file import read_json_map

FOLDER = "rehearsals"
"""Inside the directory of records: records of rehearsals are no participants' and are not counted as such."""
MOST_BYTES = 1 << 24


def kept_pages(records: Path, study: str) -> list[dict[str, Any]]:
    """The kept pages of a study, the oldest first, each with its file's name in `name`; unreadable ones left out."""
    return list(_pages(sorted((records / FOLDER).glob("*.json")), study))


def _pages(paths: Iterable[Path], study: str) -> Iterator[dict[str, Any]]:
    for path in paths:
        try:
            page = read_page(path)
        except WitnessError:
            continue  # a file of another kind, or one that was cut: it says nothing for or against today
        if page.get("study") == study:
            yield page


def unreadable_pages(records: Path) -> list[str]:
    """What is wrong with the files among the kept pages that cannot be read, a sentence each."""
    found = []
    for path in sorted((records / FOLDER).glob("*.json")):
        try:
            read_page(path)
        except WitnessError as error:
            found.append(str(error))
    return found


def latest_page(records: Path, study: str) -> dict[str, Any] | None:
    """The newest kept page of a study, go or no-go, for whoever asks before a participant sits down."""
    newest_first = sorted((records / FOLDER).glob("*.json"), reverse=True)
    return next(_pages(newest_first, study), None)


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
