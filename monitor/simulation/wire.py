"""Faults between the simulator and whoever listens: lost frames and markers, a stutter, channels that lie."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from monitor.simulation.scenarios import GATE_STATION_M, ChannelFault, Relabel, Scenario
from monitor.simulation.steps import DriveStep, rounded

STUTTER_FRAMES = 1
"""After the freeze this many frames still show the values of the one before it."""


def with_faults(steps: Iterator[DriveStep], scenario: Scenario) -> Iterator[DriveStep]:
    """The steps as the scenario lets them onto the wire. Markers and the steps' own times are never reordered."""
    held: dict[str, float] = {}
    frozen: DriveStep | None = None
    repeats = 0
    stood_s = 0.0
    first_t: float | None = None
    for step in steps:
        true_own = step.own
        station = true_own["station"]
        begun = station >= scenario.starts_at_m
        if begun and first_t is None:
            first_t = step.t
        # before the begin nothing is due: a drive that is joined late starts at once
        due_s = (step.t - (step.t if first_t is None else first_t)) / scenario.pace + stood_s
        wall = step.wall + step.t * (1.0 / scenario.pace - 1.0) + stood_s
        lost = not begun or abs(station - GATE_STATION_M) <= scenario.lost_about_fire_s * true_own["speed"]
        markers = step.markers if begun else tuple(replace(marker, lost=True) for marker in step.markers)
        own, others, signals = true_own, step.others, step.signals
        if repeats and frozen is not None:
            own, others, signals = frozen.own, frozen.others, frozen.signals
            repeats -= 1
        for fault in scenario.channels:
            if station >= fault.from_station_m:
                own, signals = _with_channel(own, signals, fault, held)
        if scenario.relabel is not None and station >= scenario.relabel.from_station_m:
            others = _relabelled(others, scenario.relabel)
        yield DriveStep(step.t, due_s, wall, markers, own, others, signals, lost=lost)
        if scenario.stutter_s and not stood_s and any(one.kind == "trigger" for one in step.markers):
            frozen, repeats, stood_s = step, STUTTER_FRAMES, scenario.stutter_s


def _with_channel(
    own: dict[str, float], signals: dict[str, float], fault: ChannelFault, held: dict[str, float]
) -> tuple[dict[str, float], dict[str, float]]:
    group, name = fault.channel.split(".")
    values = dict(own if group == "own" else signals)
    if fault.does == "holds":
        values[name] = held.setdefault(fault.channel, values[name])
    elif fault.does == "times":
        values[name] = rounded(values[name] * fault.value)
    elif fault.does == "adds":
        values[name] = rounded(values[name] + fault.value)
    else:
        values[name] = fault.value
    return (values, signals) if group == "own" else (own, values)


def _relabelled(others: dict[str, list[Any]], relabel: Relabel) -> dict[str, list[Any]]:
    if relabel.was not in others["id"]:
        return others
    row = others["id"].index(relabel.was)
    changed = {name: list(column) for name, column in others.items()}
    changed["id"][row], changed["name"][row] = relabel.becomes, relabel.name
    changed["length"][row], changed["width"][row] = relabel.length_m, relabel.width_m
    return changed
