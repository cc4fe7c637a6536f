"""The end of the study: was every group given by the lot that was sealed before, in order, and once?"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.archive.gathering import count, listed
from monitor.errors import StudyFaults, WitnessError
from monitor.record.reader import RecordReading, list_records
from monitor.record.tombstone import read_tombstone
from monitor.reports.assigning.sealed import SealedLots, log_fault, place_in, sealed_root
from monitor.study.loading import parse_study


@dataclass(frozen=True, slots=True)
class Verified:
    """What was found about a site's order. `faults` are what makes it doubtful; `remarks` are to be known."""

    site: str
    root: str
    lots: int
    opened: int
    used: int
    faults: tuple[str, ...]
    remarks: tuple[str, ...]


def verify_lots(lots: SealedLots) -> Verified:
    """Holds the sealed order, what was done to its lots, and the openings of the records against each other."""
    order, directory = lots.order, lots.directory
    faults = [one for one in (log_fault(lots),) if one]
    if sealed_root(directory, order.site) != order.root:
        faults.append(f"The root of site {order.site} is not the one that was entered when the order was sealed.")
    opened, used = lots.opened(), lots.used()
    faults += _out_of_order(opened)
    faults += [
        f"Lot {number}{_of(stratum)} is used in a record and was never opened."
        for stratum, number in sorted(used.keys() - set(opened))
    ]
    remarks = [
        f"Lot {number}{_of(stratum)} was opened and has no record: the place is spent."
        for stratum, number in opened
        if (stratum, number) not in used
    ]
    found = _openings(directory, order.study)
    faults += _held_against(lots, found)
    without = [record for record, opening in found if opening.lot is None]
    if without:
        remarks.append(f"{count(len(without), 'record')} of this study without a lot: {listed(without)}.")
    seeded = sum(_has_seed(opening.study_text) for _, opening in found)
    if seeded:
        remarks.append(f"The first {count(seeded, 'lot')} could be computed: their study file has a seed.")
    return Verified(order.site, order.root, len(order.lots), len(opened), len(used), tuple(faults), tuple(remarks))


def _out_of_order(opened: list[tuple[str, int]]) -> list[str]:
    faults = []
    numbers: dict[str, list[int]] = defaultdict(list)
    for stratum, number in opened:
        numbers[stratum].append(number)
    for stratum, given in numbers.items():
        if given != list(range(1, len(given) + 1)):
            order = listed([str(number) for number in given])
            faults.append(f"The lots{_of(stratum)} were not opened one after the other: {order}.")
    return faults


def _held_against(lots: SealedLots, found: list[tuple[str, Any]]) -> list[str]:
    order, faults = lots.order, []
    opened = set(lots.opened())
    holders: dict[tuple[str, int], set[str]] = defaultdict(set)
    of_participant: dict[str, set[tuple[str, int]]] = defaultdict(set)
    for record, opening in found:
        entered = opening.lot
        if not isinstance(entered, dict) or entered.get("site") != order.site:
            continue
        place = place_in(entered)
        if place is None:
            faults.append(f"{record} names a lot that cannot be read.")
            continue
        lot = order.lot(*place)
        holders[place].add(opening.participant)
        of_participant[opening.participant].add(place)
        if lot is None or entered.get("root") != order.root:
            faults.append(f"{record} names lot {place[1]}{_of(place[0])} of another order.")
        elif entered.get("group") != lot.group or opening.group != lot.group:
            faults.append(f"{record} has group {opening.group}, its lot {place[1]}{_of(place[0])} is {lot.group}.")
        elif place not in opened:
            faults.append(f"{record} names lot {place[1]}{_of(place[0])}, which was never opened.")
    faults += [
        f"Lot {number}{_of(stratum)} was given to {len(who)} participants."
        for (stratum, number), who in sorted(holders.items())
        if len(who) > 1
    ]
    several = Counter({code: len(places) for code, places in of_participant.items() if len(places) > 1})
    faults += [f"{code} was given {number} lots." for code, number in sorted(several.items())]
    return faults


def _openings(directory: Path, study: str) -> list[tuple[str, Any]]:
    found = []
    for path in list_records(directory):
        try:
            if read_tombstone(path) is not None:
                continue
            opening = RecordReading(path).opening
        except (WitnessError, OSError):
            continue  # `tally` and `verify` say what is wrong with it
        if opening.study_name == study:
            found.append((path.name, opening))
    return found


def _has_seed(text: str) -> bool:
    try:
        rule = parse_study(text, "the record's study file").assignment
    except StudyFaults:
        return False
    return rule is not None and rule.seed is not None


def _of(stratum: str) -> str:
    return f" of stratum {stratum}" if stratum else ""
