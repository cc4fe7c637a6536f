"""Erasing a record whose participant withdrew consent: until nothing is left, with a receipt of what was searched.

In this order, so that it can be cut short anywhere and taken up again: what is to be kept is written, then the
tombstone, from which on nobody reads the record; the caches, which hold what was measured; the other places; the
record's own files; what names the other places, once none is left. Bytes are overwritten with zeros before their file
is removed; copies elsewhere, and blocks that a copy-on-write file system or a flash disk keeps, are beyond its reach.
"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from monitor.errors import RecordUnreadable, WitnessError
from monitor.record.bytes.parts import looks_like_part
from monitor.record.clock import SYSTEM_CLOCK, Clock
from monitor.record.disk import (
    DISK,
    DiskCalls,
    RecordNotWritable,
    lock_record,
    read_small,
    write_file,
    write_whole,
)
from monitor.record.entries import EntryKind, unpack_map, unpack_opening
from monitor.record.places import (
    SEALED_NAME,
    SECOND_NAME,
    STAMP_NAME,
    TOMBSTONE_NAME,
    Place,
    code_in_name,
    find_parts,
    is_same_directory,
    list_records,
    look_at_places,
    read_part_header,
    record_id_of,
)
from monitor.record.placing import close_quietly, reason
from monitor.record.reader import RecordFiles, RecordReading
from monitor.record.sources import find_opening
from monitor.record.stamping import leave_empty_places
from monitor.record.tombstone import ADVERSE_NAME, left_of, read_tombstone

PIECE = 1 << 20
MOST_DEPTH = 32
MOST_EVENTS_BYTES = 1 << 24

Scope = Literal["all", "analysed"]
"""`all`: everything. `analysed`: all but adverse events, where the approved protocol says that those are kept."""

OF_SAFETY_TYPES = ("comfort", "stop", "adverse", "symptoms")
OF_SAFETY_MARKS = ("unwell", "emergency-stop")
"""Types of operator's entries, and codes of marks, that tell how the participant was."""


@dataclass(slots=True)
class Searched:
    """One place that was searched."""

    place: str
    result: Literal["erased", "unreachable", "not ours"] = "erased"
    files: int = 0
    bytes: int = 0
    why: str = ""
    left: list[str] = field(default_factory=list)
    """What could not be erased, a sentence each."""
    remarks: list[str] = field(default_factory=list)
    """What was met there and is not this record's, a sentence each."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a withdrawal came to."""

    record: str
    tombstone: dict[str, Any]
    searched: tuple[Searched, ...]
    kept: int
    """Adverse events kept, by the protocol."""
    others: tuple[str, ...]
    """A sentence for each other record of the participant beside this one, and each that may be."""
    left: tuple[str, ...]
    """What is still to be erased: run it again."""

    @property
    def finished(self) -> bool:
        """Whether nothing is left that this program knows of."""
        return not self.left

    def as_json(self) -> dict[str, Any]:
        """For programs: the same, as plain values."""
        searched = [{name: getattr(one, name) for name in Searched.__slots__} for one in self.searched]
        return {
            "record": self.record,
            **self.tombstone,
            "finished": self.finished,
            "searched": searched,
            "kept": self.kept,
            "others": list(self.others),
            "left": list(self.left),
            "for_the_facility": list(FOR_THE_FACILITY),
        }

    def sentences(self) -> list[str]:
        """For people: the result, each place, then what is the facility's task."""
        said = [f"{self.record}: erased; a tombstone with the digest, the date and who is left."]
        if not self.finished:
            said = [f"{self.record}: NOT FINISHED, run it once more. Left: {', '.join(self.left)}"]
        if self.kept:
            said.append(f"Kept in {ADVERSE_NAME}, as the protocol says: {self.kept} of stops, adverse events, ratings.")
        for one in self.searched:
            files = "1 file" if one.files == 1 else f"{one.files} files"
            what = f"erased, {files}, {one.bytes} bytes" if one.result == "erased" else one.result
            said.append(f"  searched {one.place}: {what}. {one.why}".rstrip())
            said += [f"    {sentence}" for sentence in (*one.left, *one.remarks)]
        return [*said, *self.others, *FOR_THE_FACILITY]


