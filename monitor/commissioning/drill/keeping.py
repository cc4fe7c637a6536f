"""Where an exercise is kept: `drills/OPERATOR/TIME/` in the directory of records, with its drives and its score.

Nothing that looks through records for participants goes down so far, and no participant has a code like DRILL-01.
Scores are data about staff: a folder for each, which only its user may enter, and which goes away as a whole.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.commissioning.drill.score import is_page
from monitor.errors import WitnessError
from monitor.following.overview.listening import EXERCISES
from monitor.named_files import make_directory
from monitor.record.disk import write_file

SCORE = "score.json"


def operator_folder(records: Path, by: str) -> Path:
    """An operator's exercises. Raises `WitnessError` for a name that cannot be part of a path."""
    if not re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,39}", by):
        raise WitnessError(
            f"The operator's name {by!r} cannot be part of a file name; give one of letters, digits, '.', '_' and '-' "
            "with --by."
        )
    return records / EXERCISES / by


def new_series(records: Path, by: str, wall: float) -> Path:
    """A folder for a series that begins now."""
    folder = operator_folder(records, by)
    path = folder / datetime.fromtimestamp(wall, UTC).strftime("%Y%m%dT%H%M%SZ")
    try:
        make_directory(folder)
        folder.chmod(0o700)
        path.mkdir()
    except OSError as error:
        raise WitnessError(f"{path}: an exercise cannot be kept there ({error.strerror}).") from error
    return path


def keep(series: Path, page: Mapping[str, Any]) -> Path:
    """Writes a series' score: after each of its drives, in place of the one before."""
    path = series / SCORE
    write_file(path, (json.dumps(page, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode())
    return path


def kept(records: Path, by: str) -> list[dict[str, Any]]:
    """An operator's scores, the oldest first; what cannot be read is left out."""
    found = []
    for path in sorted(operator_folder(records, by).glob(f"*/{SCORE}")):
        try:
            page = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if is_page(page):
            found.append(page)
    return found


def forget(records: Path, by: str) -> int:
    """Deletes all that is kept of an operator's exercises; gives how many series there were."""
    folder = operator_folder(records, by)
    if not folder.is_dir():
        return 0
    count = sum(one.is_dir() for one in folder.iterdir())
    try:
        shutil.rmtree(folder)
    except OSError as error:
        raise WitnessError(f"{folder}: not all of it could be deleted ({error.strerror}); try again.") from error
    return count
