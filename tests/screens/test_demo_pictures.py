"""The README's pictures: a simulated drive of the demo, judged as it comes, on the screen as it stands at one time."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from monitor.archive.rehearsals import NewestRehearsal
from monitor.following.building import Viewing, build_view
from monitor.following.kept.keeping import Keeping
from monitor.following.preflight import preflight
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind
from monitor.simulation.plan import SimulationPlan
from tests.judging import simulated
from tests.screens import conftest as kit
from tests.screens.conftest import Before, MakeApp, Snap

pytestmark = pytest.mark.usefixtures("drawn_with")

RECORDING = RecorderView("recording", 1590.0, 0, "")
NOON = 1_785_580_200.0


@cache
def entries(scenario: str) -> tuple[Entry, ...]:
    plan = SimulationPlan(scenario=scenario, seed=1, rate_hz=30.0, group="chime", participant="Q07")
    return tuple(one for one in simulated.entries_of(plan) if one.kind is not EntryKind.CLOSE)


def seen(scenario: str, t: float, group: str = "chime") -> LiveView:
    """The demo's screen `t` seconds after the drive's start; `group`: what was entered when the run began."""
    study = simulated.dusk_road()
    plan = SimulationPlan(scenario=scenario, seed=1, rate_hz=30.0, group=group, participant="Q07")
    session = Session(study, simulated.opening_of(plan, study))
    keeping = Keeping(study)
    for one in entries(scenario):
        if one.monotonic_ns > t * 1e9:
            break
        session.take([one])
        if one.number % 15 == 0:
            keeping.take(session)
    keeping.take(session)
    view = build_view(
        session, Viewing(record="Q07-20260801T103000Z-1f0c.run", recorder=RECORDING, age_s=0.02, revision=1)
    )
    view = keeping.added_to(view)
    return replace(view, preflight=preflight(session, view, NewestRehearsal(), NOON))


@pytest.mark.parametrize(
    ("scenario", "t", "keys", "size"),
    [
        pytest.param("gap-too-long", 18.0, (), (200, 60), id="holding"),
        pytest.param("gap-too-long", 36.0, (), (80, 24), id="invalid"),
        pytest.param("gap-too-long", 36.0, ("r", "i"), (80, 24), id="ruling"),
        pytest.param("clean", 46.0, ("t", "g"), (120, 36), id="response"),
    ],
)
def test_a_drive_of_the_demo(
    snap_compare: Snap,
    before: Before,
    make_app: MakeApp,
    scenario: str,
    t: float,
    keys: tuple[str, ...],
    size: tuple[int, int],
) -> None:
    view = replace(seen(scenario, t), preflight=None)
    assert snap_compare(make_app(kit.FakeSource(view)), terminal_size=size, run_before=before(keys))


def test_the_preflight_of_another_group(snap_compare: Snap, before: Before, make_app: MakeApp) -> None:
    app = make_app(kit.FakeSource(seen("clean", 4.0, group="seat-pulse")))
    assert snap_compare(app, terminal_size=(80, 24), run_before=before())
