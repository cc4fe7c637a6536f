"""A simulated drive as the entries of a record: the messages that it would publish, without sockets or sleeping."""

from __future__ import annotations

from array import array
from functools import cache
from pathlib import Path
from typing import Any

import msgpack

from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, pack_map, pack_opening
from monitor.simulation.kinds.making import make_drive, steps_of
from monitor.simulation.plan import SimulationPlan
from monitor.simulation.steps import SOURCE, DriveStep
from monitor.study.loading import load_study
from monitor.study.model import Study

CONFIGS = Path(__file__).parents[2] / "configs"
GROUPS = ("chime", "seat-pulse", "light-strip", "no-alert")
HELLO_EVERY_S = 0.5
RECENT = 32


@cache
def dusk_road() -> Study:
    """The demo's study, which the scenarios are made for."""
    return load_study(CONFIGS / "dusk-road.toml")


def opening_of(plan: SimulationPlan, study: Study | None = None) -> Opening:
    """The opening of a run whose operator meant what the simulator says."""
    study = study or dusk_road()
    return Opening(
        plan.participant or "Q01", plan.group, study.name, study.text, study.sha256, ("tcp://127.0.0.1:1",), {}
    )


def entries_of(plan: SimulationPlan, study: Study | None = None) -> list[Entry]:
    """All entries of a record of that drive."""
    drive = make_drive(plan)
    entries = [Entry(EntryKind.OPENING, 1, 0, 0, pack_opening(opening_of(plan, study)))]

    def add(topic: bytes, fields: dict[str, Any], t: float) -> None:
        ns = round(t * 1e9)
        payload = pack_frames([topic, msgpack.packb(fields)])
        entries.append(Entry(EntryKind.MESSAGE, len(entries) + 1, ns, 1_772_469_000_000_000_000 + ns, payload))

    sent: list[dict[str, Any]] = []
    hello = {
        "v": 1,
        "run": plan.run,
        "source": SOURCE,
        "rate_hz": plan.rate_hz,
        "signals": dict(plan.about.signals),
        "participant": plan.participant,
        "group": plan.group,
        "scenario": plan.feed_scenario,
        "road": drive.course.road_line(),
    }
    seq, hello_due = 0, 0.0
    for step in steps_of(drive):
        if step.t >= hello_due - 1e-9 and not step.lost:
            add(b"hello", {**hello, "recent": sent[-RECENT:]}, step.due_s)
            hello_due = step.t + HELLO_EVERY_S
        for marker in step.markers:
            fields = {"v": 1, "run": plan.run, "n": len(sent) + 1, "t": marker.t, "kind": marker.kind}
            sent.append({**fields, "name": marker.name, "data": marker.data or {}})
            if not marker.lost:
                add(b"marker", sent[-1], step.due_s)
        seq += 1
        if not step.lost:
            add(b"frame", _frame(plan.run, seq, step, len(sent)), step.due_s)
    add(b"hello", {**hello, "recent": sent[-RECENT:]}, step.due_s + 0.25)
    entries.append(Entry(EntryKind.CLOSE, len(entries) + 1, 0, 0, pack_map({"why": "test"})))
    return entries


def _frame(run: str, seq: int, step: DriveStep, markers: int) -> dict[str, Any]:
    return {
        "v": 1,
        "run": run,
        "seq": seq,
        "t": step.t,
        "own": step.own,
        "others": {name: _column(name, column) for name, column in step.others.items()},
        "signals": step.signals,
        "markers": markers,
        "wall": step.wall,
    }


def _column(name: str, column: list[Any]) -> Any:
    return column if name == "name" else array("q" if name == "id" else "d", column).tobytes()


def session_of(plan: SimulationPlan, study: Study | None = None) -> Session:
    """The session after the whole record."""
    session = Session(study or dusk_road(), opening_of(plan, study))
    session.take(entries_of(plan, study))
    return session
