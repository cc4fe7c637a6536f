"""Checking all of a record: every checksum, the chain, the order, the closing digest, the addendum."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from monitor.record.addendum import is_code, load_addendum
from monitor.record.disk import DISK, DiskCalls, is_being_written
from monitor.record.entries import Entry, EntryKind, unpack_map
from monitor.record.places import (
    SEALED_NAME,
    doubled_parts,
    look_at_places,
    missing_parts,
    parts_in,
    stray_parts,
)
from monitor.record.reader import RecordFiles, State
from monitor.record.walking import Damage

CANNOT_SHOW = (
    "Whether rulings, or the end of the record, were taken away, or all of it was written anew, only a digest or code "
    "shows that was noted elsewhere: verify RECORD --digest CODE"
)


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found in a record."""

    record: str
    state: State
    digest: str
    """Digest of the last entry (hex): the closing digest of a closed record."""
    entries: int
    """Whole entries, each counted once."""
    lost: int
    """Entries known to be lost."""
    parts: int
    bytes: int
    damage: tuple[Damage, ...]
    faults: tuple[str, ...]
    """Further faults, one sentence each."""
    notes: tuple[str, ...]
    """What is worth knowing and no fault, one sentence each."""
    addendum: int
    """Entries made after closing."""
    rulings: int
    """Those of them that are rulings."""
    code: str | None
    """What covers the record and all of them; None where there are none. To be noted elsewhere."""
    cannot_show: str | None
    """What was not found out, and by what it could be; None where a noted digest was given."""

    @property
    def ok(self) -> bool:
        """Whether the record is closed and nothing is wrong with it."""
        return not self.damage and not self.faults

    def sentences(self) -> list[str]:
        """For people: the result first, then each fault, then the notes."""
        whole = "1 whole entry" if self.entries == 1 else f"{self.entries} whole entries"
        lost = f", {self.lost} lost" if self.lost else ""
        result = "nothing is wrong" if self.ok else "FAULTS were found"
        first = f"{self.record}: {result}; {self.state}, {whole}{lost}, digest {self.digest}."
        after = []
        if self.code is not None:
            others = self.addendum - self.rulings
            more = f" and {others} other {'entry' if others == 1 else 'entries'}" if others else ""
            rulings = "1 ruling" if self.rulings == 1 else f"{self.rulings} rulings"
            after = [f"After closing: {rulings}{more}; the code that covers all of it is {self.code}"]
        return [
            first,
            *after,
            *(damage.what for damage in self.damage),
            *self.faults,
            *self.notes,
            *filter(None, [self.cannot_show]),
        ]

    def as_json(self) -> dict[str, Any]:
        """For programs: the same, as plain values."""
        fields = asdict(self)
        return fields | {"ok": self.ok, "damage": [asdict(damage) for damage in self.damage]}


def verify_record(path: Path, noted_digest: str | None = None, disk: DiskCalls = DISK) -> Verification:
    """Reads all of a record; raises `RecordUnreadable` only where there is none.

    `noted_digest` is the closing digest as it was written down elsewhere (hex; the first 8 digits or more), or the code
    that `rule` printed: the one thing that shows a record or its rulings that were cut short, or written anew as a
    whole, by someone who has this program.
    """
    files = RecordFiles(path, disk)
    faults: list[str] = []
    notes: list[str] = []
    count, final = 0, None
    for block in files.blocks():
        count += len(block)
        final = block[-1]
    _check_close(path, files, final, faults, notes)
    added = load_addendum(path, bytes.fromhex(files.digest), disk)
    faults += added.faults()
    if noted_digest is not None and is_code(noted_digest):
        faults += added.compared_with(noted_digest)
    elif noted_digest is not None and not _same_digest(files.digest, noted_digest):
        faults.append(f"The digest is {files.digest}, and {noted_digest} was noted: this is not the record as it was.")
    for part, torn in files.torn:
        notes.append(f"Part {part}, byte {torn.offset}, {torn.length} bytes: {torn.what}; it was never acknowledged.")
    _check_places(path, files, faults, notes)
    damage = tuple(files.damage)
    return Verification(
        record=str(path),
        state=files.state,
        digest=files.digest,
        entries=count,
        lost=sum(each.lost or 0 for each in damage),
        parts=len(files.sources),
        bytes=sum(source.extent() for source in files.sources),
        damage=damage,
        faults=tuple(faults),
        notes=tuple(notes),
        addendum=len(added.entries),
        rulings=added.rulings,
        code=added.code,
        cannot_show=CANNOT_SHOW if noted_digest is None else None,
    )


def _check_places(path: Path, files: RecordFiles, faults: list[str], notes: list[str]) -> None:
    """Whether all places of the record are there, and hold what was begun in them, each part once."""
    places = look_at_places(path)
    if files.state == "sealed":
        ours = [place.path for place in places if place.standing in ("own", "second")]
        if any(part.parent in ours for _, part in parts_in(places)):
            notes.append(f"Parts still stand beside {SEALED_NAME}: seal the record once more to have them removed.")
        return
    for place in places:
        if place.standing in ("unreachable", "foreign"):
            faults.append(place.why)
        elif place.why and place.standing != "empty":
            notes.append(place.why)
    faults += missing_parts(places)
    faults += [
        f"Of part {number} there are two that differ: the run went on in two places that knew nothing of each other."
        for number in doubled_parts(places)
    ]
    notes += [f"{name} is named like a part and is none: it is not read." for name in stray_parts(places[0])]


def _check_close(path: Path, files: RecordFiles, final: Entry | None, faults: list[str], notes: list[str]) -> None:
    if final is None or final.kind != EntryKind.CLOSE:
        if is_being_written(path):
            notes.append("It is being written at this moment, so that there is no close entry yet.")
        else:
            faults.append("There is no close entry: the run was cut off, or the record was cut short; see recover.")
        return
    stated = unpack_map(final.payload).get("entries")
    if stated != final.number:
        faults.append(f"The close entry is number {final.number} and states {stated} entries.")
    if files.state == "recovered":
        notes.append("The run was left unclosed and was closed afterwards.")


def _same_digest(digest: str, noted: str) -> bool:
    noted = noted.strip().lower().replace(" ", "")
    return len(noted) >= 8 and digest.startswith(noted)
