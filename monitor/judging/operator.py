"""The operator's entries of a record: notes, marks, rulings, reveals, calls."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, get_args

from monitor.judging.trial import Note, Ruling, Verdict

VERDICTS: tuple[Verdict, ...] = get_args(Verdict)


@dataclass(slots=True)
class OperatorLog:
    """What the operator entered, in order. A later ruling on a trial takes the place of an earlier one."""

    notes: list[Note] = field(default_factory=list)
    rulings: dict[str, Ruling] = field(default_factory=dict)
    revealed: set[str] = field(default_factory=set)
    steps_done: dict[str, float] = field(default_factory=dict)
    keys: set[str] = field(default_factory=set)

    def take(self, fields: dict[str, Any]) -> None:
        """One entry; a repeated key is passed over."""
        key = fields.get("key")
        if isinstance(key, str):
            if key in self.keys:
                return
            self.keys.add(key)
        by, wall = str(fields.get("by", "")), float(fields.get("wall") or 0.0)
        match fields.get("type"):
            case "note" | "mark":
                text = str(fields.get("text") or fields.get("code") or "")
                self.notes.append(Note(fields.get("at"), fields.get("drive"), wall, by, text))
            case "comfort":
                text = f"comfort rating {fields.get('rating')}"
                self.notes.append(Note(fields.get("at"), fields.get("drive"), wall, by, text))
            case "ruling" if fields.get("verdict") in VERDICTS:
                self.rulings[str(fields.get("trial"))] = Ruling(
                    fields["verdict"],
                    str(fields.get("reason", "")),
                    str(fields.get("words", "")),
                    by,
                    fields.get("at"),
                    wall,
                )
            case "reveal":
                self.revealed.add(str(fields.get("trial")))
            case "step":
                if fields.get("done", True):
                    self.steps_done[str(fields.get("step"))] = wall
                else:
                    self.steps_done.pop(str(fields.get("step")), None)
