"""Who comes into which group: permuted blocks that anybody can compute again, or a list from a file.

The proposal for the next participant is a function of the study file and of the runs so far, and of nothing else; the
order to come is never shown. Permuted blocks of varied sizes, and strata with blocks of their own, follow the
principles of ICH E9 and CONSORT (from memory).
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from monitor.errors import WitnessError
from monitor.study.model import AssignmentRule, Study
from monitor.tables.faults import closest, listed, quoted

LARGEST_LIST_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Placed:
    """A participant who has had a group already, in the order of the runs. `lost`: the trial has to be replaced."""

    participant: str
    group: str
    lost: bool = False
    stratum: str | None = None


@dataclass(frozen=True, slots=True)
class Proposal:
    """The group for a participant and one sentence on why; no group where the study file leaves it to the operator."""

    group: str | None
    why: str


def propose_group(
    study: Study,
    participant: str,
    earlier: Sequence[Placed],
    *,
    stratum: str | None = None,
    allocation: dict[str, str] | None = None,
) -> Proposal:
    """The group that the participant is due, after those of `earlier`.

    `allocation` is the list of `read_allocation`, for a study whose method is "list". Raises `WitnessError` where the
    code does not fit the study's pattern, the stratum is not one of the study's, or the list lacks the participant.
    """
    check_code(study, participant)
    for placed in earlier:
        if placed.participant == participant:
            return Proposal(placed.group, f"{participant} has been in group {placed.group} before.")
    rule = study.assignment
    if rule is None:
        return Proposal(None, "The study file has no [assignment]; the operator names the group.")
    if rule.method == "list":
        group = (allocation or {}).get(participant)
        if group is None:
            raise WitnessError(f"The allocation list {rule.file} has no participant {participant}; add the line to it.")
        return Proposal(group, f"The allocation list {rule.file} says so.")
    stratum = _check_stratum(rule, stratum)
    return Proposal(due_group(study, earlier, stratum), "It is the next group of the permuted blocks.")


def check_code(study: Study, participant: str) -> None:
    """Raises `WitnessError` where a participant code does not fit the study's pattern: it might be a name."""
    if not re.fullmatch(study.participant_pattern, participant):
        raise WitnessError(
            f"The participant code {quoted(participant)} does not fit this study's pattern "
            f"{study.participant_pattern}; use a code, never a name."
        )


