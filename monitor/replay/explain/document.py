"""An explanation as one JSON object, and as lines for people without a screen."""

from __future__ import annotations

from typing import Any

from monitor.judging.document import number
from monitor.replay.explain.explanation import Explanation
from monitor.replay.explain.words import listed
from monitor.replay.lines.line import ConditionLine


def explanation_json(explained: Explanation) -> dict[str, Any]:
    """The explanation as one JSON object: sentences, rows with their spells, and the bands that would have passed."""
    line, trial, nearest = explained.line, explained.trial, explained.nearest
    return {
        "trial": trial.id,
        "verdict": trial.verdict,
        "effective": trial.effective,
        "fired_at": number(trial.told_fired_at),
        "expected_at": number(trial.told_expected_at),
        "drive": {"from": number(explained.start_t), "to": number(explained.end_t)},
        "why": list(explained.why),
        "nearest_miss": nearest
        and {
            "from": number(nearest.start_t),
            "to": number(nearest.end_t),
            "missing": [line.rows[place].name for place in nearest.failing],
            "sentence": nearest.sentence,
        },
        "needed": [
            {
                "condition": one.condition,
                "unit": one.unit,
                "at_least": number(one.at_least),
                "at_most": number(one.at_most),
                "tolerance": number(one.tolerance),
                "why_not": one.why_not,
            }
            for one in explained.needed
        ],
        "enough": list(explained.enough),
        "rows": [
            {
                "name": row.name,
                "part": row.part,
                "measure": row.measure.text,
                "unit": row.measure.unit,
                "at_least": row.band.at_least,
                "at_most": row.band.at_most,
                "required": row.required,
                "asked": row.asked,
                "spells": row_spells(line, place),
            }
            for place, row in enumerate(line.rows)
        ],
    }


_STATE_WORDS = {1: "met", 0: "not met", -1: "no data"}


def row_spells(line: ConditionLine, place: int) -> list[dict[str, Any]]:
    """One row's times, neighbours with the same answer joined."""
    found: list[dict[str, Any]] = []
    for spell in line.spells:
        word = _STATE_WORDS[spell.state[place]]
        last = found[-1] if found else None
        if last is not None and last["state"] == word and spell.start_t - last["to"] <= 1.5 * line.period_s:
            last["to"] = spell.end_t
            margins = [one for one in (last["margin"], number(spell.margin[place])) if one is not None]
            last["margin"] = max(margins, default=None)
        else:
            margin = number(spell.margin[place])
            found.append({"from": spell.start_t, "to": spell.end_t, "state": word, "margin": margin})
    return found


def explanation_lines(explained: Explanation) -> list[str]:
    """The explanation for people, without a screen."""
    trial = explained.trial
    lines = [f"{trial.id}  {trial.effective.upper()}"]
    lines += [f"  {sentence}" for sentence in explained.why]
    if explained.nearest is not None:
        lines.append(f"  {explained.nearest.sentence}")
    lines += [f"  {sentence}" for sentence in explained.enough]
    rows = [row.name for row in explained.line.rows if not row.required]
    if rows:
        lines.append(f"  Advisory, without effect on the verdict: {listed(rows)}.")
    return lines
