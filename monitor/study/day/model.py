"""What a study asks of the day around the drive: rehearsal, limits of driving, safety, debrief, companions, sessions.

Every section may be left out, and then asks for nothing. Nothing here decides a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Sense = Literal["heard", "felt", "seen"]
AskedWhen = Literal["before", "after"]


@dataclass(frozen=True, slots=True)
class Perceived:
    """An alert at a volume that somebody in the seat is asked about at each rehearsal."""

    modality: str
    volume: str = ""
    """As the room's people set it: "amplifier at 6", "60 %"."""
    expected: Sense | None = None
    """How it must be perceived; None: in any way."""

    @property
    def name(self) -> str:
        """ "sound, amplifier at 6"."""
        return f"{self.modality}, {self.volume}" if self.volume else self.modality


@dataclass(frozen=True, slots=True)
class RehearsalRule:
    """What a rehearsal's go must have, and whether a participant may begin without one."""

    needed: bool = False
    """Whether preflight says NOT YET without a go that still holds; else it is only shown."""
    perceived: tuple[Perceived, ...] = ()


@dataclass(frozen=True, slots=True)
class Limits:
    """How long a participant may drive, minutes. It only reminds."""

    since_break_min: float | None = None
    total_min: float | None = None
    """Of one day, over all runs."""
    break_min: float = 5.0
    """A standstill from so long on is a break."""
    near_min: float = 5.0
    """The state line says it from so many minutes before a limit."""


@dataclass(frozen=True, slots=True)
class SafetyRule:
    """What is asked of how the participant is."""

    questionnaire: tuple[AskedWhen, ...] = ()
    """When the sixteen items of the sickness questionnaire are asked."""
    fit_to_leave: bool = False
    """Whether somebody says that the participant is fit to leave."""


@dataclass(frozen=True, slots=True)
class DebriefItem:
    """A question after the drive."""

    name: str
    ask: str
    answers: tuple[str, ...] = ()
    """Each has a key; none: words are typed."""
    expected: tuple[str, ...] = ()
    """The answers by which the participant says that the event was expected."""
    trigger: str | None = None
    """The trigger that it is about; None: all that surprise."""


@dataclass(frozen=True, slots=True)
class Companion:
    """Something that belongs to a session beside the record. Ticked on the run sheet, where nothing else shows it."""

    name: str
    mark: str | None = None
    """The operator's mark that shows that it runs, such as "video-sync"."""
    signal: str | None = None
    """The signal that shows it: measured in at least a share of the frames of each drive."""
    measured_at_least: float = 0.8
    files: str | None = None
    """Where its files lie beside the records: a pattern with {participant} and {record} in it."""

    @property
    def is_ticked(self) -> bool:
        """Whether only a tick shows it."""
        return self.mark is None and self.signal is None and self.files is None


@dataclass(frozen=True, slots=True)
class Sessions:
    """Several drives or days of one participant."""

    scenarios: tuple[str, ...] = ()
    """The scenarios of the drives in their order, over all runs; empty: none is fixed."""
    days_apart: int | None = None
    """At least so many days between the days of one participant."""


@dataclass(frozen=True, slots=True)
class Day:
    """All of it. None or empty: the study does not ask for it."""

    rehearsal: RehearsalRule | None = None
    limits: Limits | None = None
    safety: SafetyRule | None = None
    debrief: tuple[DebriefItem, ...] = ()
    companions: tuple[Companion, ...] = ()
    sessions: Sessions | None = None

    @property
    def looks_back(self) -> bool:
        """Whether what a participant drove in earlier runs matters."""
        asks = self.safety is not None and bool(self.safety.questionnaire)
        return self.limits is not None or self.sessions is not None or asks
