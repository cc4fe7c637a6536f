"""The sections of the study file about the day around the drive, as tables."""

from __future__ import annotations

from typing import get_args

from monitor.study.day.model import AskedWhen, Sense
from monitor.tables.kinds import LONGEST_NAME, Flag, Key, Number, Section, Sections, Several, Text

NAME = Text(longest=LONGEST_NAME)
WORDS = Text()
MINUTES = Number(above=0.0)

PERCEIVED = Section(
    {"modality": Key(NAME, required=True), "volume": Key(WORDS), "expected": Key(Text(get_args(Sense)))}
)

DEBRIEF = Section(
    {
        "name": Key(NAME, required=True),
        "ask": Key(WORDS, required=True),
        "answers": Key(Several(WORDS, distinct=True)),
        "expected": Key(Several(WORDS, distinct=True)),
        "trigger": Key(NAME),
    }
)

COMPANION = Section(
    {
        "name": Key(NAME, required=True),
        "mark": Key(NAME),
        "signal": Key(NAME),
        "measured_at_least": Key(Number(least=0.0, most=1.0)),
        "files": Key(WORDS),
    }
)

DAY_SECTIONS = {
    "rehearsal": Key(Section({"needed": Key(Flag()), "perceived": Key(Sections(PERCEIVED))})),
    "limits": Key(Section({name: Key(MINUTES) for name in ("since_break_min", "total_min", "break_min", "near_min")})),
    "safety": Key(
        Section({"questionnaire": Key(Several(Text(get_args(AskedWhen)), distinct=True)), "fit_to_leave": Key(Flag())})
    ),
    "debrief": Key(Sections(DEBRIEF)),
    "companion": Key(Sections(COMPANION)),
    "sessions": Key(
        Section(
            {
                "scenarios": Key(Several(NAME)),
                "days_apart": Key(Number(least=1, whole=True)),
            }
        )
    ),
}
"""Top-level section → its shape."""
