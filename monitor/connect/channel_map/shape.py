"""The tables of a channel map: which sections and keys it has, and what each value must be.

`channels_building.py` checks what they mean together; `configs/channels-example.toml` explains them.
"""

from __future__ import annotations

from monitor.connect.channel_map.model import REFERENCES, WHENS
from monitor.feed.marker_kinds import KINDS
from monitor.feed.schema import OWN_OPTIONAL, OWN_REQUIRED
from monitor.tables.kinds import LONGEST_NAME, Flag, Key, Named, Number, Section, Sections, Several, Text

DIMENSIONS: dict[str, str | None] = {
    "x": "length",
    "y": "length",
    "heading": "angle",
    "speed": "speed",
    "accel": "acceleration",
    "length": "length",
    "width": "length",
    "yaw_rate": "angular speed",
    "station": "length",
    "lane": None,
    "lane_offset": "length",
    "lane_width": "length",
    "steering_angle": "angle",
    "accelerator": "share",
    "brake": "share",
    "heading_in_lane": "angle",
}
"""Channel → dimension of its unit; None: a plain number. `heading_in_lane` is used for the reference point only."""

NAME = Text(longest=LONGEST_NAME)
SOURCE_NAME = Text(longest=200)
ANY = Number()
WHOLE = Number(whole=True)
TABLE_OF_NAMES = Named(NAME, "value of the source")

BIT = Number(least=0, most=63, whole=True)
MASK = Number(least=1, most=2**63 - 1, whole=True)
BITS = {"bit": Key(BIT), "mask": Key(MASK)}

READING = {
    "from": Key(SOURCE_NAME),
    "unit": Key(Text(may_be_empty=True)),
    "scale": Key(ANY),
    "offset": Key(ANY),
    "constant": Key(ANY),
    "values": Key(Named(ANY, "value of the source")),
    **BITS,
}
PRESENT = Section({"from": Key(SOURCE_NAME, required=True), **BITS})
TIME = {name: READING[name] for name in ("from", "unit", "scale", "offset")} | {"nanoseconds": Key(SOURCE_NAME)}
CHANNEL = Section({**READING, "components": Key(Several(SOURCE_NAME, count=2)), "not_measured": Key(Flag())})
SIGNAL = Section({**READING, "unit_text": Key(Text(longest=LONGEST_NAME))})

PLACE = {"reference": Key(Text(REFERENCES)), "axle_to_centre_m": Key(Number(least=0.0))}
OTHER_NAMES = (*OWN_REQUIRED, "station", "lane")
OWN_NAMES = (*OWN_REQUIRED, *OWN_OPTIONAL, "heading_in_lane")
OTHER_CHANNELS = {name: Key(CHANNEL) for name in OTHER_NAMES}

FIELDS = Several(SOURCE_NAME)
COUNT = Number(least=0, whole=True)

