"""Who comes into which group: participants' codes, strata, and allocation lists. Sealed lots are in `lots.py`."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.record.disk import read_small
from monitor.study.model import AssignmentRule, Study
from monitor.tables.faults import closest, listed, quoted

LARGEST_LIST_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Placed:
    """A participant who has had a group already, in the order of the runs. `lot`: as the record's opening has it."""

    participant: str
    group: str
    stratum: str | None = None
    lot: dict[str, Any] | None = None


def check_code(study: Study, participant: str) -> None:
    """Raises `WitnessError` where a participant code does not fit the study's pattern: it might be a name."""
    if not re.fullmatch(study.participant_pattern, participant):
        raise WitnessError(
            f"The participant code {quoted(participant)} does not fit this study's pattern "
            f"{study.participant_pattern}; use a code, never a name."
        )


def read_allocation(study: Study, path: Path) -> dict[str, str]:
    """Participant → group of a CSV file with the columns `participant` and `group`; further columns are not read.

    Raises `WitnessError` with one sentence for each wrong line: all of them at once.
    """
    try:
        raw = read_small(path, LARGEST_LIST_BYTES)
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


def check_stratum(rule: AssignmentRule, stratum: str | None) -> str:
    """The stratum's name, empty for a study without strata. Raises `WitnessError` where one is needed and not given."""
    if not rule.strata:
        return ""
    if stratum not in rule.strata:
        said = "no stratum was given" if stratum is None else f"there is no stratum {quoted(stratum)}"
        raise WitnessError(
            f"The study assigns groups by stratum and {said}; the strata are {listed(rule.strata, 'and')}."
        )
    return stratum
