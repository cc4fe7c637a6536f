"""How far a study was when a run began: what the words after a lost trial need of the tally.

It is computed from the directory of records before the run and entered in the record's opening. So nothing is read when
a verdict comes, and whoever judges the record later says the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Standing:
    """Valid trials so far. Who is next in which group is nowhere in it: nobody is to know before the lot is opened."""

    valid: dict[str, dict[str, int]] | None
    """Trigger → group → valid trials of all earlier runs; None where these would have to be judged first."""
    trigger: str
    """The trigger whose lost trials are replaced: the first one with an alert."""
    proposed: str | None = None
    """The group that this participant is given; None where the study file leaves it to the operator."""
    words: str | None = None
    """Why the participant has another group."""
    sealed: bool = False
    """Whether the group came from a sealed lot: then the next lot makes up for a lost trial, whatever its group."""

    def valid_of(self, trigger: str, group: str) -> int | None:
        """Valid trials of a trigger in a group before this run; None where that is not known."""
        return None if self.valid is None else self.valid.get(trigger, {}).get(group, 0)

    def as_map(self) -> dict[str, Any]:
        """Plain values, for the record's opening."""
        return {
            "valid": self.valid,
            "trigger": self.trigger,
            "proposed": self.proposed,
            "words": self.words,
            "sealed": self.sealed,
        }


def standing_from_map(fields: Mapping[str, Any] | None) -> Standing | None:
    """What `as_map` gave; None where the opening has none or one of another shape: then only the rule is said."""
    if fields is None:
        return None
    try:
        valid = fields["valid"]
        return Standing(
            valid=None
            if valid is None
            else {name: {group: int(n) for group, n in one.items()} for name, one in valid.items()},
            trigger=str(fields["trigger"]),
            proposed=fields["proposed"],
            words=fields["words"],
            sealed=bool(fields.get("sealed", False)),
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        return None
