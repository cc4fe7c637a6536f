"""One run of the overview, as a pure function of what was heard of it and when.

What heads the operator's screen heads the row. Silence says nothing, least of all that all is well: what was heard
longer ago than its own `valid_for_s` counts for nothing.

Nothing here tells how anybody responded. The words are those of the operator's masked view; no seconds are told while a
trial is being answered; and until a blind trial is ruled on nothing is told of the next one that driving decides: on
the operator's screen current values come back at the end of the horizon, and a car that is slow then has braked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from monitor.following.heading.model import Heading, Tone
from monitor.following.heading.run import NOT_RECORDING
from monitor.following.overview.told import is_understood
from monitor.following.processes import ProcessState
from monitor.following.status_stream import BY_DRIVING, VALID_FOR_S
from monitor.following.words import NO_BREAK, minutes_text
from monitor.recorder.wire import RecorderStatus

FIRST_WORD_S = 3.0
"""Whoever writes tells once a second: after so long without any word nobody does."""

RECORDER_SILENT_S = 1.5
"""A recorder tells its state four times a second: after so long it is not known to record."""

FEED_SILENT_S = 1.5
"""A simulator says hello once a second: without a watcher a feed with nothing for so long is called silent."""

RunState = Literal["recording", "nobody watches", "unknown", "not recording", "closed"]

HIDDEN = Heading("plain", "HIDDEN", sentence="What the next trial depends on is hidden until the ruling.")

_TONES: tuple[Tone, ...] = get_args(Tone)


@dataclass(frozen=True, slots=True)
class Heard:
    """What is known of one run at this moment."""

    record: Path
    is_held: bool
    """Whether a recorder holds the record."""
    since_s: float
    """For how long it has been listened to."""
    told: Mapping[str, Any] | None = None
    """The last word of whoever writes on it (`status_stream`); None where there was none."""
    told_age_s: float = 0.0
    writer: ProcessState = "gone"
    """The process of whoever told it."""
    recorder: RecorderStatus | None = None
    """The recorder's own last word; None where there was none."""
    recorder_age_s: float = 0.0
    is_there: bool = True
    """Whether the record's directory is where it was, and can be looked into."""

    @property
    def is_understood(self) -> bool:
        """Whether what the writer tells is in the words of this version."""
        return self.told is None or is_understood(self.told)

    @property
    def is_valid(self) -> bool:
        """Whether the writer's last word still counts."""
        if self.told is None or self.told.get("left") or not self.is_understood:
            return False
        valid_for_s = self.told.get("valid_for_s")
        return self.told_age_s <= (valid_for_s if isinstance(valid_for_s, int | float) else VALID_FOR_S)

    @property
    def recorder_answers(self) -> bool:
        """Whether the recorder's last word still counts."""
        return self.recorder is not None and self.recorder_age_s <= RECORDER_SILENT_S

    @property
    def closing_digest(self) -> str | None:
        """The digest of a record that was closed; None before."""
        return self.recorder.closed if self.recorder is not None else None


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run as it stands. `seconds_to_next` is None where it is not known, or not told."""

    record: Path
    participant: str
    state: RunState
    heading: Heading
    second: Heading | None = None
    """What stands second on the operator's screen."""
    by: str = ""
    drive: int | None = None
    t: float | None = None
    next_trigger: str = ""
    seconds_to_next: float | None = None
    waits: tuple[tuple[str, str], ...] = ()
    """Trials that wait for somebody, with their words, the oldest first; none that came after a hidden one."""
    withheld: bool = False
    """Whether a trial waits for its ruling, until which nothing is told of those after it."""
    feed: str = "not known"
    disk: str = "not known"

    @property
    def is_recorded(self) -> bool:
        """Whether a recorder holds it, so that a screen can look on."""
        return self.state in ("recording", "nobody watches", "unknown")

    @property
    def may_write(self) -> bool:
        """Whether a second writer would be in nobody's way."""
        return self.state in ("nobody watches", "not recording")

    @property
    def wants_somebody(self) -> bool:
        """Whether it is not as it should be, or a trial waits."""
        return self.heading.tone == "bad" or bool(self.waits) or self.state in ("nobody watches", "unknown")

    def as_json(self) -> dict[str, Any]:
        """For scripts."""
        return {
            "record": str(self.record),
            "participant": self.participant,
            "state": self.state,
            "heading": self.heading.word,
            "sentence": self.heading.sentence,
            "by": self.by or None,
            "drive": self.drive,
            "t": self.t,
            "next": {"trigger": self.next_trigger, "seconds": self.seconds_to_next} if self.next_trigger else None,
            "waiting": [{"trial": trial, "word": word} for trial, word in self.waits],
            "withheld": self.withheld,
            "feed": self.feed,
            "disk": self.disk,
        }


