"""The faults of a file, collected: each one sentence with line, key path, what was expected, what was found."""

from __future__ import annotations

import datetime
import difflib
import json
import re
from collections.abc import Iterable, Mapping

Step = str | int
Path = tuple[Step, ...]
"""Where a value stands: keys, and list positions counted from 0. Written for people they count from 1."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
LONGEST_QUOTE = 60
"""Characters of a found text that a sentence repeats."""

LONGEST_LIST = 16
"""Names that a sentence lists when none of them is close to the one found."""


def path_text(path: Path) -> str:
    """The path as a sentence names it, such as `trigger[1].condition[2].at_most`; positions count from 1."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step + 1}]"
            continue
        key = step if _BARE_KEY.fullmatch(step) else quoted(step)
        text += f".{key}" if text else key
    return text or "the file"


def quoted(text: str) -> str:
    """The text in quotation marks on one line, cut to a readable length; what a terminal would obey is escaped."""
    cut = text if len(text) <= LONGEST_QUOTE else text[: LONGEST_QUOTE - 1] + "…"
    return "".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in json.dumps(cut, ensure_ascii=False))


def listed(words: Iterable[str], joint: str = "or") -> str:
    """Words as a list for a sentence: `"a", "b" or "c"`."""
    quotes = [quoted(word) for word in words]
    return quotes[0] if len(quotes) == 1 else f"{', '.join(quotes[:-1])} {joint} {quotes[-1]}" if quotes else "none"


def found_text(value: object) -> str:
    """A value of a file in words, for the end of a sentence."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {quoted(value)}"
    if isinstance(value, float):
        return f"the number {value:g}"
    if isinstance(value, int):
        # An integer of more than 4300 digits cannot even be printed, and nobody would read it.
        return f"the number {value}" if abs(value) < 10**18 else "a number of more than 18 digits"
    if isinstance(value, list):
        return "an empty list" if not value else f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, datetime.date | datetime.time):
        return f"the date or time {value.isoformat()}"
    return type(value).__name__


def closest(word: str, options: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The option that a misspelt word most likely means, or None. Upper and lower case count as equal."""
    by_lower = {option.lower(): option for option in options}
    # autojunk only matters from 200 characters on; names end at 64.
    matches = difflib.get_close_matches(word.lower()[:200], list(by_lower), n=1, cutoff=cutoff)
    return by_lower[matches[0]] if matches else None


class Faults:
    """Collects faults while a file is checked, and answers whether a part of it is still worth checking for meaning.

    One slip must give one sentence: a check that depends on a part that is already faulty asks `at` or `under` first.
    """

    def __init__(self, lines: Mapping[Path, int], file: str = "study file") -> None:
        self._lines = lines
        self.file = file
        """What kind of file it is, in words."""
        self._sentences: list[tuple[int, int, str]] = []
        self._spoilt: set[Path] = set()

    def __bool__(self) -> bool:
        return bool(self._sentences)

    def add(self, path: Path, *, expected: str, found: str, hint: str | None = None) -> None:
        """One fault at `path`. `hint` follows after a semicolon and ends the sentence itself if it is a question."""
        line = self._line(path)
        sentence = f"line {line}, {path_text(path)}: expected {expected}, found {found}"
        if hint is not None:
            sentence += f"; {hint}"
        if not sentence.endswith("?"):
            sentence += "."
        self._sentences.append((line, len(self._sentences), sentence))
        self._spoilt.add(path)

    def add_misspelt(self, path: Path, word: str, options: Iterable[str], *, expected: str) -> None:
        """A name that refers to nothing: suggests the closest option, or lists them when none is close."""
        known = list(dict.fromkeys(options))
        meant = closest(word, known)
        hint = None
        if meant is not None:
            hint = f"did you mean {quoted(meant)}?"
        elif 0 < len(known) <= LONGEST_LIST:
            hint = f"known here: {listed(known, 'and')}"
        self.add(path, expected=expected, found=quoted(word), hint=hint)

    def spoil(self, path: Path) -> None:
        """Counts a path as faulty without a sentence of its own: the key that a misspelt one probably stands for."""
        self._spoilt.add(path)

    def at(self, path: Path) -> bool:
        """Whether this very value is faulty."""
        return path in self._spoilt

    def under(self, path: Path) -> bool:
        """Whether this value or anything in it is faulty."""
        return any(spoilt[: len(path)] == path for spoilt in self._spoilt)

    def sentences(self) -> tuple[str, ...]:
        """All faults in the order of the file's lines."""
        return tuple(sentence for _, _, sentence in sorted(self._sentences))

    def _line(self, path: Path) -> int:
        # A missing key has no line of its own: the section that lacks it has.
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return 1
