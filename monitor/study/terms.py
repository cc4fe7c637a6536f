"""What a study file asks of a frame or a window: measures, conditions, terms of a rule. Units in the names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.measures.arrival import Point
from monitor.study.band import Band

MissingMeans = Literal["undecided", "met", "not met"]
Edge = Literal["none", "rising", "falling", "risingOrFalling"]
"""Condition edges with the members and meaning of the open scenario standard (ASAM OpenSCENARIO XML, conditionEdge)."""


@dataclass(frozen=True, slots=True)
class Event:
    """Markers of one kind, and of one name where it is given."""

    kind: str
    name: str | None = None

    @property
    def text(self) -> str:
        """The event in words: "trigger gate-brake", "alert_on"."""
        return f"{self.kind} {self.name}" if self.name else self.kind


@dataclass(frozen=True, slots=True)
class Measure:
    """What a condition looks at.

    kind: "own" (own channel), "lateral" (lane_offset, time_to_line), "pair" (own car, or `from_role`, and a role: gap,
    TTC …), "role" (a role's own channel), "signal" (a further number of the feed), "rolling" (over the last `over_s`
    seconds), "point" (own car, or `role`, and a point of the road), "event" (time since a marker).
    With `rate_over_s` it is the mean rate of change over so many seconds, and `unit` that of the rate.
    """

    kind: Literal["own", "lateral", "pair", "role", "signal", "rolling", "point", "event"]
    name: str
    role: str | None
    unit: str
    over_s: float | None = None
    from_role: str | None = None
    point: Point | None = None
    event: Event | None = None
    rate_over_s: float | None = None

    @property
    def text(self) -> str:
        """The measure as the study file writes it; what else decides it follows in brackets."""
        said = f"{self.role}.{self.name}" if self.kind == "role" else self.name
        beside = [f"from {self.from_role}"] if self.from_role else []
        if self.point is not None:
            beside.append(f"{self.role} at {self.point.name}" if self.role else self.point.name)
        if self.event is not None:
            beside.append(self.event.text)
        if self.rate_over_s is not None:
            beside.append(f"change over {self.rate_over_s:g} s")
        return f"{said} ({', '.join(beside)})" if beside else said

    @property
    def looks_back_s(self) -> float:
        """How long before a frame its value looks."""
        return (self.over_s or 0.0) + (self.rate_over_s or 0.0)


@dataclass(frozen=True, slots=True)
class AtFire:
    """The condition is asked at the fire time."""

    @property
    def window_s(self) -> tuple[float, float]:
        """First and last instant that is looked at, in seconds from the fire."""
        return 0.0, 0.0


@dataclass(frozen=True, slots=True)
class During:
    """The condition must hold from `start_s` to `end_s`, for at least `share` of that time (1 = in every frame)."""

    start_s: float
    end_s: float
    share: float = 1.0

    @property
    def window_s(self) -> tuple[float, float]:
        """First and last instant that is looked at, in seconds from the fire."""
        return self.start_s, self.end_s


@dataclass(frozen=True, slots=True)
class Within:
    """The band must be reached at most `limit_s` after the fire and then be held for `held_s`."""

    limit_s: float
    held_s: float

    @property
    def window_s(self) -> tuple[float, float]:
        """First and last instant that is looked at, in seconds from the fire."""
        return 0.0, self.limit_s + self.held_s


@dataclass(frozen=True, slots=True)
class Looked:
    """A measure and the band that it must lie in."""

    measure: Measure
    band: Band


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a trigger."""

    name: str
    measure: Measure
    band: Band
    when: AtFire | During | Within
    required: bool = True
    if_missing: MissingMeans = "undecided"
    """What "no lead" or "not measured" counts as."""
    needs_evidence: bool = False
    """Whether it is undecided where nothing else in the feed tells what its measure looks at."""
    or_else: tuple[Looked, ...] = ()
    """Further measures of which any one in its band is enough, too (`any_of`)."""
    settles_at_s: float | None = None
    """So many seconds before the fire the condition should hold; until then nobody is told to wait for it. None: what
    a line through the last seconds can foresee is expected all along, what cannot be a second before the fire."""

    @property
    def alternatives(self) -> tuple[Looked, ...]:
        """All that may be in its band; one of them is enough."""
        return (Looked(self.measure, self.band), *self.or_else)

    @property
    def looks_back_s(self) -> float:
        """How long before a frame the values of it look."""
        return max(self.measure.looks_back_s, *(one.measure.looks_back_s for one in self.or_else), 0.0)


@dataclass(frozen=True, slots=True)
class FireTerm:
    """One term of `armed_when` or `fires_when`: a band as the logical expression, with edge and delay."""

    measure: Measure
    band: Band
    edge: Edge = "none"
    delay_s: float = 0.0
    or_else: tuple[FireTerm, ...] = ()
    """Further terms of which any one is enough, too (`any_of`), each with an edge and a delay of its own."""

    @property
    def alternatives(self) -> tuple[FireTerm, ...]:
        """All that may hold, itself first; one of them is enough."""
        return (self, *self.or_else)
