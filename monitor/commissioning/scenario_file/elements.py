"""The elements of an XML file with their lines, read so that no file can do harm.

A document type and entities are refused, because an entity can stand for gigabytes or for another file (no scenario
file of the standard has one). Size, depth and number of elements are bounded.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from monitor.errors import ScenarioFaults
from monitor.named_files import regular
from monitor.tables.faults import quoted

LARGEST_FILE_BYTES = 16 << 20
MOST_ELEMENTS = 200_000
DEEPEST = 64
LONGEST_VALUE = 4096
"""Characters of an attribute."""


@dataclass(slots=True)
class Element:
    """An element, its attributes, the elements in it, and the line that it begins on."""

    tag: str
    attributes: dict[str, str]
    line: int
    children: list[Element] = field(default_factory=list)

    def child(self, *path: str) -> Element | None:
        """The first element along a path of tags; None where there is none."""
        found: Element | None = self
        for tag in path:
            found = next((one for one in found.children if one.tag == tag), None) if found is not None else None
        return found

    def all(self, tag: str) -> list[Element]:
        """The elements of a tag right in this one."""
        return [one for one in self.children if one.tag == tag]

    def everywhere(self, tag: str) -> Iterator[Element]:
        """The elements of a tag at any depth, in the order of the file."""
        waiting = list(reversed(self.children))
        while waiting:
            one = waiting.pop()
            if one.tag == tag:
                yield one
            waiting += reversed(one.children)


def read_elements(path: Path | str) -> Element:
    """The root element of a file. Raises `ScenarioFaults` with one sentence where it cannot be read."""
    name = str(path)
    try:
        with open(path, "rb", opener=regular) as file:
            raw = file.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise ScenarioFaults(name, (f"The file cannot be read ({why}).",), readable=False) from error
    if len(raw) > LARGEST_FILE_BYTES:
        raise ScenarioFaults(name, ("The file is larger than 16 MiB, so it is hardly a scenario file.",))
    return _Reading(name).parse(raw)


class _Reading:
    """Collects the elements while the parser goes through the bytes."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._open: list[Element] = []
        self._root: Element | None = None
        self._count = 0
        self._parser = expat.ParserCreate()
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.StartDoctypeDeclHandler = self._doctype
        self._parser.EntityDeclHandler = self._entity
        self._parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)

    def parse(self, raw: bytes) -> Element:
        try:
            self._parser.Parse(raw, True)
        except expat.ExpatError as error:
            what = expat.errors.messages[error.code]
            sentence = f"line {error.lineno}, column {error.offset + 1}: this is no XML ({what})."
            raise ScenarioFaults(self._name, (sentence,)) from error
        except (LookupError, ValueError) as error:  # an encoding that nobody knows
            raise ScenarioFaults(self._name, (f"The file cannot be read ({error}).",)) from error
        if self._root is None:
            raise ScenarioFaults(self._name, ("The file has no element.",))
        return self._root

    def _refuse(self, what: str) -> ScenarioFaults:
        return ScenarioFaults(self._name, (f"line {self._parser.CurrentLineNumber}: {what}",))

    def _doctype(self, *_: object) -> None:
        raise self._refuse("a document type is refused, because what it declares can stand for anything; take it out.")

    def _entity(self, *_: object) -> None:
        raise self._refuse("an entity is refused, because it can stand for anything; write out what it stands for.")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        self._count += 1
        if self._count > MOST_ELEMENTS:
            raise self._refuse(f"the file has more than {MOST_ELEMENTS} elements.")
        if len(self._open) >= DEEPEST:
            raise self._refuse(f"elements lie more than {DEEPEST} deep in each other.")
        for name, value in attributes.items():
            if len(value) > LONGEST_VALUE:
                raise self._refuse(f"{quoted(name)} has more than {LONGEST_VALUE} characters.")
        element = Element(tag, attributes, self._parser.CurrentLineNumber)
        if self._open:
            self._open[-1].children.append(element)
        else:
            self._root = element
        self._open.append(element)

    def _end(self, _: str) -> None:
        self._open.pop()


def number(text: str | None) -> float | None:
    """A finite number in a text; None for anything else, an expression included."""
    # float() would take 2_0 for 20, and the digits of other scripts, which no schema does
    if re.fullmatch(r"\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*", text or "", re.ASCII) is None:
        return None
    value = float(text or "")
    return value if math.isfinite(value) else None
