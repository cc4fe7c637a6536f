"""What has happened in a dialog, as messages to the screen: past tense, frozen payloads."""

from __future__ import annotations

from dataclasses import dataclass

from textual.message import Message

from monitor.judging.trial import Verdict


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


class NoteWritten(Message):
    """A note was ended with Enter; `moment` is that of the key that opened the box."""

    def __init__(self, text: str, moment: Moment) -> None:
        super().__init__()
        self.text = text
        self.moment = moment


class NoteDropped(Message):
    """The note box was closed without a note."""
