"""What a simulated drive is to be: everything that decides its messages, and how it is published."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from monitor.errors import WitnessError
from monitor.simulation.repertoire import DEMO, KINDS, Kind
from monitor.simulation.scenarios import GATE_STATION_M, SCENARIOS, Scenario

MAX_EXTRA_VEHICLES = 500
"""With van, follower, hatchback and a new car the feed's limit of 512 others is not reached."""

SHORT_BEFORE_S, SHORT_AFTER_S = 18.0, 12.0
"""A short drive is on the wire from so long before the gate's place to so long after it."""


def first_group(kind: str) -> str:
    """The group of a drive for which none is asked."""
    return next(iter(KINDS[kind].groups)) if kind in KINDS else ""


@dataclass(frozen=True, slots=True)
class SimulationPlan:
    """A drive to be simulated. Raises `WitnessError` with a plain sentence for values that make no drive."""

    bind: str = "tcp://127.0.0.1:*"
    kind: str = DEMO
    """What kind of study it is a drive of (`repertoire`)."""
    scenario: str = "clean"
    seed: int = 1
    speed: float = 1.0
    """Times real time."""
    rate_hz: float = 60.0
    group: str = "chime"
    participant: str | None = None
    """As the hello says it; None: the simulator does not know who drives."""
    truth_path: Path | None = None
    """Where the injected truth is written; the monitor never reads it."""
    extra_vehicles: int = 0
    """Vehicles beside the usual ones, for load tests: a file of oncoming cars."""
    duration_factor: float = 1.0
    """The drive lasts this many times as long (1 or more); what is added is driving on at its end."""
    short: bool = False
    """The gate alone, for an exercise; only of drives on the demo's road."""
    wait_for_subscriber_s: float = 0.0
    """At most this long is waited for somebody to listen before the drive begins."""

    def __post_init__(self) -> None:
        for what, name, names in (
            ("kind of drive", self.kind, KINDS),
            ("scenario", self.scenario, self.about.scenarios if self.kind in KINDS else ()),
            ("alert group", self.group, self.about.groups if self.kind in KINDS else ()),
        ):
            if name not in names:
                near = difflib.get_close_matches(name, names, n=2, cutoff=0.5)
                hint = f"did you mean {' or '.join(near)}?" if near else f"there are {', '.join(names)}."
                raise WitnessError(f"The simulator has no {what} {name!r}; {hint}")
        if self.short and not self.about.drives_dusk_road:
            raise WitnessError(f"There is no short drive of the kind {self.kind!r}; leave the kind out.")
        if not (math.isfinite(self.speed) and self.speed > 0.0):
            raise WitnessError(f"The speed of the simulation is {self.speed:g} times real time; it must be above 0.")
        if not 5.0 <= self.rate_hz <= 1000.0:
            raise WitnessError(
                f"The frame rate of the simulation is {self.rate_hz:g} Hz; it must be from 5 to 1000 Hz."
            )
        if not 0 <= self.extra_vehicles <= MAX_EXTRA_VEHICLES:
            raise WitnessError(
                f"{self.extra_vehicles} extra vehicles are asked for; there can be 0 to {MAX_EXTRA_VEHICLES}."
            )
        if not 1.0 <= self.duration_factor <= 1000.0:
            raise WitnessError(f"The duration factor is {self.duration_factor:g}; it must be from 1 to 1000.")

    @property
    def about(self) -> Kind:
        """The kind of drive."""
        return KINDS[self.kind]

    @property
    def alerts(self) -> tuple[str, ...]:
        """What the group is given."""
        return self.about.groups[self.group]

    @property
    def deviations(self) -> Scenario:
        """The scenario of a drive on the demo's road; no deviations in a drive of another kind."""
        scenario = SCENARIOS[self.scenario if self.about.drives_dusk_road else "clean"]
        return _shortened(scenario) if self.short else scenario

    @property
    def feed_scenario(self) -> str:
        """What the hello says to be driven."""
        return self.deviations.feed_scenario if self.about.drives_dusk_road else self.about.feed_scenario

    @property
    def run(self) -> str:
        """The name of the drive on the feed; the same plan gives the same name."""
        return f"{self.kind}-{self.scenario}-seed{self.seed}"


@cache
def _shortened(scenario: Scenario) -> Scenario:
    """The gate alone; kept, since a drive asks for it at each of its steps."""
    begins_m = GATE_STATION_M - SHORT_BEFORE_S * scenario.cruise_mps
    return replace(scenario, starts_at_m=max(scenario.starts_at_m, begins_m), gust_fires=False)
