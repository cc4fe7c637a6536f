"""A site's sealed lots on the disk: drawn and sealed, opened one by one by an entry, bound to a record.

In the directory of records:

| file | is |
| --- | --- |
| `lots-SITE.json` | the sealed order: every lot with its group and salt. Who can read it knows what comes next; only its owner may (mode 600) |
| `lots-SITE.jsonl` | one line for each thing done to a lot, chained as the look file is: `opened` {`stratum`, `number`} before anybody is told its group, then `used` {`stratum`, `number`, `record`: the record's id} |
| `unblinding.jsonl` | the root of the order, entered when it was sealed |

None of them has a participant's code.
"""  # noqa: E501

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.archive.chained_lines import alone, chain_fault, entries
from monitor.archive.looks import AUDIT_NAME
from monitor.errors import WitnessError
from monitor.named_files import make_directory, unfinished
from monitor.record.disk import DISK
from monitor.record.json_file import read_json_map
from monitor.study.lots import Lot, SealedOrder, assignment_digest, check_site, draw_lots, order_from_json
from monitor.study.model import Study

MOST_BYTES = 1 << 26
"""A hundred thousand lots in each of some strata."""


@dataclass(frozen=True, slots=True)
class SealedLots:
    """The lots of one site, and where they lie."""

    directory: Path
    order: SealedOrder

    @property
    def log_name(self) -> str:
        """The file of what was done to lots."""
        return f"lots-{self.order.site}.jsonl"

    def opened(self) -> list[tuple[str, int]]:
        """Stratum and number of each opened lot, in the order of opening."""
        return _opened(self._entries)

    def used(self) -> dict[tuple[str, int], str]:
        """Opened lots that have a record → its id."""
        return _used(self._entries)

    @property
    def _entries(self) -> list[dict[str, Any]]:
        return entries(self.directory, self.log_name)

    def open_next(
        self, stratum: str, by: str, known: Iterable[object] = (), unless_waiting_for: str | None = None
    ) -> Lot:
        """Opens the next lot of a stratum; that it was is on disk before its group is known to anybody. `known`: lots
        as the openings of records name them, none of which is given again whatever became of the log.
        `unless_waiting_for`: the participant for whom none is opened while another one waits for its record.

        Raises `WitnessError` where one waits so, there is none left, or it cannot be entered.
        """
        with alone(self.directory, self.log_name, "so no lot is opened") as log:
            opened = [number for at, number in _opened(log.entries) if at == stratum]
            used = _used(log.entries)
            waiting = [number for number in opened if (stratum, number) not in used]
            if waiting and unless_waiting_for is not None:
                raise WitnessError(
                    f"Lot {waiting[0]} was opened and has no record yet. If it was opened for {unless_waiting_for}, "
                    f"say --lot {waiting[0]}; if for somebody who did not come, its place is spent: say --lot next."
                )
            # a line that cannot be read may have opened one: no lot is ever given twice
            given = len(opened) + log.unreadable
            for one in known:
                match one:
                    case {"root": self.order.root} if (place := place_in(one)) is not None and place[0] == stratum:
                        opened.append(place[1])
            lot = self.order.lot(stratum, max(given, *opened, 0) + 1)
            if lot is None:
                raise WitnessError(
                    f"All {len(opened)} lots of {self._where(stratum)} are opened; draw more under another name: "
                    f"trialwitness assign --prepare --site {self.order.site}-2 …"
                )
            log.enter(by, {"opened": {"stratum": stratum, "number": lot.number}})
            return lot

    def opened_lot(self, stratum: str, number: int) -> Lot:
        """A lot that was opened before; raises `WitnessError` for one that was not."""
        lot = self.order.lot(stratum, number)
        if lot is None or (stratum, number) not in self.opened():
            raise WitnessError(f"Lot {number} of {self._where(stratum)} was not opened; leave --lot out.")
        return lot

    def bind(self, lot: Lot, record: str, by: str) -> None:
        """Enters the record in which a lot is used. Raises `WitnessError` where that cannot be, or another record has
        it already: two runs were begun with one lot at once."""
        so = "so it is not known in which record the lot is used"
        with alone(self.directory, self.log_name, so) as log:
            before = _used(log.entries).get((lot.stratum, lot.number), record)
            if before != record:
                raise WitnessError(
                    f"Lot {lot.number} of {self._where(lot.stratum)} is used in another record (id {before[:8]}…), "
                    "whose run was begun at the same time: end this run before the drive, and begin it with a lot of "
                    "its own."
                )
            log.enter(by, {"used": {"stratum": lot.stratum, "number": lot.number, "record": record}})

    def for_opening(self, lot: Lot) -> dict[str, Any]:
        """What the record's opening keeps of the lot."""
        return {
            "site": self.order.site,
            "stratum": lot.stratum,
            "number": lot.number,
            "group": lot.group,
            "root": self.order.root,
        }

    def _where(self, stratum: str) -> str:
        return f"site {self.order.site}" + (f", stratum {stratum}" if stratum else "")


def _opened(lines: Iterable[Mapping[str, Any]]) -> list[tuple[str, int]]:
    told = (place_in(one.get("opened")) for one in lines)
    return [place for place in told if place is not None]