CHANNEL_MAP = Section(
    {
        "feed": Key(
            Section({"source": Key(NAME, required=True), "rate_hz": Key(Number(above=0.0), required=True)}), True
        ),
        "source": Key(
            Section(
                {
                    "kind": Key(Text(("zmq", "udp", "csv", "lsl", "osi")), required=True),
                    "connect": Key(SOURCE_NAME),
                    "format": Key(Text(("msgpack", "json"))),
                    "topics": Key(Several(Text(longest=LONGEST_NAME, may_be_empty=True), distinct=True)),
                    "frame_topic": Key(NAME),
                    "listen": Key(SOURCE_NAME),
                    "interface": Key(SOURCE_NAME),
                    "byte_order": Key(Text(("little", "big"))),
                    "fields": Key(FIELDS),
                    "size": Key(Number(least=1, most=65507, whole=True)),
                    "must_be": Key(Named(ANY, "field")),
                    "rows": Key(
                        Sections(
                            Section(
                                {
                                    "name": Key(NAME, required=True),
                                    "fields": Key(FIELDS, required=True),
                                    "most": Key(Number(least=1, most=65507, whole=True), required=True),
                                    "count": Key(SOURCE_NAME),
                                    "at": Key(COUNT),
                                    "stride": Key(Number(least=1, whole=True)),
                                }
                            )
                        )
                    ),
                    "delimiter": Key(Text((",", ";", "\t", "|", " "))),
                    "decimal": Key(Text((".", ","))),
                    "skip_lines": Key(COUNT),
                    "units_line": Key(Flag()),
                    "missing": Key(Several(Text(may_be_empty=True))),
                    "encoding": Key(NAME),
                    "stream": Key(SOURCE_NAME),
                    "type": Key(SOURCE_NAME),
                    "source_id": Key(SOURCE_NAME),
                    "host": Key(SOURCE_NAME),
                    "channels": Key(Several(NAME, distinct=True)),
                    "message": Key(Text(("GroundTruth", "SensorView"))),
                    "topic": Key(Text(longest=LONGEST_NAME, may_be_empty=True)),
                    "host_id": Key(Number(least=0, whole=True)),
                }
            ),
            required=True,
        ),
        "time": Key(Section({**TIME, "wall": Key(Section(TIME))}), required=True),
        "sequence": Key(
            Section({"from": Key(SOURCE_NAME, required=True), "wraps_at": Key(Number(least=2, whole=True))})
        ),
        "run": Key(
            Section(
                {
                    "restart_s": Key(Number(above=0.0)),
                    "changes_with": Key(SOURCE_NAME),
                    "participant": Key(NAME),
                    "group": Key(NAME),
                    "scenario": Key(NAME),
                    "participant_from": Key(SOURCE_NAME),
                    "group_from": Key(SOURCE_NAME),
                    "scenario_from": Key(SOURCE_NAME),
                    "groups": Key(TABLE_OF_NAMES),
                    "scenarios": Key(TABLE_OF_NAMES),
                }
            )
        ),
        "axes": Key(
            Section(
                {
                    "y": Key(Text(("left of x", "right of x"))),
                    "heading": Key(
                        Text(
                            (
                                "counter-clockwise from x",
                                "clockwise from x",
                                "counter-clockwise from y",
                                "clockwise from y",
                                "clockwise from north",
                            )
                        )
                    ),
                    "lane_offset": Key(Text(("left", "right"))),
                    "yaw_rate": Key(Text(("left", "right"))),
                    "steering_angle": Key(Text(("left", "right"))),
                }
            )
        ),
        "own": Key(Section({**{name: Key(CHANNEL) for name in OWN_NAMES}, **PLACE})),
        "join": Key(
            Section(
                {name: Key(Number(above=0.0)) for name in ("uncertainty_at_most_s", "hold_s", "stale_s")}
                | {"same_clock": Key(Flag())}
            ),
        ),
        "vehicle": Key(
            Sections(
                Section(
                    {
                        "id": Key(WHOLE, required=True),
                        "name": Key(NAME),
                        "present": Key(PRESENT),
                        **OTHER_CHANNELS,
                        **PLACE,
                    }
                )
            )
        ),
        "vehicles": Key(
            Section(
                {
                    "rows": Key(SOURCE_NAME, required=True),
                    "id": Key(SOURCE_NAME),
                    "name": Key(SOURCE_NAME),
                    "leave_out": Key(Several(WHOLE)),
                    "present": Key(PRESENT),
                    "own_id": Key(SOURCE_NAME),
                    **OTHER_CHANNELS,
                    **PLACE,
                }
            )
        ),
        "signals": Key(Named(SIGNAL, "signal")),
        "marker": Key(
            Sections(
                Section(
                    {
                        "kind": Key(Text(tuple(KINDS)), required=True),
                        "name": Key(Text(longest=LONGEST_NAME, may_be_empty=True)),
                        "when": Key(Text(WHENS), required=True),
                        "from": Key(SOURCE_NAME),
                        **BITS,
                        "empty": Key(Text(("nothing", "as before"))),
                        "becomes": Key(Text(may_be_empty=True)),
                        "topic": Key(NAME),
                        "name_from": Key(SOURCE_NAME),
                        "names": Key(TABLE_OF_NAMES),
                        "time_from": Key(SOURCE_NAME),
                        "modality": Key(Several(NAME, distinct=True)),
                        "measured": Key(Flag()),
                    }
                )
            )
        ),
        "road": Key(
            Section(
                {
                    "x": Key(Several(ANY), required=True),
                    "y": Key(Several(ANY), required=True),
                    "unit": Key(Text()),
                    "lane_width": Key(Number(above=0.0), required=True),
                    "lanes": Key(Number(least=1, whole=True), required=True),
                }
            )
        ),
    }
)
