"""Checking all of a record: every checksum, the chain, the order, the closing digest, the addendum."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from monitor.record.addendum import load_addendum
from monitor.record.disk import DISK, DiskCalls, is_being_written
from monitor.record.entries import Entry, EntryKind, unpack_map
from monitor.record.parts import SEALED_NAME, find_parts
from monitor.record.reader import RecordFiles, State
from monitor.record.walking import Damage


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
        return [first, *(damage.what for damage in self.damage), *self.faults, *self.notes]

    def as_json(self) -> dict[str, Any]:
        """For programs: the same, as plain values."""
        fields = asdict(self)
        return fields | {"ok": self.ok, "damage": [asdict(damage) for damage in self.damage]}


def verify_record(path: Path, noted_digest: str | None = None, disk: DiskCalls = DISK) -> Verification:
    """Reads all of a record; raises `RecordUnreadable` only where there is none.

    `noted_digest` is the closing digest as it was written down elsewhere (hex; the first 8 digits or more): the one
    thing that shows a record that was cut short, or written anew as a whole, by someone who has this program.
    """
    files = RecordFiles(path, disk)
    faults: list[str] = []
    notes: list[str] = []
    count, final = 0, None
    for block in files.blocks():
        count += len(block)
        final = block[-1]
    _check_close(path, files, final, faults, notes)
    if noted_digest is not None and not _same_digest(files.digest, noted_digest):
        faults.append(f"The digest is {files.digest}, and {noted_digest} was noted: this is not the record as it was.")
    for part, torn in files.torn:
        notes.append(f"Part {part}, byte {torn.offset}, {torn.length} bytes: {torn.what}; it was never acknowledged.")
    if files.state == "sealed" and find_parts(path):
        notes.append(f"Parts still stand beside {SEALED_NAME}: seal the record once more to have them removed.")
    added = load_addendum(path, bytes.fromhex(files.digest), disk)
    faults += [f"Addendum: {damage.what}" for damage in added.damage]
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
    )


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
