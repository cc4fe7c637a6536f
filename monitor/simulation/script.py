"""The script of the drive: what falls on which frame, by stations of the own car and times after them.

The task begins so that 1.5 s of driving later the car is at 700 m, where `gate-brake` fires; the alert follows 0.30 s
after the fire; at 1300 m, on the bridge, `side-gust` fires. All times are those of frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from monitor.simulation.noise import stream
from monitor.simulation.plan import SHORT_AFTER_S, SimulationPlan
from monitor.simulation.scenarios import GATE_STATION_M
from monitor.simulation.steps import MarkerStep

RUN_NAME = "dusk-road"
GATE = "gate-brake"
GUST, GUST_STATION_M = "side-gust", 1300.0
SECOND_FIRE_S = 4.0

TASK = "arrow-grid"
TASK_LEAD_S = 1.5
LOOKS_AWAY_S = 3.0
"""The driver looks away for as long as the task should last, unless something brings the eyes up."""

ALERT_CRITERION_S = 0.30
"""The alert's criterion holds this long after the hazard begins; it is the origin of the drawn response."""
ALERT_LASTS_S = 0.8
ALERT_AGAIN_S = 0.9
SYNC_EVERY_S = 5.0

ENDS_S, ENDS_AT_LATEST_S = 68.0, 74.0
AFTER_GUST_S = 7.5
HELD_ENDS_S = 3.0
"""A drive in which the gate was held back is ended so long after that."""

_ANOTHER = {(): "sound", ("sound",): "vibration", ("vibration",): "light", ("light",): "sound"}
_ROUNDING_S = 1e-9


@dataclass(slots=True)
class Script:
    """Markers as they fall due, and the instants that the model needs: infinite until they come."""

    plan: SimulationPlan
    task_t: float = math.inf
    gate_t: float = math.inf
    """The first fire of `gate-brake`."""
    gust_t: float = math.inf
    gate_fires: int = 0
    held_back: bool = False
    """Whether somebody at the simulator holds the gate back: it does not fire any more, and the drive is ended."""
    _held_t: float = math.inf
    _passed_t: float = math.inf
    """When the gate's place was passed."""
    _due: list[MarkerStep] = field(default_factory=list)
    _next_sync_s: float = 0.0
    _clock_offset_s: float = field(init=False)

    def __post_init__(self) -> None:
        self._add("run_start", RUN_NAME, 0.0)
        self._clock_offset_s = stream(self.plan.seed, "task clock").uniform(2.0, 9.0)

    @property
    def alert(self) -> tuple[str, ...]:
        """What is given at the gate, which may be other than what the group is assigned."""
        assigned = self.plan.alerts
        return {"assigned": assigned, "another": (_ANOTHER[assigned],), "none": ()}[self.plan.deviations.alert]

    def at(self, t: float, station_m: float, speed_mps: float) -> tuple[MarkerStep, ...]:
        """The markers of the frame at t, in order. A `run_end` among them ends the drive."""
        scenario = self.plan.deviations
        if self.held_back:
            self._held_t = min(self._held_t, t)
        if station_m >= GATE_STATION_M:
            self._passed_t = min(self._passed_t, t)
        if scenario.clock_drift is not None and t >= self._next_sync_s - _ROUNDING_S:
            self._next_sync_s += SYNC_EVERY_S
            clock_s = t * (1.0 + scenario.clock_drift) + self._clock_offset_s
            self._add("sync", "task-tablet", t, {"clock_s": clock_s})
        if self.task_t == math.inf and station_m >= GATE_STATION_M - TASK_LEAD_S * scenario.cruise_mps:
            self._begin_task(t)
        if self._gate_fires_now(t, station_m, speed_mps):
            self._fire_gate(t)
        if self.gust_t == math.inf and scenario.gust_fires and station_m >= GUST_STATION_M:
            self.gust_t = t
            self._add("trigger", GUST, t)
        if t >= self.gate_t + scenario.aborts_after_s - _ROUNDING_S:
            self._add("abort", RUN_NAME, t)
        stopped = scenario.ends_at_m is not None and station_m >= scenario.ends_at_m
        if stopped or t >= self._ends_t() - _ROUNDING_S:
            self._add("run_end", RUN_NAME, t)
        now = [marker for marker in self._due if marker.t <= t + _ROUNDING_S]
        if not now:
            return ()
        self._due = [marker for marker in self._due if marker.t > t + _ROUNDING_S]
        now.sort(key=lambda marker: marker.t)
        return tuple(MarkerStep(one.kind, one.name, t, one.data, one.lost) for one in now)

    def contact(self, t: float, other: int, name: str, impact_mps: float) -> None:
        """The own car has run into another: told on the frame at t."""
        self._add("collision", name, t, {"with": other, "impact_mps": impact_mps})

    def _add(self, kind: str, name: str, t: float, data: dict[str, Any] | None = None) -> None:
        self._due.append(MarkerStep(kind, name, t, data, kind in self.plan.deviations.lost_markers))

    def _gate_fires_now(self, t: float, station_m: float, speed_mps: float) -> bool:
        scenario = self.plan.deviations
        if self.held_back or self.gate_fires >= scenario.fires:
            return False
        if self.gate_fires == 0:
            return station_m >= GATE_STATION_M + scenario.fire_shift_s * speed_mps
        return t >= self.gate_t + SECOND_FIRE_S - _ROUNDING_S

    def _begin_task(self, t: float) -> None:
        scenario = self.plan.deviations
        self.task_t = t
        if not scenario.task_items:
            return
        arrows = stream(self.plan.seed, "arrows")
        self._add("task_start", TASK, t)
        for item in range(scenario.task_items):
            data = {"item": item + 1, "target_up": arrows.random() < 0.5}
            self._add("task_item", TASK, t + item * scenario.task_spacing_s, data)
        self._add("task_end", TASK, t + scenario.task_lasts_s, {"items": scenario.task_items})

    def _fire_gate(self, t: float) -> None:
        scenario = self.plan.deviations
        self.gate_fires += 1
        self.gate_t = min(self.gate_t, t)
        self._add("trigger", scenario.fires_as, t)
        for modality in self.alert:
            for count in range(scenario.alert_count):
                on_t = t + scenario.alert_delay_s + count * ALERT_AGAIN_S
                data = {"modality": modality, "measured": scenario.alert_measured}
                self._add("alert_on", modality, on_t, data)
                self._add("alert_off", modality, on_t + ALERT_LASTS_S, data)

    def _ends_t(self) -> float:
        latest = ENDS_AT_LATEST_S * self.plan.duration_factor
        if self.held_back:
            return min(self._held_t + HELD_ENDS_S, latest)
        if self.plan.short:
            return min(self._passed_t + SHORT_AFTER_S, latest)
        if self.gust_t == math.inf:
            return latest
        return min(max(ENDS_S * self.plan.duration_factor, self.gust_t + AFTER_GUST_S), latest)
