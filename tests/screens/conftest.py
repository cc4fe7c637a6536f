"""A view factory in the scenario of the demo (dusk-road, participant Q07), and a source that keeps what was posted."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.following.view import (
    FeedView,
    LiveView,
    NumberView,
    OutlookRow,
    OutlookView,
    RecorderView,
    SceneView,
    StripView,
    TimelineMark,
    VehicleView,
)
from monitor.judging.trial import AlertResult, ConditionResult, Finding, Note, Response, Ruling, Timing, Trial
from monitor.study.model import Band

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
    words = {"time gap": "0.41 s too long, closing in" if gap_s > 2.2 else "holds"}
    rows = tuple(
        OutlookRow(one, 1 if one.result == "not met" else 0, words.get(one.name, "holds")) for one in conditions(gap_s)
    )
    why = {
        "READY": "all 5 conditions hold",
        "HOLD": "time gap 0.41 s too long, will hold in 6 s",
        "ABORT": "time gap cannot come into its band in time",
    }.get(heading, "")
    return OutlookView("gate-brake", heading, seconds, why, rows)  # type: ignore[arg-type]


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
        "ruling": None,
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


def ruled(one: Trial) -> Trial:
    """The trial with a ruling."""
    return replace(
        one, stage="ruled", ruling=Ruling("invalid", "task-broken", "grid did not light up", "ops", 230.0, WALL)
    )


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
    ("operator-error", "operator or experimenter error"),
    ("participant-unwell", "participant unwell"),
    ("task-broken", "task did not run as scripted"),
    ("alert-not-felt", "alert given and not perceivable"),
    ("distraction", "distracted by something outside the study"),
    ("equipment", "equipment failure"),
    ("other", "other, see words"),
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


class HandClock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def hand_clock() -> HandClock:
    return HandClock()
