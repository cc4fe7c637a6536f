"""A channel map once it is loaded: how a source's names, units and axes become the feed's. Frozen, all checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Reference = Literal["centre", "front bumper", "rear bumper", "front axle", "rear axle"]
"""The point of a vehicle that a source's x, y and station are of."""
REFERENCES: tuple[Reference, ...] = ("centre", "front bumper", "rear bumper", "front axle", "rear axle")

When = Literal["rises", "falls", "counts up", "changes", "becomes", "received"]
WHENS: tuple[When, ...] = ("rises", "falls", "counts up", "changes", "becomes", "received")


@dataclass(frozen=True, slots=True)
class Reading:
    """One number of the feed: raw · `scale` + `offset`, both already in the feed's unit; or a constant."""

    name: str = ""
    """The source's name; empty for a constant or for components."""
    scale: float = 1.0
    offset: float = 0.0
    components: tuple[str, str] | None = None
    """Names of the parts along the source's x and y axes, of which speed and accel are made."""
    constant: float | None = None
    """NaN: not measured."""
    values: dict[str, float] | None = None
    """The source's value as text → the number it stands for (before scale and offset)."""
    mask: int | None = None
    """Only these bits of an integer count, as a number of their own: moved down to the lowest of them."""
    nanoseconds: str | None = None
    """Of a time in two parts: the name of its nanoseconds, beside whole seconds."""

    def names(self) -> tuple[str, ...]:
        """The source's names that it needs."""
        named = self.components or ((self.name,) if self.name else ())
        return named if self.nanoseconds is None else (*named, self.nanoseconds)


@dataclass(frozen=True, slots=True)
class Presence:
    """What says that a vehicle, or a slot for one, is there: a value, or bits of it, that is not zero."""

    name: str
    mask: int | None = None


@dataclass(frozen=True, slots=True)
class Axes:
    """How the source counts, against ISO 8855 (y left of x, angles counter-clockwise from x, left turns positive).

    heading = `heading_zero` + `heading_sign` · angle, in radians; the others are factors of 1 or −1.
    """

    y_sign: float = 1.0
    heading_zero: float = 0.0
    heading_sign: float = 1.0
    lane_offset_sign: float = 1.0
    yaw_rate_sign: float = 1.0
    steering_angle_sign: float = 1.0


@dataclass(frozen=True, slots=True)
class VehicleChannels:
    """The channels of the own car, of one other vehicle, or of each row of several."""

    channels: dict[str, Reading]
    reference: Reference = "centre"
    axle_to_centre_m: float = 0.0
    """From the axle to the box's centre, both ways positive; for the axle references."""


@dataclass(frozen=True, slots=True)
class NamedVehicle:
    """A vehicle that has source names of its own, such as LeadX and LeadSpeed."""

    id: int
    name: str | None
    parts: VehicleChannels
    present: Presence | None = None
    """None: it is there while x and y are numbers."""


@dataclass(frozen=True, slots=True)
class VehicleRows:
    """Vehicles that come as an array of structures, a list of maps, or a map of columns, under `rows`."""

    rows: str
    id: str | None
    """None: a vehicle's number is that of its slot, counted from 1."""
    name: str | None
    parts: VehicleChannels
    present: Presence | None = None
    """A value of the row itself; None: every row is a vehicle."""
    leave_out: tuple[int, ...] = ()
    """Ids that stand for unused rows."""
    own_id: str | None = None
    """Name of the source's value that says which row is the own car, to be left out."""


@dataclass(frozen=True, slots=True)
class SignalReading:
    """A further number of the feed with the unit text that the hello gives."""

    reading: Reading
    unit: str


@dataclass(frozen=True, slots=True)
class MarkerRule:
    """What in the source makes a marker of the feed."""

    kind: str
    name: str
    when: When
    source: str = ""
    """The source's name that is watched; empty for "received"."""
    mask: int | None = None
    """Only these bits of it are watched."""
    empty_is_nothing: bool = True
    """Whether a value that is empty or left out is a state of its own ("nothing", a flag that is down), or says that
    all is as before."""
    becomes: str | None = None
    topic: str | None = None
    """For "received": the topic whose messages are the markers."""
    name_from: str | None = None
    names: dict[str, str] | None = None
    """The source's value → marker name, for "changes"; values that are not listed make none."""
    time_from: str | None = None
    """Where the source says when it happened, in the unit of [time]; None: the time of its sample."""
    modality: tuple[str, ...] = ()
    measured: bool | None = None

    def data(self) -> dict[str, Any] | None:
        """The marker's `data`, None where there is none."""
        data: dict[str, Any] = {}
        if self.modality:
            data["modality"] = self.modality[0] if len(self.modality) == 1 else list(self.modality)
        if self.measured is not None:
            data["measured"] = self.measured
        return data or None


@dataclass(frozen=True, slots=True)
class RunRule:
    """What begins a new drive, and what the source says of it."""

    restart_s: float = 1.0
    """A time that falls by more than this is a new drive; one that falls by less is out of order."""
    changes_with: str | None = None
    participant: str | None = None
    group: str | None = None
    scenario: str | None = None
    participant_from: str | None = None
    group_from: str | None = None
    scenario_from: str | None = None
    groups: dict[str, str] | None = None
    """The source's value → the study's name."""
    scenarios: dict[str, str] | None = None