def permuted_blocks(
    rule: AssignmentRule, groups: Sequence[str], stratum: str | None = None
) -> Iterator[tuple[str, ...]]:
    """The blocks of a stratum, one after the other and without end; in each, all groups occur equally often.

    The order of `groups` does not matter. Each block is drawn from its own stream, so that none depends on another.
    """
    names = sorted(groups)
    for block in count(1):
        draws = _Draws(f"{rule.seed}/{stratum or ''}/{block}")
        size = rule.block_sizes[draws.below(len(rule.block_sizes))]
        order = names * (size // len(names))
        for last in range(len(order) - 1, 0, -1):  # Fisher and Yates
            other = draws.below(last + 1)
            order[last], order[other] = order[other], order[last]
        yield tuple(order)


def read_allocation(study: Study, path: Path) -> dict[str, str]:
    """Participant → group of a CSV file with the columns `participant` and `group`; further columns are not read.

    Raises `WitnessError` with one sentence for each wrong line: all of them at once.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_LIST_BYTES + 1)
        if len(raw) > LARGEST_LIST_BYTES:
            raise WitnessError(f"{path}: the allocation list is larger than 1 MiB.")
        rows = csv.reader(io.StringIO(raw.decode("utf-8-sig"), newline=""), strict=True)
        lines = [(rows.line_num, [cell.strip() for cell in row]) for row in rows if any(cell.strip() for cell in row)]
    except OSError as error:
        raise WitnessError(f"{path}: the allocation list cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise WitnessError(f"{path}: the allocation list is not UTF-8 text; save it as UTF-8.") from error
    except csv.Error as error:
        raise WitnessError(f"{path}: line {rows.line_num} of the allocation list is not CSV ({error}).") from error
    heading = [name.lower() for name in lines[0][1]] if lines else []
    absent = [name for name in ("participant", "group") if name not in heading]
    if absent:
        raise WitnessError(
            f"{path}: the allocation list needs the columns participant and group, separated by commas; "
            f"its first line lacks {listed(absent, 'and')}."
        )
    code_at, group_at = heading.index("participant"), heading.index("group")
    groups: dict[str, str] = {}
    first_line: dict[str, int] = {}
    faults = []
    for line, cells in lines[1:]:
        if len(cells) <= max(code_at, group_at):
            faults.append(f"line {line}: a cell is missing.")
            continue
        code, group = cells[code_at], cells[group_at]
        if not re.fullmatch(study.participant_pattern, code):
            faults.append(f"line {line}: {quoted(code)} does not fit the pattern {study.participant_pattern}.")
        if group not in study.groups:
            meant = closest(group, study.groups)
            hint = f"; did you mean {quoted(meant)}?" if meant else "."
            faults.append(f"line {line}: the study has no group {quoted(group)}{hint}")
        if code in first_line:
            faults.append(f"line {line}: {quoted(code)} stands in line {first_line[code]} already.")
        first_line.setdefault(code, line)
        groups.setdefault(code, group)
    if faults:
        raise WitnessError("\n".join([f"{path}: the allocation list has faults", *(f"  {fault}" for fault in faults)]))
    return groups


def due_group(study: Study, earlier: Sequence[Placed], stratum: str | None = None) -> str | None:
    """The next group of the permuted blocks, whoever comes; None where the study's method is another one."""
    rule = study.assignment
    if rule is None or rule.method != "blocks":
        return None
    blocks = permuted_blocks(rule, tuple(study.groups), stratum)
    ahead: Counter[str] = Counter()
    due: list[str] = []
    for placed in earlier:
        if rule.strata and placed.stratum != stratum:
            continue
        while not due:
            due = _less(next(blocks), ahead)
        # A group that was not the next one (the operator chose otherwise) uses up its own place in the block, and
        # where there is none left, one of a block to come: else it would be proposed again and again.
        if placed.group in due:
            due.remove(placed.group)
        else:
            ahead[placed.group] += 1
        if placed.lost and study.replacement == "same group next":
            due.insert(0, placed.group)
        elif placed.lost and study.replacement == "end of block":
            due.append(placed.group)
    complete = _complete(study, earlier)
    if len(complete) == len(study.groups):
        complete = set()
    while True:
        for group in due:
            if group not in complete:
                return group
        due = _less(next(blocks), ahead)


def _complete(study: Study, earlier: Sequence[Placed]) -> set[str]:
    """Groups that have as many trials that are not lost as were planned: none of their places is given any more."""
    if study.planned_counts == "trials" and any(trigger.comes_often for trigger in study.triggers):
        return set()  # a participant gives many trials, so that the number of these says nothing of the trials
    kept = Counter(placed.group for placed in earlier if not placed.lost)
    return {name for name, group in study.groups.items() if group.planned is not None and kept[name] >= group.planned}


def _less(block: Sequence[str], ahead: Counter[str]) -> list[str]:
    """A new block without the places that were taken ahead of it, which are thereby made up for."""
    left = []
    for group in block:
        if ahead[group] > 0:
            ahead[group] -= 1
        else:
            left.append(group)
    return left


def _check_stratum(rule: AssignmentRule, stratum: str | None) -> str | None:
    if not rule.strata:
        return None
    if stratum not in rule.strata:
        said = "no stratum was given" if stratum is None else f"there is no stratum {quoted(stratum)}"
        raise WitnessError(
            f"The study assigns groups by stratum and {said}; the strata are {listed(rule.strata, 'and')}."
        )
    return stratum


class _Draws:
    """Whole numbers from a seed text by SHA-256: the same on every machine and with every version of Python."""

    def __init__(self, seed: str) -> None:
        self._seed = seed
        self._drawn = 0

    def below(self, limit: int) -> int:
        """A number from 0 to limit − 1, all equally likely (values of the uneven rest are thrown away)."""
        while True:
            digest = hashlib.sha256(f"{self._seed}/{self._drawn}".encode()).digest()
            self._drawn += 1
            value = int.from_bytes(digest[:8], "big")
            if value < 2**64 - 2**64 % limit:
                return value % limit