def row_of(heard: Heard) -> RunRow:
    """The run's row."""
    if heard.is_valid and (heard.is_held or _tells_of_it(heard.told)):
        return _as_told(heard)
    participant = _participant(heard)
    disk, feed = _disk(heard), _feed(heard)
    if heard.closing_digest is not None and not heard.is_held:
        return RunRow(heard.record, participant, "closed", Heading("plain", "CLOSED", sentence="The record is closed."))
    if not heard.is_there:
        said = f"{heard.record} is not there any more, or cannot be looked into: nothing is known of what is recorded"
        said += ", but its recorder answers." if heard.recorder_answers else ", and no recorder answers."
        heading = Heading("bad", "NO RECORD", sentence=said)
        return RunRow(heard.record, participant, "not recording", heading, feed=feed, disk=disk)
    if not heard.is_held:
        said = (
            f"Nothing is being recorded: the recorder has died. Whoever writes comes back with: trialwitness attach "
            f"{heard.record}"
        )
        return RunRow(heard.record, participant, "not recording", Heading("bad", "NO RECORD", sentence=said))
    if not heard.is_understood and heard.writer != "gone":
        said = "A screen of another version writes on it, and tells what this one does not understand; Enter looks on."
        heading = Heading("bad", "UNKNOWN", sentence=said)
        return RunRow(heard.record, participant, "unknown", heading, feed=feed, disk=disk)
    who = f"the screen of {heard.told.get('by')}" if heard.told else "no screen of an operator is on it"
    if heard.told is None and heard.since_s < FIRST_WORD_S:
        heading = Heading("wait", "UNKNOWN", sentence="Nothing has been heard of it yet.")
        return RunRow(heard.record, participant, "unknown", heading, feed=feed, disk=disk)
    if heard.told is not None and not heard.told.get("left") and heard.writer != "gone":
        how = "is stopped" if heard.writer == "stopped" else "hangs"
        said = f"Nothing is known: {who} {how} and has told nothing for {heard.told_age_s:.0f} s."
        heading = Heading("bad", "UNKNOWN", sentence=said)
        return RunRow(heard.record, participant, "unknown", heading, feed=feed, disk=disk)
    if heard.told is not None:
        who += " was closed" if heard.told.get("left") else " has died"
    if not heard.recorder_answers and heard.since_s >= FIRST_WORD_S:
        said = "Nobody watches, and the recorder does not answer: it is stopped, or hangs."
        return RunRow(heard.record, participant, "nobody watches", Heading("bad", "NO RECORD", sentence=said))
    said = f"Nobody watches: {who}. It is recorded and not judged; w watches it."
    return RunRow(
        heard.record, participant, "nobody watches", Heading("bad", "UNWATCHED", sentence=said), feed=feed, disk=disk
    )


def _tells_of_it(told: Mapping[str, Any] | None) -> bool:
    """Whether whoever writes knows already that nothing is recorded, or that the record is closed."""
    return told is not None and told.get("recorder") in (*NOT_RECORDING, "closed", "sealed")


def _as_told(heard: Heard) -> RunRow:
    told = heard.told or {}
    coming = told.get("next") if isinstance(told.get("next"), dict) else None
    seconds = coming.get("seconds") if coming is not None else None
    withheld = bool(told.get("withheld"))
    answering = withheld or (coming is not None and seconds is None)
    told_headings: list[dict[str, Any]] = told.get("headings") or [{}]
    headings = [
        _heading(one, answering=answering) for one in told_headings if not (withheld and one.get("name") in BY_DRIVING)
    ] or [HIDDEN]
    closed = told.get("recorder") in ("closed", "sealed")
    lost = told.get("recorder") in NOT_RECORDING
    return RunRow(
        record=heard.record,
        participant=_participant(heard),
        state="closed" if closed else "not recording" if lost else "recording",
        heading=headings[0],
        second=headings[1] if len(headings) > 1 else None,
        by=str(told.get("by") or ""),
        drive=told.get("drive"),
        t=told.get("t"),
        next_trigger=str(coming.get("trigger")) if coming is not None else "",
        seconds_to_next=None if seconds is None else max(float(seconds), 0.0),
        waits=tuple((str(one.get("trial")), str(one.get("word"))) for one in told.get("waiting") or ()),
        withheld=withheld,
        feed=f"{told.get('feed')}, {told.get('lost') or 0} lost",
        disk=_disk(heard) if lost or closed else (minutes_text(told.get("minutes_left")) or "room") + " left",
    )


def _heading(fields: Mapping[str, Any], *, answering: bool) -> Heading:
    tone = fields.get("tone")
    seconds = fields.get("seconds")
    return Heading(
        tone if tone in _TONES else "plain",
        str(fields.get("word") or "UNKNOWN"),
        None if answering or seconds is None else float(seconds),
        str(fields.get("sentence") or "").replace(NO_BREAK, " "),
    )


def _participant(heard: Heard) -> str:
    told = heard.told.get("participant") if heard.told is not None else None
    return str(told) if told else heard.record.name.rsplit("-", 2)[0]  # code, time, four letters


def _feed(heard: Heard) -> str:
    """What the recorder alone says of the feed."""
    if not heard.recorder_answers or heard.recorder is None:
        return "not known"
    age_s = heard.recorder.age_s
    if age_s is None:
        return "nothing has come yet"
    return "comes in" if age_s <= FEED_SILENT_S else f"silent for {age_s:.0f} s"


def _disk(heard: Heard) -> str:
    if not heard.recorder_answers or heard.recorder is None:
        return "not known"
    if heard.recorder.trouble:
        return heard.recorder.trouble
    return (minutes_text(heard.recorder.minutes_left) or "room") + " left"


def row_line(run: RunRow) -> str:
    """The run as one line of text."""
    coming = run.next_trigger + ("" if run.seconds_to_next is None else f" in {run.seconds_to_next:.0f} s")
    waits = ", ".join(f"{word} {trial}" for trial, word in run.waits)
    parts = [
        run.participant,
        run.state,
        f"{run.heading.word}: {run.heading.sentence}",
        f"next {coming}" if coming else "",
        f"waits: {waits}" if waits else "",
        f"feed {run.feed}",
        f"disk {run.disk}",
        str(run.record),
    ]
    return " | ".join(one for one in parts if one)
