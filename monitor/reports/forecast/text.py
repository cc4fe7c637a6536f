"""The forecast as JSON, and for people, at most 80 columns wide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from typing import Any

from monitor.archive.gathering import Gathered, count, gathered_json
from monitor.reports.drawing import columns, wrapped
from monitor.reports.forecast.bands import WiderBand
from monitor.reports.forecast.forecast import LEVELS, Forecast, GroupForecast
from monitor.reports.statistics.invitations import MOST

NAME = 14
MOST_EDGES = 4
"""Edges shown for each band."""


def forecast_json(gathered: Gathered, forecasts: tuple[Forecast, ...]) -> dict[str, Any]:
    """The JSON document of the command."""
    return {**gathered_json(gathered), "levels": list(LEVELS), "forecasts": [_json(one) for one in forecasts]}


def _json(one: Forecast) -> dict[str, Any]:
    document = asdict(one)
    document["begins"] = one.begins.isoformat()
    document["done_by"] = [None if day is None else day.isoformat() for day in one.done_by]
    document["needed"] = one.needed
    return document


def forecast_lines(one: Forecast) -> list[str]:
    """The page of one study."""
    lines = wrapped(f"{one.study}, {one.trigger}: invitations still to make, enough with a chance of 50, 80, 95 %")
    lines += ["", *_table(one), ""]
    lines += _when(one)
    waiting = sum(group.waiting for group in one.groups)
    if waiting:
        lines += wrapped(
            f"Without a ruling: {count(waiting, 'trial')}, in none of these numbers. Each that is ruled valid is one "
            "invitation less.",
            "▸ ",
            "  ",
        )
    for sentence in counted_sentences(one):
        lines += wrapped(sentence, "▸ ", "  ")
    if not one.counts_participants:
        lines += wrapped(
            "The study plans trials, of which a participant gives several: how many to invite is not forecast. With "
            'planned_counts = "participants" it would be.',
            "▸ ",
            "  ",
        )
    if one.replacement == "none":
        lines += wrapped("The study replaces no lost trial: this is what it would take if it did.", "▸ ", "  ")
    lines += ["", *_losses(one), "", *_bands(one), ""]
    lines += wrapped(
        "The chance of a valid trial is taken from each group's own valid and lost participants so far (beta "
        "posterior, Jeffreys' prior); the number to invite is beta-negative-binomial. It holds if those to come are as "
        "those before them.",
        "· ",
        "  ",
    )
    return lines


LEFT_OUT_OF = {
    "everything": "in none of these numbers",
    "chance": "in the chance and the invitations of no group",
    "rate": "not in the participants a week",
}


def counted_sentences(one: Forecast) -> list[str]:
    """How those count who withdrew, and who is left out of which number."""
    said = []
    if one.withdrew:
        said.append(
            f"{count(one.withdrew, 'participant')} withdrew consent: lost in their groups, and in the participants a "
            "week by the day in the record's name."
        )
    parts = "; ".join(f"{each.number} {each.why} ({LEFT_OUT_OF[each.of]})" for each in one.left_out)
    return [*said, f"Left out: {parts}."] if parts else said


def _table(one: Forecast) -> list[str]:
    heading = ("", "wanted", "valid", "lost", "gives one", "50 %", "80 %", "95 %")
    rows: list[tuple[str, ...]] = [heading]
    rows += [_row(group) for group in one.groups]
    sums = [str(sum(getattr(group, name) for group in one.groups)) for name in ("valid", "lost")]
    rows.append(("all", _wanted(one.needed), *sums, "", *_points(one.needed, one.points)))
    return columns(rows, (NAME, 9, 7, 6, 16, 9, 9, 9))


def _row(group: GroupForecast) -> tuple[str, ...]:
    interval = group.chance_interval
    chance = "not seen yet" if interval is None else f"{interval[0]:.0%} to {interval[1]:.0%}"
    counts = (_wanted(group.needed), str(group.valid), str(group.lost))
    return (group.group, *counts, chance, *_points(group.needed, group.points))


def _wanted(needed: int | None) -> str:
    return "–" if needed is None else str(needed)


def _points(needed: int | None, points: Sequence[int | None]) -> tuple[str, ...]:
    """A dash where nothing is planned, so that it is no number."""
    return tuple("–" if needed is None else _number(number) for number in points)


def _when(one: Forecast) -> list[str]:
    if one.needed is None:
        if not one.counts_participants:  # which is said by itself
            return []
        return wrapped("The study plans no number of trials, so none is wanted here: give its groups `planned`.")
    if one.needed == 0:
        return ["Every planned trial is in."]
    if one.per_week is None:
        return wrapped("No run has a day yet: say --per-week N for the date at which the study will be done.")
    rate = f"{one.per_week:.3g} participants a week"
    rate += ", as given" if one.booked else ", as in the last four weeks with runs"
    said = ", ".join(
        f"{_day(day)} ({words})" for day, words in zip(one.done_by, ("even chance", "80 %", "95 %"), strict=True)
    )
    return wrapped(f"Done by {said}, at {rate}, from {_day(one.begins)} on.")


def _losses(one: Forecast) -> list[str]:
    if not one.losses:
        return ["Nobody was lost."]
    rows: list[tuple[str, ...]] = [("lost by", "participants", "by it alone", "still to cost", "weeks in all")]
    for loss in one.losses:
        to_come = "–" if loss.to_come is None else str(loss.to_come)
        weeks = "–" if loss.weeks is None else f"{loss.weeks:.1f}"
        rows.append((loss.reason, str(loss.participants), str(loss.alone), to_come, weeks))
    return columns(rows, (28, 13, 12, 14, 13))


def _bands(one: Forecast) -> list[str]:
    if one.bands is None:
        why = "cannot be read" if one.looks is None else f"has {count(one.looks, 'look')} at responses"
        return wrapped(
            f"What wider bands would have saved is not said: the file of looks {why}, and a tolerance is chosen before "
            "anybody has looked."
        )
    if not one.bands:
        return ["No trial was lost by one band alone."]
    lines = ["a wider band would have saved, of the trials lost by it alone"]
    for band in one.bands:
        edges = ", ".join(f"{_outward(edge, band.edge)} saves {number}" for edge, number in _shown(band))
        stands_at = f"{band.edge.replace('_', ' ')} {band.stands_at:g} {band.unit}".rstrip()
        lines += wrapped(f"{band.condition}, {stands_at}: {edges}", "  ", "    ")
    return [
        *lines,
        *wrapped("It also lets in trials that were further off. The protocol decides, not the count.", "  ", "  "),
    ]


def _shown(band: WiderBand) -> tuple[tuple[float, int], ...]:
    """The nearest edges, and the one that saves all."""
    return band.saves if len(band.saves) <= MOST_EDGES else (*band.saves[: MOST_EDGES - 1], band.saves[-1])


def _outward(edge: float, which: str) -> str:
    """The edge to three decimals, rounded to the side on which it still saves as many."""
    round_off = math.ceil if which == "at_most" else math.floor
    return f"{round_off(edge * 1000.0 - (1e-6 if which == 'at_most' else -1e-6)) / 1000.0:g}"


def _number(number: int | None) -> str:
    return f"> {MOST}" if number is None else str(number)


def _day(day: date | None) -> str:
    return "no day that can be named" if day is None else f"{day:%d %b %Y}"