FOR_THE_FACILITY = (
    "Not searched, and the facility's task: exports and tables made from this record, close-out and study reports, "
    "pictures, copies and backups of the directory, sheets of paper, the list of codes.",
)


def withdraw_record(
    path: Path, who: str, scope: Scope | None = None, *, clock: Clock = SYSTEM_CLOCK, disk: DiskCalls = DISK
) -> Receipt:
    """Erases a record and leaves a tombstone. May be called again, from any state, until nothing is left.

    Without a `scope` a record is refused that holds adverse events, or may: what becomes of those is not decided here.
    Raises `RecordUnreadable` for what is no record, `RecordBusy`, `RecordNotWritable` before anything was erased.
    """
    try:
        if not path.is_dir():
            raise RecordUnreadable(f"{path} is no record's directory.")
        lock = lock_record(disk, path)
    except OSError as error:
        raise RecordNotWritable(f"{path} is not withdrawn: {reason(error)}; nothing was erased, try again.") from error
    try:
        return _withdraw(path, who, scope, clock, disk)
    except OSError as error:
        raise RecordNotWritable(f"{path} is not withdrawn yet: {reason(error)}; run it once more.") from error
    finally:
        close_quietly(disk, lock)


def _withdraw(path: Path, who: str, scope: Scope | None, clock: Clock, disk: DiskCalls) -> Receipt:
    participant = participant_of(path)
    tombstone = _standing_tombstone(path)
    try:
        if tombstone is None:
            tombstone = _begin(path, who, scope, clock, disk)
        elif scope == "all" and tombstone.get("scope") == "analysed":
            tombstone = _entomb(path, tombstone | {"scope": "all"}, disk)
    except OSError as error:
        raise RecordNotWritable(f"{path} is not withdrawn: {reason(error)}; nothing was erased, try again.") from error
    others = other_records(path, participant, record_id_of(path))
    own = Searched(str(path))
    for name in sorted(os.listdir(path)):
        if ".cache" in name:
            _erase(path / name, own, disk)
    elsewhere = [_search(place, path, disk) for place in look_at_places(path)[1:]]
    pending = [str(place) for place in leave_empty_places(path, disk)]
    kept = {TOMBSTONE_NAME, *([ADVERSE_NAME] if tombstone.get("scope") == "analysed" else [])}
    record_id = record_id_of(path)
    for name in sorted(os.listdir(path)):
        header = read_part_header(path / name) if looks_like_part(name) else None
        if header is not None and record_id is not None and header.record_id != record_id:
            own.left.append(f"{path / name} is a part of another record: move it to where it belongs.")
        elif name not in kept and name != SECOND_NAME:
            _erase(path / name, own, disk, record_id)
    try:
        if tombstone.get("pending", []) != pending:
            tombstone = _entomb(path, tombstone | {"pending": pending}, disk)
        if not pending and not own.left and (path / SECOND_NAME).exists():
            _erase(path / SECOND_NAME, own, disk)
        disk.sync_directory(path)
    except OSError as error:
        own.left.append(f"{path}: {reason(error)}.")
    left = [*left_of(path, tombstone), *own.left, *(one for searched in elsewhere for one in searched.left)]
    kept_events = len(_kept_events(path)) if tombstone.get("scope") == "analysed" else 0
    return Receipt(str(path), tombstone, (own, *elsewhere), kept_events, tuple(others), tuple(dict.fromkeys(left)))


def participant_of(path: Path) -> str | None:
    """The participant's code: from the opening, else from the directory's name; None where neither has it."""
    try:
        return RecordReading(path).opening.participant
    except RecordUnreadable:
        return code_in_name(path)


