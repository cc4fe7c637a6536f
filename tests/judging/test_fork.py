"""A session that is forked shares nothing with the other one that either of them may change."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import pytest

from monitor.judging.session import Session
from monitor.record.entries import Entry
from tests.judging.hand import entries_of, opening_of, study_of
from tests.judging.handsource import opening_of_several
from tests.judging.test_beside import WHEN_AWAY
from tests.judging.test_beside import entries_named as entries_beside_named
from tests.judging.test_blocks import DRIVES, EVERYTHING, OPERATOR


def changeable(thing: Any, path: str, seen: set[int]) -> Iterator[tuple[str, int]]:
    """Path and identity of every object below `thing` that can be changed in place; frozen ones are taken whole."""
    if id(thing) in seen or thing is None or isinstance(thing, (str, bytes, int, float, tuple, type, Enum)):
        return
    seen.add(id(thing))
    kind: Any = type(thing)
    is_ours = kind.__module__.startswith("monitor.")
    if isinstance(thing, (list, set, deque)):
        yield path, id(thing)
        for place, one in enumerate(thing):
            yield from changeable(one, f"{path}[{place}]", seen)
    elif isinstance(thing, dict):
        yield path, id(thing)
        for key, one in thing.items():
            yield from changeable(one, f"{path}[{key!r}]", seen)
    elif is_dataclass(thing):
        if kind.__dataclass_params__.frozen:
            return
        yield path, id(thing)
        for field in fields(thing):
            yield from changeable(getattr(thing, field.name), f"{path}.{field.name}", seen)
    elif is_ours and hasattr(thing, "__dict__"):
        yield path, id(thing)
        for name, one in vars(thing).items():
            yield from changeable(one, f"{path}.{name}", seen)


def shared(one: Session, other: Session) -> set[str]:
    """Paths of what both could change; older drives are never changed any more, and the study's roles never."""
    old = {f".drives[{place}]" for place in range(len(one.drives) - 1)}
    mine = dict(changeable(one, "", set()))
    theirs = {identity for _, identity in changeable(other, "", set())}
    found = {path for path, identity in mine.items() if identity in theirs}
    return {path for path in found if not path.endswith(".roles") and not any(path.startswith(one) for one in old)}


def session_after(entries: list[Entry], text: str, *, several: bool) -> Session:
    study = study_of(text)
    session = Session(study, opening_of_several(study) if several else opening_of(study))
    session.take(entries)
    return session


@pytest.mark.parametrize("share", [0.02, 0.3, 0.42, 0.5, 0.7, 1.0])
@pytest.mark.parametrize("name", ["two drives", "everything odd", "frames lost at the fire", "a further source"])
def test_a_fork_shares_nothing_that_changes(name: str, share: float) -> None:
    several = name == "a further source"
    entries = entries_beside_named("two clocks") if several else entries_of(*DRIVES[name], operator=OPERATOR)
    text = WHEN_AWAY if several else EVERYTHING
    session = session_after(entries[: int(share * len(entries))], text, several=several)
    for frames in (True, False):
        assert shared(session, session.fork(frames=frames)) == set()


def test_the_walk_sees_what_is_shared() -> None:
    """So that the test above does find a container that a fork forgot, at any depth."""
    session = session_after(entries_of(*DRIVES["twice"], operator=OPERATOR), EVERYTHING, several=False)
    twin = session.fork()
    twin.operator.notes = session.operator.notes
    twin.drives[-1].watches["gate-brake"].expected = session.drives[-1].watches["gate-brake"].expected
    found = shared(session, twin)
    assert ".operator.notes" in found
    assert ".drives[0].watches['gate-brake'].expected" in found
