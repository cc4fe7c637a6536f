"""A view factory in the scenario of the demo (dusk-road, participant Q07), and a source that keeps what was posted."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import textual
from textual._compositor import LayoutUpdate
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen
from textual.strip import Strip

from monitor.following.coming.view import Foreseen, OutlookRow, OutlookView
from monitor.following.view import (
    FeedView,
    LiveView,
    NumberView,
    PreflightLine,
    PreflightView,
    ReasonView,
    RecorderView,
    ResponseTraces,
    SavedView,
    SceneView,
    SheetLine,
    SlowView,
    StopView,
    StripView,
    TimelineMark,
    TransportView,
    VehicleView,
    WholeStrip,
)
from monitor.judging.case.trial import (
    AlertResult,
    ConditionResult,
    Finding,
    Note,
    Response,
    Ruling,
    Timing,
    Trial,
)
from monitor.screens.dialogs.sheet import Sheet, SheetBody
from monitor.screens.watch.app import WatchApp
from monitor.screens.watch.drawn_screen import Clocks
from monitor.study.band import Band
from monitor.study.rules import ActionRule
from tests.clocks import HandClock

WALL = 1_764_000_000.0
GAP_BAND = Band(1.8, 2.2)
TTC_BAND = Band(4.0, None)
OFFSET_BAND = Band(-0.4, 0.4)


def condition(
    name: str,
    value: float | None,
    at_least: float | None,
    at_most: float | None,
    unit: str,
    result: str = "met",
    **more: Any,
) -> ConditionResult:
    """A judged condition; the margin is worked out from value and band."""
    edges = []
    if value is not None and at_least is not None:
        edges.append(value - at_least)
    if value is not None and at_most is not None:
        edges.append(at_most - value)
    fields: dict[str, Any] = {
        "name": name,
        "measure": name.replace(" ", "_"),
        "role": None,
        "at_least": at_least,
        "at_most": at_most,
        "value": value,
        "state": None if value is not None else "not measured",
        "margin": min(edges) if edges else None,
        "unit": unit,
        "result": result,
        "at_edge": False,
        "required": True,
    }
    return ConditionResult(**{**fields, **more})


def conditions(gap_s: float = 2.04, **results: str) -> tuple[ConditionResult, ...]:
    """The conditions of gate-brake."""
    gap = "met" if 1.8 <= gap_s <= 2.2 else "not met"
    return (
        condition("time gap", gap_s, 1.8, 2.2, "s", gap),
        condition("own speed", 22.3, 21.2, 23.2, "m/s"),
        condition("van speed", 21.9, 20.8, 23.6, "m/s", measure="lead.speed", role="lead"),
        condition("lane offset", -0.12, -0.4, 0.4, "m"),
        condition("eyes on arrows", 1.0, 0.8, None, "", required=True),
    )


def outlook(heading: str = "HOLD", seconds: float | None = 12.4, gap_s: float = 2.61) -> OutlookView:
    """The outlook of gate-brake while the car closes up to the van."""
    foretold: dict[str, Foreseen] = {"HOLD": "fails", "LOSING": "lost"}
    foreseen = foretold.get(heading, "holds")
    why = {
        "HOLD": "time gap is 2.61 s, band 1.8 to 2.2 s, coming in",
        "LOSING": "time gap will be 2.61 s, band 1.8 to 2.2 s",
    }.get(heading, "")

    def row(one: ConditionResult) -> OutlookRow:
        if one.name != "time gap":
            return OutlookRow(one, 0, "holds", by_driving=True)
        words = "0.41 s too long, closing in" if gap_s > 2.2 else "holds"
        trend = 1 if one.result == "not met" else 0
        return OutlookRow(one, trend, words, foreseen, why, by_driving=True, lost_in_s=4.4)

    return OutlookView("gate-brake", seconds, tuple(row(one) for one in conditions(gap_s)), action=ACTION)


ACTION = ActionRule("Ask the simulator's operator to hold gate-brake back.")


def strips(t_end: float = 192.4, gap_s: float = 2.61, *, lead: bool = True) -> tuple[StripView, ...]:
    """60 s at 10 Hz: the gap closes, the offset wanders, TTC comes and goes."""
    t = np.arange(max(0.0, t_end - 60.0), t_end + 0.05, 0.1)
    back = t_end - t
    gap = gap_s + 0.9 * (1 - np.exp(-back / 22.0)) + 0.05 * np.sin(t / 2.1)
    ttc = 9.0 + 5.0 * np.sin(t / 7.0)
    ttc[np.sin(t / 7.0) > 0.6] = math.nan
    if not lead:
        gap[back < 12] = math.nan
        ttc[back < 12] = math.nan
    offset = 0.22 * np.sin(t / 5.3) - 0.08 + 0.3 * np.exp(-((back - 31) ** 2) / 8)
    return (
        StripView("time_gap", t, gap, GAP_BAND),
        StripView("ttc", t, ttc, TTC_BAND),
        StripView("lane_offset", t, offset, OFFSET_BAND),
    )


def whole(t_end: float = 192.4) -> tuple[WholeStrip, ...]:
    """The drive so far: the gap closes for three minutes, the offset wanders."""
    t = np.arange(0.0, math.floor(t_end))
    gap = 2.61 + 0.9 * np.exp(-(t_end - t) / 22.0) + 0.4 * np.sin(t / 17.0)
    ttc = np.where(np.sin(t / 7.0) > 0.6, math.nan, 9.0 + 5.0 * np.sin(t / 7.0))
    offset = 0.35 * np.sin(t / 11.0) - 0.08
    return (
        WholeStrip("time_gap", "s", 1.0, gap, gap + 0.05, GAP_BAND),
        WholeStrip("ttc", "s", 1.0, ttc, ttc, TTC_BAND),
        WholeStrip("lane_offset", "m", 1.0, offset - 0.05, offset + 0.05, OFFSET_BAND),
    )


def numbers(
    gap_s: float | None = 2.61, ttc_s: float | None = 9.37, offset_m: float | None = -0.12, state: str | None = None
) -> tuple[NumberView, ...]:
    """The large numbers and the lesser ones; None is a number that is not there for the reason `state`."""

    def judged(value: float | None, band: Band) -> Any:
        if value is None:
            return "undecided"
        low = band.at_least if band.at_least is not None else -math.inf
        high = band.at_most if band.at_most is not None else math.inf
        return "met" if low <= value <= high else "not met"

    def one(measure: str, label: str, value: float | None, unit: str, words: str, band: Band | None) -> NumberView:
        result = judged(value, band) if band else None
        return NumberView(measure, label, value, None if value is not None else state, unit, words, band, result)

    return (
        one("time_gap", "time gap", gap_s, "s", "bumper to bumper", GAP_BAND),
        one("ttc", "TTC", ttc_s, "s", "gap over closing speed", TTC_BAND),
        one("lane_offset", "lane offset", offset_m, "m", "left positive", OFFSET_BAND),
        one("distance_gap", "gap", None if gap_s is None else gap_s * 22.3, "m", "bumper to bumper", None),
        one("speed", "speed", None if state == "stale" else 22.3, "m/s", "own", None),
        one("lead.speed", "lead speed", None if gap_s is None else 21.9, "m/s", "van", None),
    )


def scene(gap_m: float | None = 58.2) -> SceneView:
    """A two-lane road with the delivery van ahead, and another car coming the other way."""
    van = () if gap_m is None else (VehicleView(11, "delivery van", gap_m + 5.5, 0.1, 6.5, 2.0, True),)
    other = VehicleView(12, "car", 31.0, 3.6, 4.4, 1.8, False)
    return SceneView(3.5, 2, 0, -0.12, 4.5, 1.8, (*van, other), gap_m)


def trial(verdict: str = "valid", stage: str = "final", **more: Any) -> Trial:
    """The first trial of gate-brake."""
    gap_s = 2.61 if verdict == "invalid" else 2.04
    judged = conditions(gap_s)
    findings: tuple[Finding, ...] = (Finding("task-late", "note", "The search task began 0.12 s late.", 201.1),)
    now = {
        "valid": "go on: side-gust is next, in 1.4 km",
        "invalid": "run again: still naive, the van did not brake and no alert was given",
        "undecided": "your call: rule on it before the next drive",
    }[verdict]
    if verdict == "undecided":
        judged = (replace(judged[0], result="undecided", value=None, margin=None), *judged[1:])
        findings += (Finding("witness-gap", "doubtful", "14 frames were lost from 0.20 s before the fire.", 204.0),)
    fields: dict[str, Any] = {
        "id": "1/gate-brake/1",
        "trigger": "gate-brake",
        "drive": 1,
        "occurrence": 1,
        "fired_at": 204.2,
        "wall": WALL + 204.2,
        "stage": stage,
        "verdict": verdict,
        "naive": "yes",
        "role_id": {"lead": 11},
        "timing": Timing(204.18, 0.017, 1.0, "on time"),
        "conditions": judged,
        "findings": findings,
        "alert": AlertResult(("seat-pulse",), ("seat-pulse",), 204.45, "commanded", "as assigned"),
        "response": Response(
            "hazard onset",
            204.3,
            0.62,
            0.81,
            0.24,
            0.86,
            None,
            "accelerator",
            0.62,
            "responded",
            None,
            2.31,
            21.4,
            6.8,
            None,
            False,
            0.47,
        ),
        "blind": False,
        "revealed": False,
        "what_now": now,
    }
    return Trial(**{**fields, **more})


def traces(**more: Any) -> ResponseTraces:
    """Two seconds before gate-brake to six after it at 60 Hz: the van brakes, own car follows as `trial` says."""
    t = np.arange(202.2, 210.21, 1 / 60)
    after = np.clip(t - 204.3, 0.0, 3.0)
    braked = np.clip(t - 205.16, 0.0, 3.0)
    lead = 21.9 - 5.0 * after
    own = 22.3 - 5.2 * braked
    gap = 45.0 - np.cumsum(own - lead) / 60
    accelerator = np.interp(t, [204.92, 205.11], [0.34, 0.0])
    brake = np.interp(t, [205.16, 205.5, 208.0, 208.4], [0.0, 0.7, 0.7, 0.1])
    fields: dict[str, Any] = {"trial": "1/gate-brake/1", "start_t": 202.2, "end_t": 210.2, "period_s": 1 / 60, "t": t}
    fields |= {"own_speed": own, "lead_speed": lead, "gap": gap, "accelerator": accelerator, "brake": brake}
    fields["steering"] = 0.05 * np.sin(t - 204.2)
    return ResponseTraces(**{**fields, **more})


def ruled(one: Trial) -> Trial:
    """The trial with a ruling."""
    return replace(
        one, stage="ruled", rulings=(Ruling("invalid", "task-broken", "grid did not light up", "ops", 230.0, WALL),)
    )


def slow(hours: float = 2.5, **more: Any) -> tuple[SlowView, ...]:
    """A value every ten seconds of a long drive in which lane keeping gets worse."""
    t = np.arange(60.0, hours * 3600, 10.0)
    worse = t / t[-1]
    sd = 0.14 + 0.22 * worse**2 + 0.03 * np.sin(t / 300)
    reversals = np.round(14 + 6 * worse + 2 * np.sin(t / 170))
    departures = np.where((worse > 0.7) & (np.sin(t / 90) > 0.8), 1.0, 0.0)
    rows = (
        SlowView("sdlp", "LANE SD", "m", 60.0, t, sd, Band(None, 0.3), None, "not met" if sd[-1] > 0.3 else "met"),
        SlowView("steering_reversal_rate", "REVERSALS", "1/min", 60.0, t, reversals, None, None, None),
        SlowView("lane_departures", "DEPARTURES", "", 60.0, t, departures, None, None, None),
    )
    return tuple(replace(row, **more) for row in rows)


NOTES = (
    Note(42.0, 1, WALL + 42, "ops", "mirrors checked"),
    Note(118.6, 1, WALL + 118, "ops", "asks about the light in the cabin, answered by intercom"),
    Note(171.3, 1, WALL + 171, "ops", "yawns"),
)

TIMELINE = (
    TimelineMark(42.0, "note", "mirrors checked"),
    TimelineMark(95.0, "loss", "14 frames lost"),
    TimelineMark(118.6, "note", "light in the cabin"),
    TimelineMark(171.3, "note", "yawns"),
)

REASONS = (
    ReasonView("operator-error", "operator or experimenter error", "doubtful"),
    ReasonView("participant-unwell", "participant unwell", "void"),
    ReasonView("monitor-mistaken", "the monitor is mistaken, as the words explain", "note"),
    ReasonView("task-broken", "task did not run as scripted", "void"),
    ReasonView("alert-not-felt", "alert given and not perceivable", "doubtful"),
    ReasonView("equipment", "equipment failure", "doubtful"),
    ReasonView("other", "other, see words", "note"),
)


def live_view(**more: Any) -> LiveView:
    """A live view 12 s before gate-brake; any part can be replaced."""
    fields: dict[str, Any] = {
        "revision": 1,
        "record": "Q07-20251124T160000Z-3fa1.run",
        "participant": "Q07",
        "group": "seat-pulse",
        "study": "dusk-road",
        "scenario": "clean",
        "drive": 1,
        "t": 192.4,
        "feed": FeedView("live", 60.0, 11_544, 0, 0, 0, 0.01, ""),
        "recorder": RecorderView("recording", 412.0, 0, ""),
        "numbers": numbers(),
        "strips": strips(),
        "whole": whole(),
        "scene": scene(),
        "outlook": outlook(),
        "trials": (),
        "notes": NOTES,
        "timeline": TIMELINE,
        "masked": False,
        "blind": False,
        "reasons": REASONS,
    }
    return LiveView(**{**fields, **more})


def after_fire(one: Trial, **more: Any) -> LiveView:
    """Five seconds after gate-brake fired, with side-gust as the next trigger."""
    rows = tuple(OutlookRow(judged, 0, "") for judged in conditions(2.0)[1:4])
    fired = (
        TimelineMark(202.5, "task", "arrow grid"),
        TimelineMark(204.2, "trigger", "gate-brake"),
        TimelineMark(204.45, "alert", "seat-pulse"),
    )
    fields: dict[str, Any] = {
        "t": 209.1,
        "trials": (one,),
        "outlook": OutlookView("side-gust", None, rows),
        "lost_words": LOST if one.effective == "invalid" else (),
        "numbers": numbers(1.12, 2.9, -0.31),
        "strips": strips(209.1, 1.12),
        "whole": whole(209.1),
        "scene": scene(24.0),
        "timeline": TIMELINE + fired,
        "responses": (traces(),),
    }
    return live_view(**{**fields, **more})


LOST = (("1/gate-brake/1", "gate-brake is lost; it cannot be rerun here; drive on, side-gust still counts."),)

STEPS = (
    SheetLine(
        "Welcome and consent",
        "You may stop at any time, without giving a reason. Just say stop.",
        None,
        None,
        None,
        None,
        "done",
    ),
    SheetLine(
        "Explain the arrow grid",
        "When the arrows appear, count those that point up and say the number aloud. Drive as you would on a road at "
        "dusk.",
        None,
        None,
        None,
        None,
        "any time",
    ),
    SheetLine("Intercom off", "", 300.0, None, -3_500.0, -157.0, "due"),
    SheetLine("Comfort rating", "From zero, fine, to twenty: how do you feel?", 4_040.0, None, 240.0, 10.8, "soon"),
    SheetLine("Lights on", "", None, 260.0, None, 67.6, "later"),
    SheetLine(
        "Ask after the drive", "Did anything surprise you? Had you expected it?", None, None, None, None, "any time"
    ),
)


def preflight_view(*wrong: str, over: bool = False) -> PreflightView:
    """A preflight in which the named lines are not met."""
    lines: tuple[PreflightLine, ...] = (
        PreflightLine("participant", "Q07", "Q07", "met"),
        PreflightLine("group", "seat-pulse", "chime" if "group" in wrong else "seat-pulse", "met"),
        PreflightLine("scenario", "one of the study's", "clean", "met"),
        PreflightLine("feed", "live", "live", "met"),
        PreflightLine("rate", "60 Hz", "60.0 Hz", "met"),
        PreflightLine("channels", "all 9", "1 missing" if "channels" in wrong else "all there", "met"),
        PreflightLine("frames", "none lost", "none lost", "met"),
        PreflightLine("surprise brake", "naive", "naive", "met"),
        PreflightLine("surprise gust", "naive", "naive", "met"),
        PreflightLine("disk", "60 min", "7 h left", "met"),
        PreflightLine("rehearsal", "go, today", "no rehearsal today", "undecided"),
    )
    lines = tuple(replace(line, result="not met") if line.what in wrong else line for line in lines)
    why = "; ".join(f"{line.what}: {line.given}" for line in lines if line.result == "not met")
    why = why or "all that can be told is met; look yourself: rehearsal"
    return PreflightView("NOT YET" if wrong else "GO", why, lines, over)


DIGEST = "3f9a0c417be2d85516cc07a94e21fb38d0917a6ce54f82b3097d1ac64be85f20"


def closing_view(**more: Any) -> LiveView:
    """After the drive: the first trial undecided, a second one valid, and two steps not ticked off."""
    gust = trial(
        "valid",
        id="1/side-gust/1",
        trigger="side-gust",
        fired_at=301.4,
        timing=Timing(301.4, 0.0, 0.0, "on time"),
        conditions=conditions(2.0)[1:4],
    )
    ended = FeedView("ended", 60.0, 24_800, 14, 0, 0, 8.0, "")
    fields: dict[str, Any] = {"feed": ended, "trials": (trial("undecided"), gust), "sheet": STEPS, "outlook": None}
    return after_fire(trial("undecided"), **{**fields, **more})


SAVED = SavedView(
    "1/gate-brake/1",
    "gate-brake",
    "The participant is still naive: gate-brake should have fired 3 s ago and no marker has come.",
    "Arm gate-brake again at the simulator's desk.",
    17.0,
    overdue=True,
)


def states() -> dict[str, LiveView]:
    """A view for every state that a screen must show."""
    no_lead = OutlookRow(
        replace(conditions()[0], value=None, state="no lead", margin=None, result="undecided"),
        0,
        "no lead",
        "fails",
        "time gap: no lead, band 1.8 to 2.2 s",
    )
    held = outlook()
    return {
        "no data": live_view(
            t=None,
            drive=None,
            feed=FeedView("waiting", None, 0, 0, 0, 0, None, ""),
            numbers=numbers(None, None, None, "not measured"),
            strips=(),
            scene=None,
            outlook=None,
            notes=(),
            timeline=(),
        ),
        "hold": live_view(),
        "ready": live_view(
            outlook=outlook("READY", 3.2, 2.04),
            numbers=numbers(2.04, 9.4),
            strips=strips(gap_s=2.04),
            scene=scene(45.5),
        ),
        "losing": live_view(outlook=outlook("LOSING", 8.0)),
        "let it run": live_view(outlook=outlook("LOSING", 3.0)),
        "stopped": after_fire(trial("invalid"), stop=StopView("k1", "unwell, stopped", 206.0, 1, "ops")),
        "two rulings": live_view(contested=(("1/gate-brake/1", "ben ruled valid, ann had ruled invalid"),)),
        "not fired": live_view(saved=SAVED, outlook=OutlookView("side-gust", 27.0, ())),
        "no lead": live_view(
            numbers=numbers(None, None, -0.12, "no lead"),
            strips=strips(lead=False),
            scene=scene(None),
            outlook=replace(held, rows=(no_lead, *held.rows[1:])),
        ),
        "not closing": live_view(
            numbers=(
                numbers()[0],
                replace(numbers()[1], value=None, state="not closing", result="met"),
                *numbers()[2:],
            )
        ),
        "stale": live_view(
            feed=FeedView("stale", None, 11_544, 0, 0, 0, 0.6, "No frame for 0.6 s."),
            numbers=numbers(None, None, None, "stale"),
        ),
        "feed lost": live_view(
            feed=FeedView("lost", None, 11_544, 0, 0, 0, 9.0, "The connection to the simulator is lost."),
            numbers=numbers(None, None, None, "stale"),
        ),
        "frames lost": live_view(feed=FeedView("live", 58.7, 11_544, 214, 3, 1, 0.02, "214 frames lost on the way.")),
        "fired": after_fire(trial("undecided", "fired")),
        "valid": after_fire(trial("valid")),
        "invalid": after_fire(trial("invalid")),
        "undecided": after_fire(trial("undecided")),
        "blind": after_fire(trial("valid", "fired", blind=True), masked=True, blind=True),
        "long drive": live_view(t=8995.0, strips=strips(8995.0), slow=slow(), slow_used=1),
        "recorder lost": live_view(
            recorder=RecorderView("lost", None, 2, "The recorder (process 4121) died; it is being started again.")
        ),
        "disk full": live_view(
            recorder=RecorderView(
                "not recording", 0.0, 0, "The disk is full: nothing more is recorded. Free some space."
            )
        ),
    }


class FakeSource:
    """A source whose view the test sets and which keeps what was posted."""

    def __init__(self, view: LiveView) -> None:
        self.shown = view
        self.posted: list[dict[str, Any]] = []
        self.ended: list[str] = []

    def view(self) -> LiveView:
        return self.shown

    def change(self, **more: Any) -> None:
        """The same view with other parts and the next revision."""
        self.shown = replace(self.shown, revision=self.shown.revision + 1, **more)

    def post(self, fields: dict[str, Any]) -> str:
        self.posted.append(fields)
        return f"k{len(self.posted)}"

    def end(self, why: str) -> None:
        self.ended.append(why)

    def posted_types(self) -> list[str]:
        return [one["type"] for one in self.posted]


@pytest.fixture
def hand_clock() -> HandClock:
    return HandClock()


class FakeReplay(FakeSource):
    """A source that can be moved about in and keeps how it was."""

    def __init__(self, view: LiveView) -> None:
        super().__init__(view)
        self.at = TransportView(192.4, 430.0, 1.0, False)
        self.moves: list[tuple[Any, ...]] = []

    def transport(self) -> TransportView:
        return self.at

    def _moved(self, *move: Any, **change: Any) -> None:
        self.moves.append(move)
        self.at = replace(self.at, **change)

    def play(self) -> None:
        self._moved("play", playing=True)

    def pause(self) -> None:
        self._moved("pause", playing=False)

    def step(self, frames: int) -> None:
        self._moved("step", frames)

    def set_speed(self, speed: float) -> None:
        self._moved("speed", speed, speed=speed)

    def seek(self, at_s: float) -> None:
        self._moved("seek", at_s, at_s=at_s)

    def jump(self, direction: int) -> None:
        self._moved("jump", direction)

    def loop(self) -> None:
        self._moved("loop")


def open_sheet(app: WatchApp) -> Sheet[Any]:
    """The sheet that lies over the screen."""
    screen: Screen[Any] = app.screen
    assert isinstance(screen, Sheet)
    return screen


def sheet(app: WatchApp) -> str:
    """The text of the sheet that is open."""
    canvas = open_sheet(app).query_one(SheetBody).canvas
    assert canvas is not None
    return canvas.text()


def redraw(app: WatchApp) -> None:
    """Draws the sheet that is open anew."""
    open_sheet(app).redraw()


def uncovered(app: WatchApp) -> bool:
    """Whether no sheet lies over the screen."""
    return app.screen is app.watch_screen


def posted(source: FakeSource) -> list[dict[str, Any]]:
    """What was posted, without what the screen enters by itself."""
    return [one for one in source.posted if one["type"] != "shown"]


def on_screen(app: App[Any]) -> list[list[Strip]]:
    """What stands on the terminal with its colours; a picture of it costs three times as much."""
    drawn = app.screen._compositor.render_update(full=True, screen_stack=app._background_screens)
    assert isinstance(drawn, LayoutUpdate)
    return [list(line) for line in drawn.strips]


async def until_it_stands(pilot: Pilot[Any]) -> None:
    """Goes on until nothing is left to be drawn: a sheet is there, has its size and has been painted.

    The toolkit mounts a sheet that opens by itself in turns of its own; a picture that was taken after a fixed number
    of turns had it, or had it not, as the machine was busy.
    """
    before: list[list[Strip]] = []
    for _ in range(100):
        await pilot.pause(0.02)
        now = on_screen(pilot.app)
        if now == before:
            return
        before = now
    raise AssertionError("the screen does not come to rest")


@pytest.fixture(autouse=True)
def _a_terminal_with_colours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Colours do not depend on where the tests run."""
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)


