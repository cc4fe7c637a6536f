"""Reads a file written by hand: its bytes, its TOML, and where each key stands, or the one sentence why not."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from monitor.errors import FileFaults
from monitor.named_files import regular
from monitor.tables.faults import Faults, quoted
from monitor.tables.lines import key_lines

LARGEST_FILE_BYTES = 1 << 20
"""Such a file is written by hand; one of more than 1 MiB is something else, such as a record given by mistake."""

_BYTE_ORDER_MARK = "\ufeff"
_PLACE = re.compile(r"(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)", re.DOTALL)
_NAME_LIST = re.compile(r"\((?P<names>'[^()]*?),?\)")


def read_file(path: Path | str, raises: type[FileFaults]) -> tuple[bytes, str]:
    """A file's bytes and its text. Raises `raises` where it cannot be read, is too large or is not UTF-8."""
    name = str(path)
    try:
        with open(path, "rb", opener=regular) as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise raises(name, (f"The file cannot be read ({why}).",), readable=False) from error
    if len(raw) > LARGEST_FILE_BYTES:
        raise raises(name, (f"The file is larger than 1 MiB, so it is hardly a {raises.file}.",))
    try:
        return raw, raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        sentence = f"line {line}: the file is not UTF-8 text (byte 0x{raw[error.start]:02x}); save it as UTF-8."
        raise raises(name, (sentence,)) from error


def parse_file(text: str, path: str, raises: type[FileFaults]) -> tuple[dict[str, Any], Faults]:
    """The parsed text and its faults, none yet. Raises `raises` where it is not TOML."""
    # Some editors put a byte order mark first, which TOML does not allow.
    body = text.removeprefix(_BYTE_ORDER_MARK)
    try:
        return tomllib.loads(body), Faults(key_lines(body), raises.file)
    except RecursionError as error:
        raise raises(path, ("The file is nested too deeply to be read.",)) from error
    except ValueError as error:
        raise raises(path, (_syntax_sentence(str(error), body),)) from error


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