def other_records(path: Path, participant: str | None, record_id: bytes | None) -> list[str]:
    """A sentence for each record beside this one that is the participant's, a copy of this one, or may be either."""
    said = []
    for other in list_records(path.absolute().parent):
        if is_same_directory(other, path):
            continue
        try:
            if read_tombstone(other) is not None:
                continue
        except WitnessError:
            pass  # what cannot be read is told below
        whose = participant_of(other)
        if whose is None:
            said.append(f"{other} cannot be read and may be this participant's; look at it.")
            continue
        if record_id is not None and _id_of(other) == record_id:
            said.append(f"{other} is a copy of this record; withdraw it, too.")
        elif whose == participant:
            said.append(f"{other} is another record of this participant; withdraw it, too, where that is meant.")
    return said


def _id_of(path: Path) -> bytes | None:
    try:
        return record_id_of(path)
    except RecordUnreadable:
        return None


def _standing_tombstone(path: Path) -> dict[str, Any] | None:
    """The tombstone that stands there; None for none, and for one that says nothing, which is written anew."""
    try:
        return read_tombstone(path)
    except RecordUnreadable:
        if not os.path.isfile(path / TOMBSTONE_NAME):
            raise
        return None


def _begin(path: Path, who: str, scope: Scope | None, clock: Clock, disk: DiskCalls) -> dict[str, Any]:
    """Looks at the record, keeps what is to be kept, writes the tombstone."""
    digest, entries, missing, events = None, None, [], None
    planned: dict[str, str | None] = {"study": None, "group": None}
    has_files = bool(find_parts(path)) or (path / SEALED_NAME).exists()
    try:
        files = RecordFiles(path, disk, withdrawn_too=True)
        digest, entries = files.digest, files.last_number
        planned = _planned(files)
        numbers = {source.number for source in files.sources}
        missing = sorted(set(range(1, min(max(numbers), 1000))) - numbers)
        events = _adverse_events(files)
        if any(one.lost != 0 for one in files.damage):
            events = events or None
    except RecordUnreadable:
        if not has_files and not (path / TOMBSTONE_NAME).exists():
            raise
    if scope is None and events != []:
        found = "may hold adverse events, because it cannot be read" if events is None else _counted(events)
        raise WitnessError(
            f"{path} {found}. Whether those are erased is decided by the approved protocol and not here: say "
            "--scope all (erase everything) or --scope analysed (keep adverse events). Nothing was erased."
        )
    record_id = record_id_of(path)
    if scope == "analysed":
        write_file(path / ADVERSE_NAME, json.dumps(events or [], ensure_ascii=False).encode(), disk)
    date = datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC).isoformat(timespec="seconds")
    fields = {"withdrawn_at": date, "by": who, "digest": digest, "entries": entries, "missing_parts": missing}
    more: dict[str, Any] = {"record": record_id.hex() if record_id else None, "scope": scope or "all", "pending": []}
    return _entomb(path, fields | planned | more, disk)


def _planned(files: RecordFiles) -> dict[str, str | None]:
    """Study and group as planned, so that who withdrew is still counted in the flow of participants."""
    found = find_opening(files.sources)
    try:
        opening = None if found is None else unpack_opening(found[0].payload)
    except RecordUnreadable:
        opening = None
    return {"study": opening.study_name if opening else None, "group": opening.group if opening else None}


def _entomb(path: Path, fields: dict[str, Any], disk: DiskCalls) -> dict[str, Any]:
    write_file(path / TOMBSTONE_NAME, json.dumps(fields, ensure_ascii=False).encode(), disk)
    return fields


def _adverse_events(files: RecordFiles) -> list[dict[str, Any]]:
    """What was entered of how the participant was: as it was entered, but for the keys."""
    found = []
    for block in files.blocks():
        for entry in block:
            if entry.kind != EntryKind.OPERATOR:
                continue
            try:
                fields = unpack_map(entry.payload)
            except RecordUnreadable:
                continue
            if fields.get("type") in OF_SAFETY_TYPES or fields.get("code") in OF_SAFETY_MARKS:
                found.append({name: value for name, value in fields.items() if name != "key"})
    return [json.loads(json.dumps(one, default=str)) for one in found]


