"""A column of an exported table: type, unit, definition, thresholds, source."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Literal

from monitor.study.model import Study, Trigger

WITNESS = "computed from the recorded feed"
FEED = "the simulator's feed, as it came"
OPERATOR = "entered in the control room"
STUDY_FILE = "the study file"
RECORDER = "the recorder"

Type = Literal["text", "number", "whole", "flag", "time"]
"""A flag is 1 or 0, a time is UTC after ISO 8601."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `levels`: what its words mean, where it has a fixed set of them."""

    name: str
    unit: str
    definition: str
    levels: dict[str, str] = field(default_factory=dict)
    of_response: bool = False
    """Whether it tells of the response: empty in the export of a blind study whose rulings are not complete."""
    thresholds: tuple[str, ...] = ()
    """Keys of a trigger in the study file by whose values it was computed, such as "response.brake_threshold"."""
    source: str = WITNESS
    """Who says so, or where the definition is published."""
    kind: Type | None = None
    """None is as the name and the unit tell, see `type`."""

    @property
    def type(self) -> Type:
        """Type of its values."""
        if self.kind is not None:
            return self.kind
        if self.name.endswith("_utc"):
            return "time"
        return "number" if self.unit else "text"


def threshold_words(column: Column, studies: Iterable[Study]) -> str:
    """The thresholds of a column with their values, by trigger: "gate-brake: brake_threshold 0.02". Where study files
    differ in them, each by its digest's begin."""
    found: dict[str, dict[str, list[str]]] = {}
    for study in studies:
        for trigger in study.triggers:
            words = ", ".join(_values(trigger, column.thresholds))
            found.setdefault(trigger.name, {}).setdefault(words, []).append(study.sha256[:8])
    return "; ".join(
        f"{name}: {words or 'none'}" + (f" (study file {', '.join(files)})" if len(ways) > 1 else "")
        for name, ways in found.items()
        for words, files in ways.items()
        if words or len(ways) > 1
    )


def _values(trigger: Trigger, keys: Iterable[str]) -> Iterator[str]:
    for key in keys:
        section, _, name = key.rpartition(".")
        holder = getattr(trigger, section) if section else trigger
        value = None if holder is None else getattr(holder, name)
        if value is not None:
            yield f"{name} {value:g}" if isinstance(value, int | float) else f"{name} {value}"


def response_column(column: Column, *keys: str) -> Column:
    """A column of the response; `keys` are those of the trigger's `[trigger.response]` that it was computed by."""
    return replace(column, of_response=True, thresholds=tuple(f"response.{key}" for key in keys))


RECORD = Column("record", "", "name of the run record that the row comes from", source=RECORDER)
PARTICIPANT = Column("participant", "", "pseudonymous code", source=OPERATOR)
DRIVE = Column("drive", "", "number of the drive in the record, from 1", source=RECORDER, kind="whole")
TRIAL = Column("trial", "", "drive / trigger / occurrence")
