"""Two coders over a directory of records: the table, kappa with its interval, and what is to be adjudicated."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from monitor.archive.gathering import count
from monitor.errors import WitnessError
from monitor.judging.entered.coding import Coding, codings_of
from monitor.judging.entered.operator import VERDICTS
from monitor.record.addendum import read_addendum
from monitor.record.places import is_emptied, leads_nowhere
from monitor.record.reader import list_records
from monitor.record.tombstone import read_tombstone
from monitor.reports.drawing import columns, wrapped
from monitor.reports.statistics.agreement import Agreement, cohens_kappa


@dataclass(frozen=True, slots=True)
class CodedTrial:
    """A trial that somebody coded. `ruling`: what was ruled after closing, which adjudicates it; None for nothing."""

    record: str
    trial: str
    codings: dict[str, Coding]
    ruling: str | None

    @property
    def differs(self) -> bool:
        """Whether two coders said different things."""
        return len({one.verdict for one in self.codings.values()}) > 1


@dataclass(frozen=True, slots=True)
class PairAgreement:
    """Two coders over the trials that both coded."""

    first: str
    second: str
    table: tuple[tuple[int, ...], ...]
    """Counts: rows by the first coder's verdict, columns by the second's, in the order of `VERDICTS`."""
    agreement: Agreement


def coded_trials(directory: Path) -> tuple[list[CodedTrial], list[str]]:
    """Every coded trial of a directory, by record and trial; and records that could not be read, a sentence each."""
    found: list[CodedTrial] = []
    unread: list[str] = []
    for path in list_records(directory):
        if is_emptied(path) or leads_nowhere(path):
            why = "nothing of a record is left in it" if is_emptied(path) else "it is a link to what is not there"
            unread.append(f"{path.name} cannot be read: {why}.")
            continue
        try:
            if read_tombstone(path) is not None:
                continue
            entries = read_addendum(path)
        except (WitnessError, OSError) as error:
            unread.append(f"{path.name} cannot be read: {' '.join(str(error).split())}")
            continue
        ruled = {str(one.get("trial")): str(one.get("verdict")) for one in entries if one.get("type") == "ruling"}
        for trial, codings in sorted(codings_of(entries).items()):
            found.append(CodedTrial(path.name, trial, codings, ruled.get(trial)))
    return found, unread


def agree(trials: Iterable[CodedTrial]) -> tuple[PairAgreement, ...]:
    """Each pair of coders, by name, that has a trial in common."""
    trials = list(trials)
    coders = sorted({by for one in trials for by in one.codings})
    pairs = []
    for first, second in combinations(coders, 2):
        both = [one.codings for one in trials if first in one.codings and second in one.codings]
        if not both:
            continue
        table = np.zeros((len(VERDICTS), len(VERDICTS)))
        for said in both:
            table[VERDICTS.index(said[first].verdict), VERDICTS.index(said[second].verdict)] += 1
        counts = tuple(tuple(int(cell) for cell in row) for row in table)
        pairs.append(PairAgreement(first, second, counts, cohens_kappa(table)))
    return tuple(pairs)


def agreement_json(directory: Path) -> dict[str, Any]:
    """The JSON document of the command. Of two coders the pair's figures stand at the top, too."""
    trials, unread = coded_trials(directory)
    pairs = [_pair_json(one) for one in agree(trials)]
    return {
        "directory": str(directory),
        "coders": sorted({by for one in trials for by in one.codings}),
        "verdicts": list(VERDICTS),
        **(pairs[0] if len(pairs) == 1 else {}),
        "pairs": pairs,
        "disagreements": [_trial_json(one) for one in trials if one.differs],
        "coded_once": [_trial_json(one) for one in trials if len(one.codings) == 1],
        "unreadable": unread,
    }


def agreement_lines(directory: Path) -> list[str]:
    """The report for people, at most 80 columns wide."""
    trials, unread = coded_trials(directory)
    lines = [line for one in unread for line in wrapped(one, "! ", "  ")]
    pairs = agree(trials)
    if not pairs:
        return [*lines, f"{directory} holds no trial that two coders have coded."]
    for pair in pairs:
        lines += [*_pair_lines(pair), ""]
    differing = [one for one in trials if one.differs]
    lines.append(f"to be adjudicated: {count(sum(one.ruling is None for one in differing), 'trial')}")
    for one in differing:
        said = "; ".join(f"{by} {it.verdict}{f' ({it.reason})' if it.reason else ''}" for by, it in one.codings.items())
        open_ = f"trialwitness rule {directory / one.record} --trial {one.trial} …"
        done = f"ruled {one.ruling}" if one.ruling else open_
        lines += wrapped(f"{one.record} {one.trial}: {said}: {done}", "  ", "    ")
    once = sum(len(one.codings) == 1 for one in trials)
    if once:
        lines.append(f"coded by one coder only: {count(once, 'trial')}")
    return lines


def _pair_lines(pair: PairAgreement) -> list[str]:
    found = pair.agreement
    lines = [f"{pair.first} (rows) and {pair.second} (columns): {count(found.n, 'trial')} coded by both"]
    rows = [("", *VERDICTS)]
    rows += [(verdict, *(str(cell) for cell in row)) for verdict, row in zip(VERDICTS, pair.table, strict=True)]
    lines += columns(rows, (14, 9, 9, 11))
    if found.kappa is None:
        return [*lines, "no kappa: both used one verdict only, so that chance alone would make them agree"]
    equal = f"equal {found.observed:.0%}, by chance {found.expected:.0%}; kappa {found.kappa:.3f}"
    if found.low is None or found.high is None:
        lines += wrapped(f"{equal}, no interval: so uniform a table has no spread to tell one by")
    else:
        lines.append(f"{equal}, 95 % interval {found.low:.3f} to {found.high:.3f}")
    if found.expected is not None and found.expected > 0.8:
        lines += wrapped("One verdict was nearly always given: kappa is then low at high agreement; see the table.")
    return lines


def _pair_json(pair: PairAgreement) -> dict[str, Any]:
    found = pair.agreement
    return {
        "first": pair.first,
        "second": pair.second,
        "table": [list(row) for row in pair.table],
        "n": found.n,
        "observed": found.observed,
        "expected": found.expected,
        "kappa": found.kappa,
        "se": found.se,
        "interval": None if found.low is None else [found.low, found.high],
    }


def _trial_json(one: CodedTrial) -> dict[str, Any]:
    codings = {by: {"verdict": it.verdict, "reason": it.reason, "words": it.words} for by, it in one.codings.items()}
    return {"record": one.record, "trial": one.trial, "codings": codings, "ruling": one.ruling}
