"""What the values of a file may be: the kinds that a format's tables are made of.

`checker.py` walks such tables; the tables themselves stand with each format.
"""

from __future__ import annotations

from dataclasses import dataclass

LONGEST_NAME = 64
"""Characters of a name; the feed allows no longer ones, so that a longer name could never be matched."""


@dataclass(frozen=True, slots=True)
class Text:
    """A text that says something; one of `choices` where there are any."""

    choices: tuple[str, ...] = ()
    longest: int | None = None
    may_be_empty: bool = False


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number, at least `least`, above `above`, at most `most`; a whole one becomes an int, else a float.

    `or_word`: a word that may stand in its place.
    """

    least: float | None = None
    above: float | None = None
    most: float | None = None
    whole: bool = False
    or_word: str | None = None


@dataclass(frozen=True, slots=True)
class Flag:
    """true or false."""


@dataclass(frozen=True, slots=True)
class Several:
    """A list of values of one kind; `count` of them where it is given."""

    kind: Text | Number
    count: int | None = None
    distinct: bool = False


@dataclass(frozen=True, slots=True)
class Named:
    """A section whose keys are names that the file chooses, each with a value of one kind."""

    kind: Text | Number | Section
    what: str
    """What one of the names is, such as "group"."""


@dataclass(frozen=True, slots=True)
class Section:
    """A section with fixed keys."""

    keys: dict[str, Key]


@dataclass(frozen=True, slots=True)
class Sections:
    """A list of sections, written as `[[name]]` each time."""

    section: Section
    at_least_one: bool = False


Kind = Text | Number | Flag | Several | Named | Section | Sections


@dataclass(frozen=True, slots=True)
class Key:
    """What stands under a key."""

    kind: Kind
    required: bool = False
