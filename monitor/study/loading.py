"""Loads a study file: a `Study` that is right in every point, or every fault of the file at once."""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from monitor.errors import StudyFaults
from monitor.study.building import build_study
from monitor.study.checker import check_value
from monitor.study.faults import Faults, quoted
from monitor.study.lines import key_lines
from monitor.study.model import Study
from monitor.study.shape import STUDY_FILE

LARGEST_FILE_BYTES = 1 << 20
"""A study file is written by hand; one of more than 1 MiB is something else, such as a record given by mistake."""

_BYTE_ORDER_MARK = "\ufeff"
_PLACE = re.compile(r"(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)", re.DOTALL)
_NAME_LIST = re.compile(r"\((?P<names>'[^()]*?),?\)")


def load_study(path: Path | str) -> Study:
    """The study in a file, its digest taken over the file's bytes.

    Raises `StudyFaults` where the file cannot be read, is not UTF-8, is not TOML or has faults: all are listed.
    """
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise StudyFaults(name, (f"The file cannot be read ({why}).",)) from error
    if len(raw) > LARGEST_FILE_BYTES:
        raise StudyFaults(name, ("The file is larger than 1 MiB, so it is hardly a study file.",))
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        sentence = f"line {line}: the file is not UTF-8 text (byte 0x{raw[error.start]:02x}); save it as UTF-8."
        raise StudyFaults(name, (sentence,)) from error
    return _parse(text, name, hashlib.sha256(raw).hexdigest())


def parse_study(text: str, path: str) -> Study:
    """The study in a text; `path` names it in messages. Raises `StudyFaults` with all faults."""
    return _parse(text, path, hashlib.sha256(text.encode("utf-8")).hexdigest())


def _parse(text: str, path: str, sha256: str) -> Study:
    # Some editors put a byte order mark first, which TOML does not allow; the digest keeps it.
    body = text.removeprefix(_BYTE_ORDER_MARK)
    try:
        raw = tomllib.loads(body)
        faults = Faults(key_lines(body))
    except RecursionError as error:
        raise StudyFaults(path, ("The file is nested too deeply to be read.",)) from error
    except ValueError as error:
        raise StudyFaults(path, (_syntax_sentence(str(error), body),)) from error
    root: dict[str, Any] = check_value(raw, STUDY_FILE, (), faults)
    study = build_study(root, faults, text=text, sha256=sha256, path=path)
    if study is None:
        raise StudyFaults(path, faults.sentences())
    return study


def _syntax_sentence(message: str, text: str) -> str:
    """One sentence for what the parser says, with line, column and the line's own text."""
    found = _PLACE.fullmatch(message)
    what = found["what"] if found else message
    what = _NAME_LIST.sub(lambda names: '"' + ".".join(re.findall(r"'([^']*)'", names["names"])) + '"', what)
    what = what[:1].lower() + what[1:]
    rows = text.split("\n")
    if found and found["line"]:
        line, column = int(found["line"]), int(found["column"])
    else:
        line, column = len(rows), len(rows[-1]) + 1
    row = rows[line - 1].strip() if line <= len(rows) else ""
    reads = f" in {quoted(row)}" if row else ""
    return f"line {line}, column {column}: this is not valid TOML ({what}){reads}."
