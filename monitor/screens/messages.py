"""What has happened in a dialog, as messages to the screen: past tense, frozen payloads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, runtime_checkable

from textual.message import Message

from monitor.judging.case.trial import Verdict


@dataclass(frozen=True, slots=True)
class Moment:
    """When a key was pressed: drive, seconds of the drive, seconds since 1970."""

    drive: int | None
    at: float | None
    wall: float


@dataclass(frozen=True, slots=True)
class RulingGiven:
    """A ruling as the dialog hands it back."""

    trial: str
    verdict: Verdict
    reason: str
    words: str


@runtime_checkable
class NoteTaker(Protocol):
    """An app that opens the note box over whatever is open."""

    @property
    def may_note(self) -> bool:
        """Whether its screen enters anything: one that only reads has no box in which words would be lost."""
        ...

    def take_note(self) -> None:
        """Opens it at once: the next key may be here already."""
        ...


class ColoursAsked(Message):
    """The key for the next colours was pressed: the app changes them and tells the screen on top which they are."""


class PictureAsked(Message):
    """The key for a picture was pressed: the app saves the screen into a folder and tells the screen on top where."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder


@runtime_checkable
class Told(Protocol):
    """A screen that shows what the app did for one of its keys."""

    def told(self, text: str, *, went_wrong: bool = False) -> None:
        """Shows it at once."""
        ...
