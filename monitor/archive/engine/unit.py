"""One piece of work: one record by one study. What goes out to a worker, what comes back, and the worker's side of it.

Nothing of a participant crosses over: the record is named by a salted digest of its folder's name, and in what comes
back a place holder stands for the record's path, for its name and for the participant's code. That is JSON text, or one
sentence on why there is none.
"""

from __future__ import annotations

import json
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal, NamedTuple

from monitor.archive.engine.addresses import here, which_of
from monitor.archive.program import JUDGING, digest_of
from monitor.errors import WitnessError
from monitor.record.reader import RecordFiles, RecordReading
from monitor.study.loading import parse_study
from monitor.study.model import Study

Options = Mapping[str, Any]
Work = Callable[[Path, Study | None, Options], Any]
"""What is wanted of a record, as plain values for JSON: judged by the study given, else by its own. A function of a
module, so that it is the same one in every process. `options["write"]`: whether anything may be kept beside it."""

PATH, NAME, CODE = "\ue000", "\ue001", "\ue002"
"""Stand for the record's path, its folder's name and the participant's code. The text is ASCII otherwise, so that they
cannot be mistaken."""

FAULT_OF_PROGRAM = 70


@dataclass(frozen=True, slots=True)
class Task:
    """What is done with every record. `reveals`: its answers hold what a blind study hides, so that none is kept."""

    work: Work
    study: Study | None = None
    options: Options | None = None
    reveals: bool = False

    @property
    def program(self) -> str:
        """Digest of everything that has a part in it."""
        return program_of(self.work)


class Unit(NamedTuple):
    """What a worker is asked."""

    work: Work
    folder: str
    """Of records: a directory, or an address of one."""
    salt: str
    which: str
    """The digest of the salt and the record's name."""
    expected: str | None
    """The record's digest as the asking side knows it; None where it is still open."""
    program: str
    study: tuple[str, str] | None
    """Text, and where it is from."""
    options: str
    """As JSON."""
    write: bool
    """Whether what is kept beside a record may be written there."""


class Outcome(NamedTuple):
    """What a worker answers: JSON text; or what is wrong with the record, as a JSON string, with the exit status that
    goes with it; or why this worker does not do it."""

    kind: Literal["answer", "fault", "refused"]
    text: str
    status: int = 0
    code: str = ""
    """The digest of the salt and the participant's code, where that may stand in the text."""


def program_of(work: Work) -> str:
    """Digest of the sources of all that judges and of all that a work's module loads, and of numpy's version."""
    return digest_of(work.__module__, *JUDGING)


def do_unit(unit: Unit) -> Outcome:
    """The worker's side. Whatever is wrong with a record is its answer; never raises for it."""
    if unit.program != program_of(unit.work):
        return Outcome("refused", "another version of this program, or of numpy, is installed there")
    try:
        with here(unit.folder, unit.salt, unit.which) as path:
            return _done(unit, path)
    except WitnessError as error:
        return Outcome("fault", json.dumps(str(error)), error.exit_code)


def _done(unit: Unit, path: Path) -> Outcome:
    code = ""
    try:
        digest = RecordFiles(path).digest
        if unit.expected is not None and digest != unit.expected:
            raise WitnessError(f"{path}: its digest is {digest} there and {unit.expected} here; it is another record.")
        code = RecordReading(path).opening.participant
        study = None if unit.study is None else _study(*unit.study)
        value = unit.work(path, study, {**json.loads(unit.options), "write": unit.write})
        text = json.dumps(value, allow_nan=False, separators=(",", ":"))
        return Outcome("answer", masked(text, path, code), 0, which_of(unit.salt, code))
    except WitnessError as error:
        said, status = " ".join(str(error).split()), error.exit_code
    except OSError as error:
        said, status = f"{path}: the disk does not give it back ({error.strerror or error}).", 2
    except Exception as error:
        # a fault of the program on one record is that record's answer, and not the end of the others
        at = traceback.extract_tb(error.__traceback__)[-1]
        said = f"{path}: {type(error).__name__} in {Path(at.filename).name}, line {at.lineno}: {error}"
        status = FAULT_OF_PROGRAM
    return Outcome("fault", masked(json.dumps(said), path, code), status, which_of(unit.salt, code))


def masked(text: str, path: Path, code: str) -> str:
    """JSON text without the record's path and name and the participant's code."""
    for told, holder in ((str(path), PATH), (path.name, NAME), (code, CODE)):
        if told:
            text = text.replace(json.dumps(told)[1:-1], holder)
    return text


def restored(text: str, label: str, name: str, code: str) -> str:
    """The text that `masked` was given, with the record's path as the asking side says it."""
    for told, holder in ((label, PATH), (name, NAME), (code, CODE)):
        text = text.replace(holder, json.dumps(told)[1:-1])
    return text


@lru_cache(maxsize=4)
def _study(text: str, where: str) -> Study:
    return parse_study(text, where)