MakeApp = Callable[..., WatchApp]


@pytest.fixture
def make_app(hand_clock: HandClock) -> MakeApp:
    """Makes the app on a source, with a clock that the test moves."""

    def make(source: FakeSource, **more: Any) -> WatchApp:
        return WatchApp(source, clocks=Clocks(hand_clock, lambda: WALL + 500.0), **more)

    return make


DRAWN_WITH = "8.2.8"
Snap = Callable[..., bool]
Before = Callable[..., Callable[[Pilot[Any]], Awaitable[None]]]


@pytest.fixture
def drawn_with(request: pytest.FixtureRequest) -> None:
    """Pictures are compared letter by letter, with the version that drew them."""
    if textual.__version__ != DRAWN_WITH:
        if request.config.getoption("--snapshot-update"):
            pytest.fail(f"pictures are drawn anew only with Textual {DRAWN_WITH}")
        pytest.skip(f"pictures are compared letter by letter and were drawn with Textual {DRAWN_WITH}")


@pytest.fixture
def before() -> Before:
    """Makes what is done before a picture is taken: colours, keys, and waiting until the screen has come to rest."""

    def make(keys: tuple[str, ...] = (), colours: str = "dark") -> Callable[[Pilot[Any]], Awaitable[None]]:
        async def run(pilot: Pilot[Any]) -> None:
            pilot.app.theme = colours
            await until_it_stands(pilot)
            await pilot.press(*keys)
            await until_it_stands(pilot)

        return run

    return make
