"""Where the files of a record lie: in its own directory, and in directories of the same name on other disks.

`second-place.txt` in the record names the other places, one absolute path a line. Lines that begin with `#` say more of
one of them, and older programs pass over them: `# stamped PATH` (a stamp was put there, so that a place without one is
a disk that is not there), `# emptied PATH` (nothing of the record is left there).

`place.stamp` in such a place says whose it is, one JSON map a line: {"record": id in hex, "home": the record's
directory, "inode"}, and for each part begun there {"part": number, "id": in hex}. A later home counts before an
earlier one: a record that was moved takes its places along. A place without a stamp, of an older program, is known by
the record ids in the headers of its parts.
"""

from __future__ import annotations

import errno
import json
import os
import re
import secrets
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from monitor.errors import RecordUnreadable
from monitor.record.bytes.parts import (
    PART_HEADER_BYTES,
    PartHeader,
    looks_like_part,
    part_number,
    unpack_part_header,
)
from monitor.record.clock import SYSTEM_CLOCK, Clock
from monitor.record.disk import RecordNotWritable, open_regular, read_small
from monitor.record.sealed.head import HEAD_BYTES, record_id_in_head

SUFFIX = ".run"
SEALED_NAME = "record.sealed"
SECOND_NAME = "second-place.txt"
STAMP_NAME = "place.stamp"
TOMBSTONE_NAME = "tombstone.json"
MOST_BYTES = 1 << 16
"""Of the two small files; a run with a thousand parts on another disk stays below."""
MOST_PLACES = 16

Standing = Literal["own", "second", "copied", "unclear", "unreachable", "foreign", "empty"]


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a stamp says."""

    record_id: bytes
    home: Path
    inode: int
    parts: dict[int, str]
    """Number → id (hex) of the parts that were begun there."""


@dataclass(frozen=True, slots=True)
class Place:
    """A directory that may hold files of a record.

    `own` is the record's directory. `second` belongs to it too. `copied` belongs to a record of which this one is a
    copy, `unclear` to one that may have been moved here: both are read, and never changed. `empty` holds nothing of it,
    `foreign` is another record's.
    """

    path: Path
    standing: Standing
    why: str = ""
    """For what is neither own nor second: a sentence."""
    stamp: Stamp | None = None
    names: tuple[str, ...] = ()
    """What lies in it, sorted; of a place that is not read: nothing."""

    @property
    def is_read(self) -> bool:
        """Whether parts in it are this record's."""
        return self.standing in ("own", "second", "copied", "unclear")


def look_at_places(directory: Path) -> list[Place]:
    """The record's directory, then the others that it was given, each with how it stands to the record.

    Raises `RecordUnreadable` where the record's directory, or what it notes of the others, cannot be read.
    """
    own = Place(directory, "own", names=_names(directory))
    noted = noted_places(directory) if SECOND_NAME in own.names else None
    if not noted:
        return [own]
    record_id = record_id_of(directory)
    return [own, *(_look_at(path, stamped, directory, record_id) for path, stamped in noted.items())]


def refuse_unsure_places(places: list[Place], act: str) -> None:
    """Raises `RecordNotWritable` where a place of the record cannot be reached, or is another record's."""
    unsure = [place for place in places if place.standing in ("unreachable", "foreign")]
    if unsure:
        raise RecordNotWritable(f"{places[0].path} is not {act}: {' '.join(place.why for place in unsure)}")


def find_parts(directory: Path, kind: str = "part") -> list[tuple[int, Path]]:
    """The parts of a record by number, those in its other places among them; raises `RecordUnreadable` where the
    record's directory does not let itself be read.

    Of two files of one number both are given (the record's own first), but for a second copy of the very same part.
    """
    return parts_in(look_at_places(directory), kind)


def parts_in(places: list[Place], kind: str = "part") -> list[tuple[int, Path]]:
    """What `find_parts` gives, of places that were looked at."""
    found: list[tuple[int, Path]] = []
    own, *others = places
    for name in own.names:
        number = part_number(name, kind)
        if number is not None:
            found.append((number, own.path / name))
    if kind == "addendum":
        return found  # what is added after closing stands beside the record alone
    record_id = record_id_of(own.path) if others else None
    for place in others:
        for name in place.names if place.is_read else ():
            number, path = part_number(name), place.path / name
            header = read_part_header(path) if number is not None else None
            foreign = header is not None and record_id is not None and header.record_id != record_id
            if number is not None and not foreign and not _is_repeated(number, path, header, found):
                found.append((number, path))
    return sorted(found, key=lambda one: one[0])  # of one number, the record's own first


def doubled_parts(places: list[Place]) -> list[int]:
    """Numbers of parts of which there are two that differ: the run went on in two places that did not know of each
    other."""
    numbers = [number for number, _ in parts_in(places)]
    return sorted({number for number in numbers if numbers.count(number) > 1})


def missing_parts(places: list[Place]) -> list[str]:
    """A sentence for each part that was begun in another place and is not there now."""
    said = []
    for place in places:
        there = {part_number(name) for name in place.names}
        begun = place.stamp.parts if place.stamp is not None and place.is_read else ()
        said += [f"Part {one} was begun in {place.path} and is not there." for one in begun if one not in there]
    return said