def _used(lines: Iterable[Mapping[str, Any]]) -> dict[tuple[str, int], str]:
    found = {}
    for one in lines:
        match one:
            case {"used": {"record": str(record)} as used} if (place := place_in(used)) is not None:
                found[place] = record
    return found


def prepare(directory: Path, study: Study, site: str, by: str, count: int | None = None) -> SealedLots:
    """Draws and seals a site's order; its root stands in the look file on return. Raises `WitnessError` for a site
    that has one already: an order that was sealed stays."""
    check_site(site)
    drawn = draw_lots(study, site, count)
    make_directory(directory)
    path = _path(directory, site)
    with alone(directory, AUDIT_NAME, "so no order is sealed") as looks:
        if path.exists():
            raise WitnessError(
                f"{path}: the order of site {site} is sealed already, and stays; for a further one give another --site."
            )
        draft = unfinished(path)
        entered = _root(looks.entries, site)
        order = drawn if entered is None else _entered_order(path, site, entered)
        if entered is None:
            _write_draft(draft, order)
            sealed = {"study": study.name, "site": site, "root": order.root, "lots": len(order.lots)}
            looks.enter(by, {"lots": sealed})
        try:
            draft.rename(path)
            DISK.sync_directory(directory)
        except OSError as error:
            raise WitnessError(
                f"{path} cannot be written ({error.strerror}); run this once more to finish it."
            ) from error
    return SealedLots(directory, order)


def _write_draft(draft: Path, order: SealedOrder) -> None:
    try:
        with suppress(FileNotFoundError):
            draft.unlink()  # never entered: nobody knows its root
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(order.as_json(), file, ensure_ascii=False)
            file.flush()
            os.fsync(descriptor)
        DISK.sync_directory(draft.parent)
    except OSError as error:
        raise WitnessError(f"{draft} cannot be written ({error.strerror}); nothing was sealed.") from error


def _entered_order(path: Path, site: str, root: str) -> SealedOrder:
    """The order whose root was entered before a power cut. Raises `WitnessError` where its file of lots is gone."""
    order = _read_order(unfinished(path))
    if order is None or order.root != root:
        raise WitnessError(
            f"{path}: the order of site {site} was sealed under the root {root}, and its file of lots is gone; put it "
            "back from a copy, or draw lots under another --site."
        )
    return order


def _read_order(path: Path) -> SealedOrder | None:
    try:
        return order_from_json(read_json_map(path, MOST_BYTES))
    except (OSError, ValueError):
        return None


def sealed_lots(directory: Path, study: Study, site: str) -> SealedLots | None:
    """A site's lots; None where none were drawn.

    Raises `WitnessError` where the file cannot be read or was changed, and where the study file is not the one that
    they were drawn for in all that the order depends on.
    """
    check_site(site)
    path = _path(directory, site)
    try:
        order = order_from_json(read_json_map(path, MOST_BYTES))
    except FileNotFoundError:
        if sealed_root(directory, site) is None:
            return None
        raise WitnessError(
            f"{path} is gone, and an order was sealed for site {site}: put it back from a copy. No lot is opened."
        ) from None
    except OSError as error:
        raise WitnessError(f"{path} cannot be read ({error.strerror}): no lot is opened.") from error
    except ValueError as error:
        raise WitnessError(f"{path}: {error}; no lot is opened.") from error
    if sealed_root(directory, site) != order.root:
        raise WitnessError(
            f"{path}: its root is not the one that {AUDIT_NAME} has for site {site}; one of the two was changed. "
            "No lot is opened."
        )
    if order.drawn_for != assignment_digest(study):
        raise WitnessError(
            f"The lots of site {site} were drawn for another study file: groups, alerts, strata, block sizes or seed "
            f"differ from those of {study.path}. Go on with the file that they were drawn for; or, where the change is "
            f"meant, draw lots for it under another name: trialwitness assign --prepare --site {site}-2 …"
        )
    return SealedLots(directory, order)


def sealed_root(directory: Path, site: str) -> str | None:
    """The root that was entered when a site's order was sealed."""
    return _root(entries(directory, AUDIT_NAME), site)


def _root(lines: Iterable[Mapping[str, Any]], site: str) -> str | None:
    sealed = (one.get("lots") for one in lines)
    roots = (one.get("root") for one in sealed if isinstance(one, dict) and one.get("site") == site)
    return next((root for root in roots if isinstance(root, str)), None)


def sites(directory: Path) -> list[str]:
    """The sites that have lots."""
    return sorted(path.name.removeprefix("lots-").removesuffix(".json") for path in directory.glob("lots-*.json"))


def log_fault(lots: SealedLots) -> str | None:
    """What is wrong with the chain of openings, in one sentence."""
    return chain_fault(lots.directory / lots.log_name)


def _path(directory: Path, site: str) -> Path:
    return directory / f"lots-{site}.json"


def place_in(fields: object) -> tuple[str, int] | None:
    """Stratum and number of a lot, as a line of ours or an opening names it; None for anything else."""
    match fields:
        case {"stratum": str(stratum), "number": int(number)}:
            return stratum, number
    return None
