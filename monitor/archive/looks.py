"""The look file of a study: who looked at responses by group, when, and at what; which study file was frozen before.

`unblinding.jsonl` in the directory of records, lines as `chained_lines` has them, each with one of

| key | is |
| --- | --- |
| `look` | 1, 2, 3 …; with `command`, `why`, `what` (`analyses`, for each study: `trigger`, `measure`, `test_name`, `horizon_s`, `within_s`, `median`, `contrasts`, `fixed_in_the_study`, `otherwise`; or the form of an export; `studies`, the digests of the study files; `judged_by`, the digest of another file that judged, or null) and `records` ({record id: digest}) |
| `frozen` | `{"study", "sha256"}`: the study file that is to judge |
| `lots` | `{"study", "site", "root", "lots"}`: a sealed order of assignment (`study/lots.py`) |

It holds no response, no verdict and no participant's code: records are named by their random ids, so that a withdrawal
leaves nothing here.

While a look is shown or written an empty directory `unblinding.jsonl.look-N.unfinished` stands beside, locked by who
does so: of one that nobody holds any more the next command says that its look counts.
"""  # noqa: E501

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.archive.chained_lines import alone, chain_fault, entries, read_entries
from monitor.errors import StudyFaults, WitnessError
from monitor.named_files import UNFINISHED
from monitor.record.disk import DISK
from monitor.study.model import Study
from monitor.tables.reading import read_file

AUDIT_NAME = "unblinding.jsonl"


@dataclass(frozen=True, slots=True)
class Look:
    """The look that was entered, and what is wrong with the file before it, in one sentence."""

    path: Path
    number: int
    fault: str | None
    held: int | None = None
    """A descriptor of the directory that stands beside until what it was entered for is given; None where there could
    be none."""

    def let_go(self) -> None:
        """What it was entered for is given, or its author was told that it is not: nobody else need be."""
        if self.held is not None:
            with suppress(OSError):
                _beside(self.path.parent, self.number).rmdir()
            os.close(self.held)


@dataclass(frozen=True, slots=True)
class Frozen:
    """The study file that was entered as the one that judges."""

    study: str
    sha256: str
    when: str
    by: str
    after_looks: int
    """Looks that had been entered before it: 0 where it was frozen in time."""


def enter_look(directory: Path, by: str, command: str, what: Mapping[str, Any], records: Mapping[str, str]) -> Look:
    """Enters a look; it is on disk on return. `records`: record id → digest; `what` may have a `why`.

    Raises `WitnessError` where it cannot be entered: then nothing may be shown.
    """
    analysis = dict(what)
    fields = {"command": command, "why": analysis.pop("why", ""), "what": analysis}
    with alone(directory, AUDIT_NAME, "so nothing is shown") as file:
        fault = chain_fault(directory / AUDIT_NAME)
        number = _looks(file.entries) + 1
        look = Look(directory / AUDIT_NAME, number, fault, _hold(_beside(directory, number)))
        try:
            file.enter(by, {"look": number, **fields, "records": dict(sorted(records.items()))})
        except BaseException:
            look.let_go()
            raise
    return look


def cut_off_looks(directory: Path) -> list[str]:
    """Of each look whose command was ended before it could give what it was entered for, or say so: that it counts.
    It is told once."""
    said = []
    for beside in sorted(directory.glob(f"{AUDIT_NAME}.look-*{UNFINISHED}")):
        number = beside.name.removesuffix(UNFINISHED).rpartition("-")[2]
        try:
            descriptor = DISK.lock(beside)
        except OSError:  # its command is still at work, or another's, or gone at this moment
            continue
        is_entered = any(str(one.get("look")) == number for one in entries(directory, AUDIT_NAME))
        try:
            beside.rmdir()
        except OSError:  # nobody may take it away, or somebody put something into it
            continue
        finally:
            os.close(descriptor)
        if is_entered:
            said.append(
                f"Look {number} was entered by a command that was cut off, as by a power cut, before all of it was "
                "shown or written: it counts."
            )
    return said


def _beside(directory: Path, number: int) -> Path:
    return directory / f"{AUDIT_NAME}.look-{number}{UNFINISHED}"


def _hold(path: Path) -> int | None:
    """A descriptor of a new empty directory that is locked for as long as this process is there. Where that cannot be
    had the look is as good, and a kill is told by nobody."""
    try:
        path.mkdir(0o755)
    except OSError:
        return None
    try:
        return DISK.lock(path)
    except OSError:
        with suppress(OSError):
            path.rmdir()
        return None


def refuse_look_file(out: Path) -> None:
    """Raises `WitnessError` where what is to be written has the name of the look file: the first look would be entered
    into it, and written over."""
    if out.name == AUDIT_NAME:
        raise WitnessError(f"{out}: {AUDIT_NAME} is the name of the file of looks; give another one.")


def freeze(directory: Path, by: str, study: Study) -> Frozen:
    """Enters the study file that is to judge; once more is nothing new. Raises `WitnessError` for another one than the
    file that was frozen before, and for one that has changed since it was read."""
    with alone(directory, AUDIT_NAME, "so nothing is frozen") as file:
        before = _frozen(file.entries, study.name)
        if before is not None and before.sha256 != study.sha256:
            raise WitnessError(
                f"Another file of the study {study.name} was frozen on {before.when} by {before.by} (digest "
                f"{before.sha256}); what is frozen stays. Judging by another file is possible with --study, and always "
                "says so."
            )
        if before is not None:
            return before
        if hashlib.sha256(read_file(study.path, StudyFaults)[0]).hexdigest() != study.sha256:
            raise WitnessError(
                f"{study.path} was changed while it was to be frozen, and nothing is frozen; look at it, and freeze it "
                "once more."
            )
        file.enter(by, {"frozen": {"study": study.name, "sha256": study.sha256}})
        now = _frozen(file.entries, study.name)
    assert now is not None
    return now


def frozen(directory: Path, study: str) -> Frozen | None:
    """The study file that was frozen for a study of this name; None where there is none, or it cannot be read."""
    return _frozen(entries(directory, AUDIT_NAME), study)


def _frozen(entered: Iterable[Mapping[str, Any]], study: str) -> Frozen | None:
    looks = 0
    for fields in entered:
        looks += "look" in fields
        one = fields.get("frozen")
        if isinstance(one, dict) and one.get("study") == study:
            when, by = str(fields.get("when")), str(fields.get("by"))
            return Frozen(study, str(one.get("sha256")), when, by, looks)
    return None


def count_looks(directory: Path) -> int | None:
    """How many looks were entered; None where the file is there and cannot be read."""
    try:
        return _looks(read_entries(directory / AUDIT_NAME))
    except OSError:
        return None


def _looks(entered: Iterable[Mapping[str, Any]]) -> int:
    return sum("look" in fields for fields in entered)
