"""The vehicle ahead about a trial: staying the same one, and the way to it being straight.

Before the fire the lead is whatever vehicle is nearest in the own car's path. After the fire own car's place in the
lane is part of the response, so from there on only the other vehicles are looked at: one that comes between own car and
the held lead, in the lead's own lane.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.judging.case.case import Case
from monitor.judging.case.stretch import Stretch
from monitor.judging.case.trial import Finding
from monitor.judging.case.values import held_rows
from monitor.measures.columns import IntArray
from monitor.measures.path import path_of
from monitor.study.vocabulary import LEAD

BEND_RAD = 0.03
"""The way bends by this much between own car and the lead: 30 m of a radius of 1000 m (common practice, no source)."""

LANE_WIDTH_M = 3.5
"""Where the feed does not give one."""


def judge_lead(case: Case, after_t: float = -math.inf) -> list[Finding]:
    """Another vehicle than the held lead being the nearest ahead, or the held lead vanishing from the feed.

    After the fire, frames later than `after_t` are looked at, and none before the fire where that is after it.
    """
    stretch = case.stretch
    if stretch is None or not uses_lead(case) or case.held_id < 0:
        return []
    before = stretch.window(case.start_t, case.fired_at)
    if after_t > case.fired_at:
        before = slice(before.stop, before.stop)
    other = (stretch.lead_id[before] != case.held_id) & (stretch.lead_id[before] >= 0)
    if other.any():
        first = before.start + int(np.flatnonzero(other)[0])
        return [_changed(case, stretch, first, int(stretch.lead_id[first]))]
    rows = held_rows(stretch, None, case.held_id)
    first = max(before.stop, int(stretch.t.searchsorted(after_t, side="right")))
    after = slice(first, max(first, stretch.window(case.fired_at, case.end_t).stop))
    gone = np.flatnonzero(rows[after] < 0)
    between = _first_between(case, stretch, after, rows)
    if between is not None and not (len(gone) and after.start + gone[0] <= between[0]):
        return [_changed(case, stretch, *between)]
    if len(gone):
        t = float(stretch.t[after.start + gone[0]])
        sentence = f"The {case.name_of(case.held_id)} is not in the feed any more from {t:.2f} s."
        return [case.finding("lead-changed", sentence, t)]
    return []


def judge_bend(case: Case) -> list[Finding]:
    """A note where the way to the lead bends at the fire: gaps are taken along it, a straight line would be shorter."""
    stretch = case.stretch
    at = stretch.last_at(case.fired_at) if stretch else -1
    if stretch is None or at < 0 or not uses_lead(case) or case.held_id < 0:
        return []
    row = int(held_rows(stretch, None, case.held_id)[at])
    if row < 0:
        return []
    own, others = stretch.frames.own, stretch.frames.others.channels
    x = np.array([own["x"][at], others["x"][row]])
    y = np.array([own["y"][at], others["y"][row]])
    chord = math.hypot(x[1] - x[0], y[1] - y[0])
    if stretch.road is not None:
        headings = path_of(stretch.road).project(x, y).heading
        bend = abs(math.remainder(float(headings[1] - headings[0]), 2.0 * math.pi))
    else:
        recent = stretch.window(case.fired_at - 0.5, case.fired_at)
        if recent.stop <= recent.start:
            return []
        speed = float(np.mean(own["speed"][recent]))
        bend = abs(float(np.mean(own["yaw_rate"][recent]))) / max(speed, 1.0) * chord
    if not bend > BEND_RAD:
        return []
    sentence = (
        f"The way to the {case.name_of(case.held_id)} bends by {math.degrees(bend):.1f}° at the fire (radius about "
        f"{chord / bend:.0f} m): gap and TTC are taken along it."
    )
    return [case.finding("curved-path", sentence, case.fired_at)]


def uses_lead(case: Case) -> bool:
    """Whether anything about this trigger looks at the vehicle ahead, or from own car at another one."""
    trigger, hazard = case.trigger, case.trigger.hazard
    looked = [one.measure for condition in trigger.conditions for one in condition.alternatives]
    looked += [hazard.onset.measure] if hazard is not None and hazard.onset is not None else []
    if hazard is not None and hazard.onset is None:
        return True
    from_own = any(measure.kind == "pair" and measure.from_role is None for measure in looked)
    return from_own or any(LEAD in (measure.role, measure.from_role) for measure in looked)


def _first_between(case: Case, stretch: Stretch, after: slice, held_row: IntArray) -> tuple[int, int] | None:
    """Frame and id of the first vehicle behind the held lead in its lane, nearer to it than own car was at the fire.

    A vehicle that was behind own car at the fire is no intruder: it closes up when traffic slows down.
    """
    at = stretch.last_at(case.fired_at)
    others, channels = stretch.frames.others, stretch.frames.others.channels
    if at < 0 or held_row[at] < 0 or after.start >= after.stop:
        return None
    rows = np.arange(int(others.start[after.start]), int(others.start[after.stop]))
    frame = others.frame_of_row()[rows]
    held = held_row[frame]
    rows, frame, held = rows[held >= 0], frame[held >= 0], held[held >= 0]
    heading = channels["heading"][held]
    dx, dy = channels["x"][rows] - channels["x"][held], channels["y"][rows] - channels["y"][held]
    forward, left = dx * np.cos(heading) + dy * np.sin(heading), dy * np.cos(heading) - dx * np.sin(heading)
    width = stretch.lateral["lane_width"].value[frame]
    lanes = channels["lane"][rows] - channels["lane"][held]
    beside = np.abs(left) >= 0.5 * np.where(np.isnan(width), LANE_WIDTH_M, width)
    in_lane = np.where(np.isnan(lanes), ~beside, lanes == 0.0)
    same_way = np.cos(channels["heading"][rows] - heading) > 0.0
    behind, reach_m = _at_fire(stretch, at, int(held_row[at]))
    between = in_lane & same_way & (forward < 0.0) & (forward > -reach_m) & ~np.isin(others.id[rows], behind)
    found = np.flatnonzero(between)
    return (int(frame[found[0]]), int(others.id[rows[found[0]]])) if len(found) else None


def _at_fire(stretch: Stretch, at: int, held: int) -> tuple[IntArray, float]:
    """The ids of the vehicles behind own car in frame `at`, and the distance of the centres of own car and lead."""
    own, others = stretch.frames.own, stretch.frames.others
    rows = slice(int(others.start[at]), int(others.start[at + 1]))
    heading, x, y = own["heading"][at], own["x"][at], own["y"][at]
    ahead = (others.channels["x"][rows] - x) * np.cos(heading) + (others.channels["y"][rows] - y) * np.sin(heading)
    reach = math.hypot(others.channels["x"][held] - x, others.channels["y"][held] - y)
    return others.id[rows][ahead < 0.0], reach


def _changed(case: Case, stretch: Stretch, index: int, other: int) -> Finding:
    t = float(stretch.t[index])
    held = case.name_of(case.held_id)
    if t <= case.fired_at:
        sentence = (
            f"From {t:.2f} s the nearest vehicle ahead was the {case.name_of(other)}, not the {held} as at the fire."
        )
    else:
        sentence = f"From {t:.2f} s, after the fire, the {case.name_of(other)} was between the own car and the {held}."
    return case.finding("lead-changed", sentence, t)
