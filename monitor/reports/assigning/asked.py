"""Who was invited and never came to a lot: no-shows, and who was not taken by the study's rule.

`asked.jsonl` in the directory of records, one line each, chained as the look file is, with `when` and `by`:

| key | is |
| --- | --- |
| `no_show` | {`study`}: somebody was invited and did not come |
| `excluded` | {`study`, `reason`, `words` of [assignment.excluded], `records`: ids of the person's records, if any} |
| `taken_back` | {`number`, `words`}: the line with this number was a mistake |

It has no participant's code: records are named by their random ids, so that a withdrawal leaves nothing here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from monitor.archive.chained_lines import alone, chain_fault, entries
from monitor.archive.gathering import StudyRuns, Withdrawn
from monitor.errors import WitnessError
from monitor.named_files import make_directory

ASKED_NAME = "asked.jsonl"
SO = "so it is not in the flow of participants"


@dataclass(frozen=True, slots=True)
class Exclusion:
    """Why somebody is not taken: one of the study's reasons, in words, and the ids of the person's records, if any."""

    reason: str
    words: str
    records: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotTaken:
    """An exclusion that stands. `number` is that of its line, counted from 1."""

    number: int
    exclusion: Exclusion
    when: str
    by: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What stands in the file for one study."""

    no_shows: int
    not_taken: tuple[NotTaken, ...]

    @property
    def any(self) -> bool:
        """Whether anything was entered."""
        return bool(self.no_shows or self.not_taken)

    @property
    def by_words(self) -> dict[str, int]:
        """Reason in words → people, the most frequent first."""
        return dict(Counter(one.exclusion.words for one in self.not_taken).most_common())

    def of_records(self, ids: set[str]) -> NotTaken | None:
        """The exclusion of whoever has one of these records."""
        return next((one for one in self.not_taken if ids.intersection(one.exclusion.records)), None)

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        reasons = Counter(one.exclusion.reason for one in self.not_taken)
        return {"no_shows": self.no_shows, "excluded": dict(reasons.most_common())}


def asked_of(directory: Path, study: str | None) -> Asked:
    """What was entered for a study; of all studies where that is None."""
    return _asked(entries(directory, ASKED_NAME), study)


def _asked(lines: Sequence[Mapping[str, Any]], study: str | None) -> Asked:
    back = set(_taken_back(lines))
    no_shows, not_taken = 0, []
    for number, line in enumerate(lines, start=1):
        if number in back:
            continue
        no_show, excluded = line.get("no_show"), line.get("excluded")
        if isinstance(no_show, dict) and study in (None, no_show.get("study")):
            no_shows += 1
        if isinstance(excluded, dict) and study in (None, excluded.get("study")):
            ids = tuple(map(str, excluded.get("records") or ()))
            reason = str(excluded.get("reason"))
            words = str(excluded.get("words") or reason)
            not_taken.append(
                NotTaken(number, Exclusion(reason, words, ids), str(line.get("when")), str(line.get("by")))
            )
    return Asked(no_shows, tuple(not_taken))


def _taken_back(lines: Sequence[Mapping[str, Any]]) -> Iterator[object]:
    for line in lines:
        if isinstance(back := line.get("taken_back"), dict):
            yield back.get("number")


def enter_no_show(directory: Path, study: str, by: str) -> int:
    """Enters one, on disk on return. Gives the line's number. Raises `WitnessError` where it cannot be entered."""
    make_directory(directory)
    with alone(directory, ASKED_NAME, SO) as file:
        file.enter(by, {"no_show": {"study": study}})
        return len(file.entries)


def enter_not_taken(directory: Path, study: str, by: str, exclusion: Exclusion) -> int:
    """Enters an exclusion before a lot; it is on disk on return. Gives the line's number. Raises `WitnessError` where
    the person was entered as not taken already: everybody stands once in the flow of participants."""
    make_directory(directory)
    with alone(directory, ASKED_NAME, SO) as file:
        before = _asked(file.entries, study).of_records(set(exclusion.records))
        if before is not None:
            raise WitnessError(f"The participant was entered as not taken already (number {before.number}).")
        file.enter(by, {"excluded": {"study": study, **asdict(exclusion)}})
        return len(file.entries)


def take_back(directory: Path, number: int, by: str, words: str) -> None:
    """Takes a line back, which stays. Raises `WitnessError` for one that is no no-show or exclusion, or was taken back
    already."""
    if not (directory / ASKED_NAME).exists():
        raise WitnessError(f"{directory / ASKED_NAME} has no no-show or exclusion number {number}.")
    with alone(directory, ASKED_NAME, "so it still stands") as file:
        lines = file.entries
        line = lines[number - 1] if 1 <= number <= len(lines) else {}
        if not {"no_show", "excluded"} & line.keys():
            raise WitnessError(f"{directory / ASKED_NAME} has no no-show or exclusion number {number}.")
        if number in _taken_back(lines):
            raise WitnessError(f"Number {number} was taken back already.")
        file.enter(by, {"taken_back": {"number": number, "words": words}})


@dataclass(frozen=True, slots=True)
class BeforeLot:
    """Who was invited and has no lot. `waiting`: came to a session and is not decided on; `withdrew`: before a lot."""

    no_shows: int
    not_taken: dict[str, int]
    """Reason in words → people."""
    waiting: int
    withdrew: int
    fault: str | None = None
    """What is wrong with the file, in one sentence."""

    @property
    def all(self) -> int:
        """Everybody without a lot."""
        return self.no_shows + sum(self.not_taken.values()) + self.waiting + self.withdrew

    def as_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "no_shows": self.no_shows,
            "excluded": self.not_taken,
            "waiting": self.waiting,
            "withdrew": self.withdrew,
            "fault": self.fault,
        }


def before_lot(directory: Path, one: StudyRuns, withdrawn: Sequence[Withdrawn]) -> BeforeLot | None:
    """Who has no lot in a study that opens one only after steps of its run sheet; None for another study of which
    nothing was entered either."""
    asked = asked_of(directory, one.name)
    if not (one.study.lot_waits or asked.any):
        return None
    records: dict[str, set[str]] = {}
    for run in one.runs:
        records.setdefault(run.participant, set()).add(run.record_id)
    given = {run.participant for run in one.runs if not run.before_lot}
    waiting = [ids for code, ids in records.items() if code not in given and asked.of_records(ids) is None]
    fault = chain_fault(directory / ASKED_NAME)
    return BeforeLot(asked.no_shows, asked.by_words, len(waiting), len(_withdrew(one, withdrawn, asked)), fault)


def _withdrew(one: StudyRuns, withdrawn: Sequence[Withdrawn], asked: Asked) -> set[str]:
    """Who withdrew before a lot. A withdrawn run before it of somebody who had one later, or was not taken, is none."""
    if not one.study.lot_waits:
        return set()
    gone = [each for each in withdrawn if each.group is None]
    not_taken = {each.record for each in gone if each.record_id and asked.of_records({each.record_id}) is not None}
    counted = {run.participant for run in one.runs}
    counted |= {each.whose for each in withdrawn if each.group is not None or each.record in not_taken}
    return {each.whose for each in gone} - counted