@dataclass(frozen=True, slots=True)
class JoinRule:
    """How a further source (one without an own car) goes onto the feed of a simulator."""

    uncertainty_at_most_s: float = 0.05
    """Its signals are not measured while its clock is known less well than this."""
    same_clock: bool = False
    """Its times are simulation times already: it is stamped by the simulator's own clock."""
    hold_s: float = 0.1
    """The simulator's frames wait this long at most for its samples."""
    stale_s: float = 0.2
    """A value older than this is none."""


@dataclass(frozen=True, slots=True)
class Sequence:
    """The source's own counter of frames: what it skips was lost before the bridge."""

    name: str
    wraps_at: int | None = None


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a packed structure: numpy type code without byte order, count, byte position."""

    name: str
    code: str
    count: int
    at: int


@dataclass(frozen=True, slots=True)
class PackedRows:
    """An array of equal structures inside a packet."""

    name: str
    at: int
    stride: int
    most: int
    count: str | None
    """The field that says how many rows are used; None: all."""
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """A packet's layout. `size`: bytes that it has at least, or exactly where `exact`."""

    byte_order: Literal["<", ">"]
    fields: tuple[Field, ...]
    rows: tuple[PackedRows, ...]
    size: int
    exact: bool
    must_be: dict[str, float]


Format = Literal["msgpack", "json"]


@dataclass(frozen=True, slots=True)
class ZmqSource:
    """A ZeroMQ publisher of msgpack maps or JSON objects; topic and map, or the map alone."""

    connect: str | None
    topics: tuple[str, ...]
    frame_topic: str | None
    format: Format = "msgpack"


@dataclass(frozen=True, slots=True)
class UdpSource:
    """Datagrams of one packed structure, or of one map each."""

    listen: str | None
    interface: str
    layout: Layout | Format


@dataclass(frozen=True, slots=True)
class CsvSource:
    """A table of text: one line of names, then one line for each step."""

    delimiter: str
    decimal: str
    skip_lines: int
    units_line: bool
    missing: tuple[str, ...]
    encoding: str


LAYER_STAMP = "lsl_time"
"""Name of the stamp that the streaming layer gives each sample."""


@dataclass(frozen=True, slots=True)
class LslSource:
    """A stream of the lab streaming layer, or of a file that was recorded from it; pinned by whatever is stated."""

    stream: str
    type: str | None = None
    source_id: str | None = None
    host: str | None = None
    channels: tuple[str, ...] = ()
    """Names of the channels; none: as the stream's own description labels them, else c0, c1, c2."""


OsiMessage = Literal["GroundTruth", "SensorView"]


@dataclass(frozen=True, slots=True)
class OsiSource:
    """Messages of ASAM OSI: over ZeroMQ (`connect`), as datagrams (`listen`), or out of a trace file."""

    message: OsiMessage
    connect: str | None = None
    listen: str | None = None
    interface: str = "127.0.0.1"
    topic: str | None = None
    """Over ZeroMQ: the topic before the message; None: the message alone."""
    host_id: int | None = None
    """The own car's id; None: as the messages say."""


Source = ZmqSource | UdpSource | CsvSource | LslSource | OsiSource


@dataclass(frozen=True, slots=True)
class RoadConstant:
    """The road's reference line in the feed's axes."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    lane_width: float
    lanes: int

    def as_hello(self) -> dict[str, Any]:
        """The `road` of a hello."""
        return {"x": list(self.x), "y": list(self.y), "lane_width": self.lane_width, "lanes": self.lanes}


@dataclass(frozen=True, slots=True)
class ChannelMap:
    """A whole channel map."""

    feed_source: str
    rate_hz: float
    source: Source
    time: Reading
    wall: Reading | None
    sequence: Sequence | None
    run: RunRule
    axes: Axes
    own: VehicleChannels | None
    """None: a further source, of signals and markers only."""
    join: JoinRule | None
    """Of a further source."""
    vehicles: tuple[NamedVehicle, ...]
    rows: VehicleRows | None
    signals: dict[str, SignalReading]
    markers: tuple[MarkerRule, ...]
    road: RoadConstant | None
    cautions: tuple[str, ...]
    """Sentences to say when the map is loaded: what it leaves inexact."""
    text: str
    sha256: str
    path: str

    @property
    def tells_losses(self) -> bool:
        """Whether frames that are lost on their way from the source leave a gap: by its counter, by the stamps of the
        streaming layer, or because nothing is lost of a file."""
        return self.sequence is not None or isinstance(self.source, CsvSource | LslSource)

    def names(self) -> list[str]:
        """The source's names that a frame's sample should have; those of rows and of messages apart are left out."""
        readings = [self.time, *(() if self.wall is None else (self.wall,))]
        readings += [] if self.own is None else self.own.channels.values()
        readings += [one.reading for one in self.signals.values()]
        names = [name for reading in readings for name in reading.names()]
        for vehicle in self.vehicles:
            names += [name for reading in vehicle.parts.channels.values() for name in reading.names()]
            names += [vehicle.present.name] if vehicle.present else []
        for rule in self.markers:
            names += [rule.source] if rule.when != "received" else []
        run = self.run
        names += [one for one in (run.changes_with, run.participant_from, run.group_from, run.scenario_from) if one]
        names += [self.sequence.name] if self.sequence else []
        if self.rows is not None:
            names += [self.rows.rows, *([self.rows.own_id] if self.rows.own_id else [])]
        return list(dict.fromkeys(names))


def is_by_layer(channels: ChannelMap) -> bool:
    """Whether a map's time is the stamp of the streaming layer itself, of whose clock the layer knows: a device's own
    time in a channel is another clock."""
    return isinstance(channels.source, LslSource) and channels.time == Reading(name=LAYER_STAMP)
