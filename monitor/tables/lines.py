"""Which line of a TOML file each key stands on. TOML parsers give no positions once the text is parsed."""

from __future__ import annotations

import re
import tomllib

from monitor.tables.faults import Path

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'  # multi-line basic; up to two quotation marks may stand before the closing three
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}\r\n#]+")


def key_lines(text: str) -> dict[Path, int]:
    """Path → line (from 1) of each section, key and list element of a text that is valid TOML.

    A section or list that is begun several times has the line of its first mention.
    """
    return _LineScan(text).run()


class _LineScan:
    """Reads just enough TOML to tell keys from values; the text has been parsed before, so nothing is checked here."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._lines: dict[Path, int] = {}
        self._counted_to = 0
        self._line = 1
        self._lengths: dict[Path, int] = {}

    def run(self) -> dict[Path, int]:
        section: Path = ()
        self._skip_space()
        while self._at < len(self._text):
            if self._text.startswith("[[", self._at):
                section = self._header(double=True)
            elif self._text[self._at] == "[":
                section = self._header(double=False)
            else:
                self._pair(section)
            self._skip_space()
        return self._lines

    def _header(self, *, double: bool) -> Path:
        line = self._line_here()
        self._at += 2 if double else 1
        keys = self._dotted_key()
        self._at += 2 if double else 1
        path: Path = ()
        for position, key in enumerate(keys):
            path = (*path, key)
            self._lines.setdefault(path, line)
            last = position == len(keys) - 1
            if last and double:
                self._lengths[path] = self._lengths.get(path, 0) + 1
            if path in self._lengths:
                path = (*path, self._lengths[path] - 1)
                self._lines.setdefault(path, line)
        return path

    def _pair(self, section: Path) -> None:
        line = self._line_here()
        path = section
        for key in self._dotted_key():
            path = (*path, key)
            self._lines.setdefault(path, line)
        self._at += 1  # "="
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_space()
        if self._text[self._at] == "[":
            self._elements(path)
        elif self._text[self._at] == "{":
            self._at += 1
            self._skip_space()
            while self._text[self._at] != "}":
                self._pair(path)
                self._skip_space()
                self._skip(",")
        else:
            match = _STRING.match(self._text, self._at) or _PLAIN.match(self._text, self._at)
            self._at = match.end() if match else self._at + 1
            return
        self._at += 1

    def _elements(self, path: Path) -> None:
        self._at += 1
        index = 0
        self._skip_space()
        while self._text[self._at] != "]":
            self._lines[(*path, index)] = self._line_here()
            self._value((*path, index))
            index += 1
            self._skip_space()
            self._skip(",")

    def _dotted_key(self) -> list[str]:
        keys = []
        while True:
            self._skip_space()
            quote = _STRING.match(self._text, self._at)
            bare = _BARE.match(self._text, self._at)
            if quote:
                keys.append(str(tomllib.loads(f"k = {quote.group()}")["k"]))
                self._at = quote.end()
            elif bare:
                keys.append(bare.group())
                self._at = bare.end()
            self._skip_space()
            if self._text[self._at] != ".":
                return keys
            self._at += 1

    def _skip(self, mark: str) -> None:
        if self._text[self._at] == mark:
            self._at += 1
            self._skip_space()

    def _skip_space(self) -> None:
        match = _SPACE.match(self._text, self._at)
        if match:
            self._at = match.end()

    def _line_here(self) -> int:
        self._line += self._text.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        return self._line
