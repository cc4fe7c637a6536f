"""The score of an exercise, beside the same operator's last one, and the page that shows each drive.

It gates nothing, and nothing but the exercise reads it.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from monitor.commissioning.drill.attempt import CaseResult

COUNTS = {
    "saved": "lost ones held back",
    "could_have_been_saved": "lost trials that could have been saved",
    "good_ones_stopped": "good ones stopped",
    "wrong_rulings": "wrong rulings",
    "not_ruled_on": "trials not ruled on",
    "held_without_a_note": "held back without a note",
}
"""Key of the score → its words, in the order of the page."""
GOOD, NOT_GOOD = "█", "╳"
"""Before each drive, so that those to be looked at are found among twelve."""


@dataclass(frozen=True, slots=True)
class Score:
    """How a series went."""

    by: str
    wall: float
    """Seconds since 1970."""
    seed: int
    results: tuple[CaseResult, ...]

    @property
    def numbers(self) -> dict[str, float | None]:
        """Seconds (medians; None where there is none) and counts."""
        found = self.results
        held = [one for one in found if one.outcome in ("saved", "good one stopped")]
        return {
            "seconds_to_hold_back": _median(one.stop_s for one in found),
            "seconds_to_rule": _median(one.rule_s for one in found),
            "saved": sum(one.outcome == "saved" for one in found),
            "could_have_been_saved": sum(one.outcome == "could have been saved" for one in found),
            "good_ones_stopped": sum(one.outcome == "good one stopped" for one in found),
            "wrong_rulings": sum(one.wrong for one in found),
            "not_ruled_on": sum(one.unruled for one in found),
            "held_without_a_note": sum(not one.noted for one in held),
        }

    def as_json(self) -> dict[str, Any]:
        """For keeping and for scripts."""
        return {
            "type": "drill",
            "by": self.by,
            "wall": self.wall,
            "seed": self.seed,
            "score": self.numbers,
            "drives": [one.as_json() for one in self.results],
        }


def _median(values: Iterable[float | None]) -> float | None:
    known = [one for one in values if one is not None]
    return statistics.median(known) if known else None


def page_lines(page: Mapping[str, Any], last: Mapping[str, Any] | None) -> list[str]:
    """The page of an exercise as it is kept (`Score.as_json`), beside the last one's."""
    score, before = page["score"], last["score"] if last is not None else {}
    drives: Sequence[Mapping[str, Any]] = page["drives"]
    lines = [f"EXERCISE of {page['by']}: {_drives(page)}, seed {page['seed']}"]
    if last is not None:
        day = datetime.fromtimestamp(last["wall"], UTC).strftime("%Y-%m-%d")
        lines.append(f"last time, {day}: {_drives(last)}")
    lines.append("")
    for key, words in (("seconds_to_hold_back", "seconds to hold back"), ("seconds_to_rule", "seconds to rule")):
        lines.append(_number_line(words, score[key], before.get(key), last is not None, "median, from the word on"))
    for key, words in COUNTS.items():
        lines.append(_number_line(words, score[key], before.get(key), last is not None, ""))
    lines += ["", "Each drive, and what was to be seen:"]
    for one in drives:
        mark = GOOD if one["outcome"] in ("right", "saved") else NOT_GOOD
        lines += ["", f"{mark} {one['number']:>2}  {one['case']}: {one['outcome'].upper()}{_details(one)}"]
        lines.append(f"      {one['to_be_seen']}")
    lines += ["", "For the operator alone: it decides nothing. To delete all of it: trialwitness drill --forget"]
    return lines


def is_page(value: Any) -> bool:
    """Whether a kept value is a page that can be shown, and held against another one."""
    if not isinstance(value, dict) or value.get("type") != "drill":
        return False
    try:
        page_lines(value, value)
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError, OSError):
        return False  # cut, edited, or of another version
    return True


def _drives(page: Mapping[str, Any]) -> str:
    count = len(page["drives"])
    return "1 drive" if count == 1 else f"{count} drives"


def _number_line(words: str, value: float | None, before: float | None, has_last: bool, remark: str) -> str:
    said = "–" if value is None else f"{value:.1f}" if isinstance(value, float) else str(value)
    line = f"  {words:<40}{said:>6}"
    if has_last:
        line += f"   last time {'–' if before is None else f'{before:.1f}' if isinstance(before, float) else before}"
    return f"{line}   ({remark})" if remark and not has_last else line


def _details(one: Mapping[str, Any]) -> str:
    said = []
    if one["told"]:
        ahead = one["told_before_s"]
        said.append(f"{one['told']} was told" + ("" if ahead is None else f" {ahead:.0f} s before the fire"))
    if one["stop_s"] is not None:
        said.append(f"held back after {one['stop_s']:.1f} s")
    if one["rule_s"] is not None:
        said.append(f"ruled {', '.join(one['ruled'])} after {one['rule_s']:.1f} s")
    if one["outcome"] in ("saved", "good one stopped") and not one["noted"]:
        said.append("no note")
    return f" · {' · '.join(said)}" if said else ""