def _counted(events: list[dict[str, Any]]) -> str:
    noun = "adverse event" if len(events) == 1 else "adverse events"
    return f"holds {len(events)} {noun}, comfort ratings or questionnaires"


def _kept_events(path: Path) -> list[Any]:
    try:
        kept = json.loads(read_small(path / ADVERSE_NAME, MOST_EVENTS_BYTES))
    except (OSError, ValueError, RecursionError):
        return []
    return kept if isinstance(kept, list) else []


def _search(place: Place, path: Path, disk: DiskCalls) -> Searched:
    """Erases what another place has of the record."""
    found = Searched(str(place.path), why=place.why)
    if place.standing in ("unreachable", "unclear"):
        found.result = "unreachable"
        return found
    if place.standing != "second":
        found.result = "erased" if place.standing == "empty" else "not ours"
        return found
    record_id = place.stamp.record_id if place.stamp is not None else record_id_of(path)
    for name in place.names:
        if not looks_like_part(name):
            if name != STAMP_NAME:
                found.remarks.append(f"{place.path / name} is not the record's, and stays.")
            continue
        header = read_part_header(place.path / name)
        if header is not None and record_id is not None and header.record_id != record_id:
            found.remarks.append(f"{place.path / name} is of another record, and stays.")
            continue
        _erase(place.path / name, found, disk, record_id)
    try:
        disk.sync_directory(place.path)
    except OSError as error:
        found.left.append(f"{place.path}: {reason(error)}.")
    return found


def _erase(file: Path, found: Searched, disk: DiskCalls, record_id: bytes | None = None, depth: int = 0) -> None:
    """Erases a file or a directory of the record's; what cannot be is told, and keeps nothing else from it."""
    try:
        state = os.lstat(file)
        if stat.S_ISDIR(state.st_mode):
            if depth < MOST_DEPTH:
                for name in sorted(os.listdir(file)):
                    _erase(file / name, found, disk, record_id, depth + 1)
            disk.remove_directory(file)
            return
        if stat.S_ISLNK(state.st_mode):
            _erase_what_is_linked(file, found, disk, record_id)
        elif stat.S_ISREG(state.st_mode):
            found.files, found.bytes = found.files + 1, found.bytes + state.st_size
            if state.st_nlink == 1 or _holds(file, record_id):
                _overwrite(file, state.st_size, found, disk)
            else:
                found.remarks.append(f"{file} has another name elsewhere, whose content stays.")
        disk.unlink(file)
    except FileNotFoundError:
        pass
    except OSError as error:
        found.left.append(f"{file}: {reason(error)}.")


def _erase_what_is_linked(link: Path, found: Searched, disk: DiskCalls, record_id: bytes | None) -> None:
    target = Path(os.path.realpath(link))
    if looks_like_part(link.name) and _holds(target, record_id) and target.parent != link.parent:
        _erase(target, found, disk, record_id)
    else:
        found.remarks.append(f"{link} was a link; what it points to, {target}, is not known as the record's and stays.")


def _holds(file: Path, record_id: bytes | None) -> bool:
    """Whether a file is a part of the record itself, wherever it lies."""
    header = read_part_header(file)
    return header is not None and record_id is not None and header.record_id == record_id


def _overwrite(file: Path, size: int, found: Searched, disk: DiskCalls) -> None:
    try:
        descriptor = disk.open(file, os.O_WRONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        found.remarks.append(f"{file} could not be overwritten before it was removed ({reason(error)}).")
        return
    try:
        left = size
        while left > 0:
            write_whole(disk, descriptor, bytes(min(left, PIECE)))
            left -= PIECE
        disk.datasync(descriptor)
    except OSError as error:
        found.remarks.append(f"{file} could not be overwritten before it was removed ({reason(error)}).")
    finally:
        close_quietly(disk, descriptor)
