"""A sealed order of assignment: lots drawn in permuted blocks of mixed sizes, each with a salt and a digest of its own.

The order comes from the system's randomness; nothing in the study file tells it. Before the first participant only the
`root` is made known: a digest over the digests of all lots. When a lot is opened its group and salt can be held against
its digest, and all digests against the root, so that no lot was changed after the order was sealed. A lot is never
given twice: who takes the place of a lost trial takes the next lot.

It does not protect against who can read the file of lots. Permuted blocks, varied sizes and concealment follow the
principles of ICH E9 and CONSORT (from memory).
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from monitor.errors import WitnessError
from monitor.study.model import Study

SALT_BYTES: Final = 16
SITE: Final = "site"
"""Name of the site where none is given."""
MOST_LOTS = 100_000
_SITE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,39}")

Below = Callable[[int], int]
"""A whole number from 0 to one less than the argument, all equally likely."""


@dataclass(frozen=True, slots=True)
class Lot:
    """One place in the order of a stratum: `number` counts from 1, `stratum` is empty for a study without strata."""

    stratum: str
    number: int
    group: str
    salt: str

    def digest(self, study: str, site: str) -> str:
        """What is known of the lot before it is opened (SHA-256, hex)."""
        return _sha(study, site, self.stratum, str(self.number), self.group, self.salt)


@dataclass(frozen=True, slots=True)
class SealedOrder:
    """All lots of a site, and what they were drawn for."""

    study: str
    site: str
    drawn_for: str
    """`assignment_digest` of the study file that they were drawn for."""
    lots: tuple[Lot, ...]

    @property
    def root(self) -> str:
        """The digest to make known before the first participant (SHA-256, hex)."""
        return _sha(self.study, self.site, self.drawn_for, *(lot.digest(self.study, self.site) for lot in self.lots))

    def lot(self, stratum: str, number: int) -> Lot | None:
        """One lot; None where there is none of this number."""
        return next((one for one in self.lots if (one.stratum, one.number) == (stratum, number)), None)

    def as_json(self) -> dict[str, Any]:
        """Plain values, for the file of lots."""
        lots = [[one.stratum, one.number, one.group, one.salt] for one in self.lots]
        return {"study": self.study, "site": self.site, "drawn_for": self.drawn_for, "root": self.root, "lots": lots}


def order_from_json(read: Mapping[str, Any]) -> SealedOrder:
    """What `as_json` gave. Raises `ValueError` for anything else, and where the lots do not lead to the root in it."""
    try:
        lots = tuple(Lot(str(a), int(b), str(c), str(d)) for a, b, c, d in read["lots"])
        order = SealedOrder(str(read["study"]), str(read["site"]), str(read["drawn_for"]), lots)
        fits = order.root == read["root"]
    except (KeyError, TypeError, AttributeError, OverflowError) as error:
        raise ValueError(f"it is not a file of lots ({error})") from error
    if not fits:
        raise ValueError("its lots do not lead to the root that stands in it; it was changed after it was sealed")
    return order


def draw_lots(study: Study, site: str, count: int | None = None, below: Below = secrets.randbelow) -> SealedOrder:
    """Draws the lots of a site, `count` in each stratum (rounded up to whole blocks).

    By default twice as many as trials are planned, because lost ones are replaced; 40 in each group where nothing is
    planned. Raises `WitnessError` for a study whose groups do not come in blocks, a site's name or a count that is no
    such thing.
    """
    check_site(site)
    rule = study.assignment
    if rule is None or rule.method != "blocks":
        raise WitnessError(f"The study {study.name} has no [assignment] in blocks: there are no lots to draw.")
    strata = rule.strata or ("",)
    if count is None:
        planned = [group.planned for group in study.groups.values()]
        known = [number for number in planned if number is not None]
        whole = 2 * sum(known) if len(known) == len(planned) else 80 * len(planned)
        count = -(-whole // len(strata))
    if not 1 <= count <= MOST_LOTS:
        raise WitnessError(f"{count} lots cannot be drawn; give a number from 1 to {MOST_LOTS}.")
    lots = [
        Lot(stratum, number, group, secrets.token_hex(SALT_BYTES))
        for stratum in strata
        for number, group in enumerate(_groups(sorted(study.groups), rule.block_sizes, count, below), start=1)
    ]
    return SealedOrder(study.name, site, assignment_digest(study), tuple(lots))


def assignment_digest(study: Study) -> str:
    """Digest of all that the order depends on: a study file that changes anything of it needs lots of its own."""
    rule = study.assignment
    groups = {name: list(group.alert) for name, group in study.groups.items()}
    parts = None if rule is None else [rule.method, list(rule.block_sizes), rule.seed, list(rule.strata), rule.file]
    return hashlib.sha256(json.dumps([study.name, groups, parts], sort_keys=True).encode()).hexdigest()


def check_site(site: str) -> None:
    """Raises `WitnessError` for a name of a site that cannot be part of a file's name."""
    if not _SITE.fullmatch(site):
        raise WitnessError(f"The site {site!r} needs a name of letters, digits and '-', at most 40 of them.")


def _groups(names: list[str], sizes: tuple[int, ...], count: int, below: Below) -> Iterator[str]:
    drawn = 0
    while drawn < count:
        size = sizes[below(len(sizes))]
        block = names * (size // len(names))
        for last in range(len(block) - 1, 0, -1):  # Fisher and Yates
            other = below(last + 1)
            block[last], block[other] = block[other], block[last]
        yield from block
        drawn += size


def _sha(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
