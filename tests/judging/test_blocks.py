"""Trials are a function of the entries: any cut into blocks gives exactly the same, whatever happened to the feed."""

from __future__ import annotations

import json
from functools import cache
from itertools import pairwise

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.judging.session import Session
from monitor.judging.trial import trial_json
from monitor.record.entries import Entry
from tests.judging.hand import HandDrive, entries_of, opening_of, study_of

DRIVES = {
    "clean": HandDrive(),
    "two drives": None,
    "frames lost at the fire": HandDrive(lost_frames=frozenset(range(595, 612))),
    "marker lost": HandDrive(lost_markers=frozenset({3})),
    "trigger marker lost": HandDrive(lost_markers=frozenset({2})),
    "never fired": HandDrive(fire_t=None),
    "twice": HandDrive(markers=[(10.3, "alert_on", "a", {"modality": "sound"}), (14.0, "trigger", "gate-brake", {})]),
    "cut short": HandDrive(end_t=10.6),
    "without end": HandDrive(ends=False),
}


@cache
def entries_named(name: str) -> tuple[Entry, ...]:
    drive = DRIVES[name]
    if drive is None:
        return tuple(entries_of(HandDrive(), HandDrive(run="run-b", fire_t=10.0)))
    return tuple(entries_of(drive))


def trials_of(blocks: list[list[Entry]]) -> str:
    session = Session(study_of(), opening_of(study_of()))
    for block in blocks:
        session.take(block)
    return json.dumps([trial_json(trial) for trial in session.trials()])


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    name=st.sampled_from(sorted(DRIVES)),
    cuts=st.lists(st.floats(0.0, 1.0), max_size=12),
    near_fire=st.lists(st.integers(-40, 200), max_size=8),
    shuffled=st.randoms(use_true_random=False),
    disorder=st.integers(0, 3),
)
def test_any_cut_into_blocks_gives_exactly_the_same_trials(
    name: str, cuts: list[float], near_fire: list[int], shuffled: object, disorder: int
) -> None:
    entries = list(entries_named(name))
    entries = disordered(entries, shuffled, disorder)
    places = {round(cut * len(entries)) for cut in cuts} | {min(max(620 + k, 0), len(entries)) for k in near_fire}
    bounds = [0, *sorted(places), len(entries)]
    blocks = [entries[a:b] for a, b in pairwise(bounds)]
    assert trials_of(blocks) == trials_of([entries])


def disordered(entries: list[Entry], random: object, disorder: int) -> list[Entry]:
    """Entries with some messages late, missing or twice; numbers stay in order, as a recorder gives them."""
    payloads = [(entry.kind, entry.payload) for entry in entries]
    for _ in range(disorder * 10):
        at = random.randrange(1, len(payloads) - 40)  # type: ignore[attr-defined]
        kind = random.choice(["late", "missing", "twice"])  # type: ignore[attr-defined]
        if kind == "late":
            payloads.insert(at + random.randrange(1, 30), payloads.pop(at))  # type: ignore[attr-defined]
        elif kind == "missing":
            del payloads[at]
        else:
            payloads.insert(at + 3, payloads[at])
    return [
        Entry(kind, number, entries[0].monotonic_ns + number * 1_000_000, number * 1_000_000, payload)
        for number, (kind, payload) in enumerate(payloads, start=1)
    ]


def test_one_entry_at_a_time_gives_the_same_trials() -> None:
    for name in ("clean", "frames lost at the fire", "twice"):
        entries = list(entries_named(name))
        singly = [[entry] for entry in entries[600:780]]
        assert trials_of([entries[:600], *singly, entries[780:]]) == trials_of([entries])