def stray_parts(own: Place) -> list[str]:
    """Names of files of the record's directory that look like parts and are not read, having another kind of name."""
    return [
        name for name in own.names if looks_like_part(name) and not (part_number(name) or part_number(name, "addendum"))
    ]


def record_id_of(directory: Path) -> bytes | None:
    """The random id of a record, as the first of its own files that says one has it; None where none does."""
    try:
        found = record_id_in_head(_beginning(directory / SEALED_NAME, HEAD_BYTES))
        if found is not None:
            return found
    except OSError:
        pass
    for kind in ("part", "addendum"):
        for name in _names(directory):
            header = read_part_header(directory / name) if part_number(name, kind) else None
            if header is not None and any(header.record_id):
                return header.record_id
    try:  # what is left of a withdrawn one
        noted = json.loads(read_small(directory / TOMBSTONE_NAME, MOST_BYTES))["record"]
        return bytes.fromhex(noted) or None
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def read_part_header(path: Path) -> PartHeader | None:
    """The header of a part; None where it is cut, damaged, of a newer version, or cannot be read."""
    try:
        return unpack_part_header(_beginning(path, PART_HEADER_BYTES), str(path))
    except (OSError, RecordUnreadable):
        return None


def read_stamp(place: Path) -> Stamp | None:
    """What the stamp of a place says; None where there is none, or none that says anything. Raises `OSError`."""
    try:
        lines = read_small(place / STAMP_NAME, MOST_BYTES).splitlines()
    except FileNotFoundError:
        return None
    except OSError as error:
        if error.errno not in (errno.EFBIG, errno.EINVAL):
            raise
        return None
    record_id, home, inode, parts = b"", None, 0, {}
    for line in lines:
        # a line that was never finished says nothing
        with suppress(ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            said = json.loads(line)
            if "part" in said:
                parts[int(said["part"])] = str(said["id"])
            else:
                here, known = Path(said["home"]), bytes.fromhex(said["record"])
                if here.is_absolute() and "\0" not in said["home"]:
                    home, record_id, inode = here, known, int(said["inode"])
    return None if home is None or len(record_id) != 16 else Stamp(record_id, home, inode, parts)


def new_record_directory(records: Path, participant: str, clock: Clock = SYSTEM_CLOCK) -> Path:
    """A path for a new record, not yet made: `<participant>-<UTC yyyymmddThhmmssZ>-<4 hex>.run`."""
    code = re.sub(r"[^A-Za-z0-9_]+", "-", participant).strip("-") or "unnamed"
    moment = datetime.fromtimestamp(clock.wall_ns() / 1e9, UTC)
    return records / f"{code[:64]}-{moment:%Y%m%dT%H%M%SZ}-{secrets.token_hex(2)}{SUFFIX}"


def code_in_name(directory: Path) -> str | None:
    """The participant's code as the name of a record's directory has it; None where the name has another form."""
    match = _named(directory)
    return None if match is None else match[1]


def began_in_name(directory: Path) -> float | None:
    """When recording began as the name of a record's directory has it, UNIX seconds; None where it has none."""
    match = _named(directory)
    if match is None:
        return None
    try:
        return datetime.strptime(f"{match[2]}+0000", "%Y%m%dT%H%M%SZ%z").timestamp()
    except ValueError:  # a 13th month
        return None


def _named(directory: Path) -> re.Match[str] | None:
    return re.fullmatch(r"(.+)-([0-9]{8}T[0-9]{6}Z)-[0-9a-f]{4}", directory.absolute().name.removesuffix(SUFFIX))


def list_records(directory: Path) -> list[Path]:
    """The records in a directory by name, withdrawn and unreadable ones among them, and those of which nothing is left
    but the directory, or a link to a disk that is not there, so that whoever reads them says so; raises
    `RecordUnreadable` for no directory."""
    try:
        named = (path for path in directory.iterdir() if path.suffix == SUFFIX)
        candidates = sorted(path for path in named if path.is_dir() or leads_nowhere(path))
    except OSError as error:
        raise RecordUnreadable(f"{directory} is no directory of records: {error.strerror or error}.") from error
    return [path for path in candidates if is_record(path) or is_emptied(path)]


def is_record(path: Path) -> bool:
    """Whether a directory holds a record: a part, a sealed file, or the tombstone of one; also where nothing is left of
    it but its rulings or the names of its places, and where it does not let itself be looked into or is a link to what
    is not there, so that whoever reads it says so."""
    try:
        names = os.listdir(path)
    except OSError:
        return path.is_dir() or leads_nowhere(path)
    own = {SEALED_NAME, TOMBSTONE_NAME, SECOND_NAME}
    return not own.isdisjoint(names) or bool(find_parts(path)) or bool(find_parts(path, "addendum"))


def leads_nowhere(path: Path) -> bool:
    """Whether it is a link, and nothing can be found behind it."""
    return path.is_symlink() and not path.exists()


def is_emptied(path: Path) -> bool:
    """Whether a directory has a record's name and nothing of one in it. A further place that holds no part yet has its
    stamp. It is asked every few seconds of all of an archive, and lists the directory once."""
    if path.suffix != SUFFIX:
        return False
    try:
        names = os.listdir(path)
    except OSError:
        return False
    return STAMP_NAME not in names and not any(map(part_number, names)) and not is_record(path)


def noted_places(directory: Path, *, emptied: bool = False) -> dict[Path, bool]:
    """The other places that the record names, and whether a stamp was put there; or those that were emptied."""
    try:
        lines = read_small(directory / SECOND_NAME, MOST_BYTES).decode("utf-8", "replace").splitlines()
    except (FileNotFoundError, NotADirectoryError):
        return {}
    except OSError as error:
        raise RecordUnreadable(f"{directory / SECOND_NAME} cannot be read: {error.strerror or error}.") from error
    found: dict[Path, bool] = {}
    gone: dict[Path, bool] = {}
    for line in lines:
        word, path = _split(line)
        if not path.is_absolute() or path.suffix != SUFFIX or "\0" in line:
            continue
        if word == "emptied":
            gone[path] = found.pop(path, True)
        elif word == "stamped":
            found[path] = True
        elif path not in found:
            found[path] = False
            gone.pop(path, None)
    return dict(list((gone if emptied else found).items())[:MOST_PLACES])


def _split(line: str) -> tuple[str, Path]:
    if line.startswith("# "):
        _, word, *rest = line.split(" ", 2)
        return word, Path(rest[0] if rest else "")
    return "", Path(line)


def _look_at(path: Path, stamped: bool, directory: Path, record_id: bytes | None) -> Place:
    try:
        names = tuple(sorted(os.listdir(path)))
        stamp = read_stamp(path)
    except OSError as error:
        return _not_there(path, stamped, directory, error)
    if stamp is not None:
        return replace(by_stamp(path, stamp, directory, record_id), stamp=stamp, names=names)
    headers = [read_part_header(path / name) for name in names if part_number(name)]
    ids = {header.record_id for header in headers if header is not None}
    if stamped and not headers:
        return Place(path, "unreachable", f"{path} has lost its stamp: is the disk that belongs there not mounted?")
    if not headers:
        return Place(path, "empty", f"{path} holds nothing of it.", names=names)
    if record_id is None or ids != {record_id}:
        return Place(path, "foreign", f"Nothing shows that the parts in {path} are of this record.")
    return Place(path, "second", names=names)


def _not_there(path: Path, stamped: bool, directory: Path, error: OSError) -> Place:
    never_made = False
    if not stamped:  # older programs made a place only when they needed it
        with suppress(OSError):
            never_made = path.parent.stat().st_dev != directory.stat().st_dev and not path.exists()
    if never_made:
        return Place(path, "empty", f"{path} was never needed.")
    why = f"{path} cannot be reached ({error.strerror or error}): parts of it may be there; make that disk available."
    return Place(path, "unreachable", why)


def by_stamp(path: Path, stamp: Stamp, directory: Path, record_id: bytes | None) -> Place:
    """How a place with this stamp stands to a record with this directory and id."""
    if record_id is not None and stamp.record_id != record_id:
        return Place(path, "foreign", f"{path} belongs to another record, {stamp.home}.")
    here = directory.absolute()
    if here == stamp.home or is_same_directory(here, stamp.home):
        return Place(path, "second")
    try:
        if record_id_of(stamp.home) == stamp.record_id:
            return Place(path, "copied", f"{path} belongs to {stamp.home}, of which this is a copy.")
        if here.stat().st_ino == stamp.inode or stamp.home.parent.is_dir():
            return Place(path, "second")  # it was moved: nothing of it is left where it was
    except (OSError, RecordUnreadable):
        pass
    say_so = f"if the record was moved, say so with: trialwitness recover {directory} --place {path.parent}"
    why = f"{path} belongs to {stamp.home}, which cannot be reached; {say_so}"
    return Place(path, "unclear", why)


def is_same_directory(one: Path, other: Path) -> bool:
    """Whether two paths lead to one directory; False where one of them leads nowhere."""
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False


def _is_repeated(number: int, path: Path, header: PartHeader | None, found: list[tuple[int, Path]]) -> bool:
    """Whether it is the very part that was found already."""
    for known, other in found:
        if known == number and header is not None and header == read_part_header(other):
            with suppress(OSError):
                return path.stat().st_size == other.stat().st_size
    return False


def _names(directory: Path) -> tuple[str, ...]:
    """The names in the record's own directory, sorted; raises `RecordUnreadable` where it is not readable."""
    try:
        return tuple(sorted(os.listdir(directory)))
    except (FileNotFoundError, NotADirectoryError):
        return ()
    except OSError as error:
        raise RecordUnreadable(f"{directory} cannot be read: {error.strerror or error}.") from error


def _beginning(path: Path, size: int) -> bytes:
    descriptor = open_regular(path)
    try:
        return os.pread(descriptor, size, 0)
    finally:
        os.close(descriptor)
