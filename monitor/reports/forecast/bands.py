"""How many lost trials a wider band would have saved: from lost trials alone, so that no response has a part in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.archive.summary import MissedBand
from monitor.reports.forecast.standing import Invited


@dataclass(frozen=True, slots=True)
class WiderBand:
    """One edge of one condition, and the trials that were lost by it alone."""

    condition: str
    unit: str
    edge: str
    """"at_least" or "at_most"."""
    stands_at: float
    saves: tuple[tuple[float, int], ...]
    """Edges further out, and how many trials each would have saved, the nearest first."""


def wider_bands(invited: Iterable[Invited]) -> list[WiderBand]:
    """Each edge that lost a trial alone; those that lost most first."""
    short: dict[tuple[str, str, str, float], list[float]] = {}
    for each in invited:
        for one in each.missed:
            edge = _edge(one)
            if one.alone and one.short_by is not None and edge is not None:
                short.setdefault((one.condition, one.unit, *edge), []).append(one.short_by)
    found = [
        WiderBand(condition, unit, edge, stands_at, tuple(_saves(edge, stands_at, sorted(by))))
        for (condition, unit, edge, stands_at), by in short.items()
    ]
    return sorted(found, key=lambda one: (-one.saves[-1][1], one.condition, one.edge))


def _edge(one: MissedBand) -> tuple[str, float] | None:
    if one.value is None:
        return None
    if one.at_most is not None and one.value > one.at_most:
        return "at_most", one.at_most
    if one.at_least is not None and one.value < one.at_least:
        return "at_least", one.at_least
    return None


def _saves(edge: str, stands_at: float, short: list[float]) -> Iterable[tuple[float, int]]:
    sign = 1.0 if edge == "at_most" else -1.0
    for place, by in enumerate(short, start=1):
        if place == len(short) or short[place] > by:
            yield stands_at + sign * by, place
