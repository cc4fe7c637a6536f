"""Trials are a function of the entries: any cut into blocks gives exactly the same, whatever happened to the feed."""

from __future__ import annotations

import json
import math
from functools import cache
from itertools import pairwise
from random import Random
from typing import Any

import msgpack
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.judging.document import trial_json
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, pack_frames, unpack_frames
from tests.judging.hand import FIRE_T, SPEED, STUDY, HandDrive, Mark, entries_of, opening_of, study_of

EVERYTHING = (
    STUDY.replace(
        "\n[[trigger]]",
        '\n[signals.platform_x]\nunit = "m"\nsource = "platform"\nlower_limit = -1.0\nupper_limit = 1.0\n[[trigger]]',
        1,
    )
    .replace(
        "[trigger.alert]",
        '[[trigger.condition]]\nname = "eyes"\nmeasure = "eyes_on_road"\nat_most = 0.5\n'
        '[[trigger.condition]]\nname = "steady"\nmeasure = "sdlp"\nover_s = 4.0\nat_most = 0.4\nrequired = false\n'
        '[trigger.task]\nname = "grid"\nitems = 3\nspacing_s = 0.5\nlasts_s = 1.5\n'
        "[trigger.before]\naccelerator_at_least = 0.02\ntwo_footed_s = 0.3\n[trigger.alert]",
        1,
    )
    .replace("within_s = 3.0", "within_s = 3.0\nlevel_mps2 = 5.0\npeak_at_most_mps2 = 6.0", 1)
    .replace('"fire"', '"hazard onset"', 1)
    .replace("[groups.chime]", "comfort_stop_at = 12\n[groups.chime]", 1)
)
"""A study with every kind of rule."""

KINDS = (
    STUDY.replace(
        "\n[[trigger]]",
        """
[signals.pulse]
source = "scripted"
[roles.second]
id = 7
[points.gate]
station_m = 420.0
along_m = 2.0
[[trigger]]""",
        1,
    )
    .replace(
        'measure = "station"\nat_least = 300.0\nedge = "rising"',
        """any_of = [
    { measure = "station", at_least = 300.0, edge = "rising" },
    { measure = "time_to_arrival", point = "gate", at_most = 2.0, edge = "rising" },
    { measure = "distance_gap", role = "second", from_role = "lead", at_most = 1.0, edge = "rising" },
]
[[trigger.armed_when]]
measure = "speed"
rate_over_s = 0.5
outside = [2.0, 9.0]
[[trigger.armed_when]]
measure = "sdlp"
over_s = 2.0
at_most = 0.5""",
        1,
    )
    .replace(
        "[trigger.alert]",
        """[[trigger.condition]]
name = "aside or slow"
during = [-2.0, 0.0]
any_of = [
    { measure = "lane_offset", outside = [-0.5, 0.5] },
    { measure = "time_gap", role = "lead", rate_over_s = 1.0, at_least = -0.2, at_most = 0.2 },
]
[[trigger.condition]]
name = "before the gate"
measure = "time_to_arrival"
point = "gate"
at_least = 4.0
[[trigger.condition]]
name = "long after a pulse"
measure = "time_since"
event = "trigger"
named = "slows"
at_least = 2.5
[[trigger.condition]]
name = "since the alert"
measure = "time_since"
event = "alert_on"
during = [0.0, 2.0]
at_least = 0.1
required = false
[trigger.alert]""",
        1,
    )
    .replace(
        "[trigger.response]",
        '[[trigger.response.sign]]\nname = "brake"\nmeasure = "brake"\nat_least = 0.05\n'
        '[[trigger.response.sign]]\nname = "wheel"\nmeasure = "steering_angle"\noutside = [-0.05, 0.05]\n'
        'from_baseline = true\nheld_s = 0.1\n[trigger.response.stable]\nmeasure = "lane_offset"\nat_least = -0.2\n'
        "at_most = 0.2\n[trigger.response]",
        1,
    )
    + """
[[trigger]]
name = "slows"
expected = "any"
refractory_s = 1.5
grace_s = 0.8
[[trigger.fires_when]]
measure = "pulse"
at_least = 0.5
edge = "rising"
[[trigger.fires_when]]
measure = "time_since"
event = "trigger"
named = "slows"
at_least = 1.0
[[trigger.condition]]
name = "two gaps"
measure = "time_gap"
role = "lead"
outside = [1.6, 4.0]
[trigger.hazard]
within_s = 1.0
[trigger.hazard.onset]
measure = "pulse"
at_least = 0.5
"""
)
"""A study with every kind of measure, term, hazard and response that a study between participants can have."""

PULSES = (3.0, 5.0, 5.9, 8.0, 12.0, 15.0, 15.4, 19.0)


def pulsing(t: float) -> dict[str, Any]:
    return {"pulse": any(one <= t < one + 0.3 for one in PULSES), "eyes_on_road": False}


def slows(*at: float) -> list[tuple[float, str, str, dict[str, Any]]]:
    return [(t, "trigger", "slows", {}) for t in at]


ALERT = (10.3, "alert_on", "a", {"modality": "sound"})
TASK: list[Mark] = [
    (9.0, "task_start", "grid", {}),
    *((9.0 + 0.5 * k, "task_item", "grid", {}) for k in range(3)),
    (10.5, "task_end", "grid", {}),
]
SYNC = [(t, "sync", "tablet", {"clock_s": 1.004 * t}) for t in (0.5, 4.5, 8.5)]


def intruder(t: float) -> list[dict[str, Any]]:
    place = 100.0 + SPEED * t + 18.0
    car = {"id": 7, "x": place, "y": 0.0, "heading": 0.0, "speed": SPEED, "accel": 0.0, "length": 4.0, "width": 1.8}
    return [{**car, "station": place, "lane": 1 if 10.4 < t < 11.0 else 2}]


def odd(t: float) -> dict[str, float]:
    """Channels that do not fit together: a frozen speed, mirrored yaw rate, a brake that is not zero at rest."""
    surge = 0.4 / 0.5 * (1.0 - math.cos(0.5 * t))
    turn = 0.01 * math.sin(0.9 * t)
    place = 100.0 + SPEED * t + surge
    return {
        "x": place,
        "station": place,
        "speed": 20.2,
        "accel": 0.2 * math.cos(0.5 * t),
        "heading": turn,
        "yaw_rate": -0.009 * math.cos(0.9 * t),
        "brake": 0.08,
    }


def platform(t: float) -> dict[str, float]:
    return {"platform_x": 0.3 * math.sin(3.0 * min(t, 10.5)) + (1.2 if 9.0 < t < 9.2 else 0.0)}


DRIVES: dict[str, tuple[HandDrive, ...]] = {
    "clean": (HandDrive(),),
    "two drives": (HandDrive(), HandDrive(run="run-b", fire_t=10.0)),
    "frames lost at the fire": (HandDrive(lost_frames=frozenset(range(595, 612))),),
    "marker lost": (HandDrive(lost_markers=frozenset({3})),),
    "trigger marker lost": (HandDrive(lost_markers=frozenset({2})),),
    "never fired": (HandDrive(fire_t=None),),
    "unknown trigger": (HandDrive(fire_t=None, markers=[(10.0, "trigger", "deer", {}), ALERT]),),
    "twice": (HandDrive(markers=[ALERT, (14.0, "trigger", "gate-brake", {})]),),
    "cut short": (HandDrive(end_t=10.6),),
    "without end": (HandDrive(ends=False),),
    "everything odd": (
        HandDrive(
            end_t=25.0,
            own=odd,
            signals=platform,
            markers=[ALERT, *TASK, *SYNC],
            more_vehicles=intruder,
            wall=lambda t: 1e9 + 1.06 * t,
        ),
    ),
    "many events": (
        HandDrive(
            end_t=25.0,
            signals=pulsing,
            markers=[ALERT, *slows(3.0, 5.0, 8.4, 15.05, 16.0, 19.0)],
            own=lambda t: {"lane_offset": 0.6 * math.sin(0.4 * t), "speed": 20.0 + 0.3 * math.sin(t)},
            more_vehicles=lambda t: [{**one, "lane": 1} for one in intruder(t)],
        ),
        HandDrive(run="run-b", signals=pulsing, markers=slows(5.0), lost_markers=frozenset({3}), ends=False),
    ),
    "no gaze": (HandDrive(signals=lambda t: {"eyes_on_road": math.nan}, markers=[ALERT, *TASK]),),
    "stutter and pause": (
        HandDrive(
            markers=[ALERT, (11.0, "pause", "", {}), (11.0, "resume", "", {})],
            wall=lambda t: 1e9 + t + (0.3 if t > 10 else 0),
        ),
    ),
}
OPERATOR = [
    {"type": "comfort", "rating": 13, "drive": 1, "at": 4.0, "key": "a", "by": "op", "wall": 1.0},
    {"type": "eyes", "trial": "1/gate-brake/1", "value": False, "key": "b", "by": "op", "wall": 1.0},
    {"type": "reveal", "trial": "1/gate-brake/1", "key": "c", "by": "op", "wall": 1.0},
]


@cache
def entries_named(name: str) -> tuple[Entry, ...]:
    if name in VERY_LATE:
        return tuple(very_late(entries_of(HandDrive(), operator=OPERATOR), VERY_LATE[name]))
    return tuple(entries_of(*DRIVES[name], operator=OPERATOR))


VERY_LATE = {"alert very late": b"alert_on", "trigger very late": b"trigger"}
"""A marker that comes nine seconds late, when its trial is final or long missed, and that no hello repeats."""


def very_late(entries: list[Entry], kind: bytes) -> list[Entry]:
    payloads = [(one.kind, one.payload) for one in entries]
    late = next(index for index, (_, payload) in enumerate(payloads) if b"marker" in payload[:20] and kind in payload)
    marker = payloads.pop(late)
    payloads.insert(late + 9 * 61, marker)
    without = []
    for number, (entry_kind, payload) in enumerate(payloads, start=1):
        if entry_kind is EntryKind.MESSAGE and payload[6:11] == b"hello":
            topic, hello = unpack_frames(payload)
            payload = pack_frames([topic, msgpack.packb({**msgpack.unpackb(hello), "recent": []})])
        without.append(Entry(entry_kind, number, number * 1_000_000, number * 1_000_000, payload))
    return without


def trials_of(blocks: list[list[Entry]], text: str) -> str:
    study = study_of(text)
    session = Session(study, opening_of(study))
    for block in blocks:
        session.read_ahead(block[:2])
        session.read_ahead(block[2:5])
        session.take(block)
    return json.dumps([trial_json(trial) for trial in session.trials()])


def test_what_was_read_ahead_counts_for_its_own_entry_alone() -> None:
    """A recorder that was started again, and a dry run of a fork, have other entries of the same numbers."""
    entries = list(entries_named("clean"))
    study = study_of(STUDY)
    sessions = [Session(study, opening_of(study)) for _ in range(2)]
    one = entries[700]
    other = Entry(one.kind, one.number, one.monotonic_ns, one.wall_ns, entries[600].payload)
    for session in sessions:
        session.take(entries[:700])
    sessions[0].read_ahead([one])
    sessions[0].take([other])
    sessions[1].take([other])
    counts = [session.drives[0].log.counts for session in sessions]
    assert counts[0] == counts[1]
    assert counts[0].duplicates == 1


@pytest.mark.parametrize("end_t", [12.0, 16.0])
def test_what_comes_after_the_drives_end_changes_nothing_of_a_trigger_that_was_not_reached(end_t: float) -> None:
    """The station that the rule looks at is not measured about the end, after which the simulator sends on."""
    drive = HandDrive(
        fire_t=None,
        own=lambda t: {"station": math.nan if 11.8 < t < 12.2 else 150.0},
        markers=[(12.0, "run_end", "run", {})],
        ends=False,
        end_t=end_t,
    )
    entries = entries_of(drive)
    before = 660  # 10.8 s: one by one from a second before the station is lost
    whole, singly = (
        trials_of([entries[:before], *cut], STUDY) for cut in ([entries[before:]], [[one] for one in entries[before:]])
    )
    assert whole == singly
    assert "timing-unsure" in whole


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    name=st.sampled_from(sorted([*DRIVES, *VERY_LATE])),
    text=st.sampled_from([STUDY, EVERYTHING, KINDS]),
    cuts=st.lists(st.floats(0.0, 1.0), max_size=12),
    near_fire=st.lists(st.integers(-40, 400), max_size=12),
    shuffled=st.randoms(use_true_random=False),
    disorder=st.integers(0, 3),
)
@pytest.mark.slow
def test_any_cut_into_blocks_gives_exactly_the_same_trials(
    name: str, text: str, cuts: list[float], near_fire: list[int], shuffled: Random, disorder: int
) -> None:
    entries = disordered(list(entries_named(name)), shuffled, disorder)
    places = {round(cut * len(entries)) for cut in cuts} | {min(max(620 + k, 0), len(entries)) for k in near_fire}
    bounds = [0, *sorted(places), len(entries)]
    blocks = [entries[a:b] for a, b in pairwise(bounds)]
    assert trials_of(blocks, text) == trials_of([entries], text)


def disordered(entries: list[Entry], random: Random, disorder: int) -> list[Entry]:
    """Entries with some messages late, missing or twice; numbers stay in order, as a recorder gives them."""
    payloads = [(entry.kind, entry.payload) for entry in entries]
    for _ in range(disorder * 10):
        at = random.randrange(1, len(payloads) - 40)
        kind = random.choice(["late", "missing", "twice"])
        if kind == "late":
            payloads.insert(at + random.randrange(1, 30), payloads.pop(at))
        elif kind == "missing":
            del payloads[at]
        else:
            payloads.insert(at + 3, payloads[at])
    return [
        Entry(kind, number, entries[0].monotonic_ns + number * 1_000_000, number * 1_000_000, payload)
        for number, (kind, payload) in enumerate(payloads, start=1)
    ]


@pytest.mark.parametrize("text", [EVERYTHING, KINDS])
@pytest.mark.parametrize(
    "name", ["clean", "frames lost at the fire", "twice", "everything odd", "many events", *VERY_LATE]
)
def test_one_entry_at_a_time_gives_the_same_trials(name: str, text: str) -> None:
    """One by one about the fire, and where the windows after it end; by threes between, as each that is taken alone
    costs 2 ms."""
    entries = list(entries_named(name))
    last = 840 if name in VERY_LATE else 960
    bounds = [0, *range(600, 680), *range(680, 790, 3), *range(790, min(last, 860)), *range(860, last, 3), last, 1100]
    blocks = [entries[a:b] for a, b in pairwise([*bounds, len(entries)])]
    assert trials_of(blocks, text) == trials_of([entries], text)


def test_the_odd_drive_meets_many_rules_at_once() -> None:
    # so that the tests above do look at them
    trials = json.loads(trials_of([list(entries_named("everything odd"))], EVERYTHING))
    codes = {finding["code"] for finding in trials[0]["findings"]}
    assert {
        "axis-implausible",
        "channel-frozen",
        "clock-drift",
        "comfort-high",
        "lead-changed",
        "pedal-offset",
        "platform-limit",
        "platform-stopped",
        "slow-motion",
    } <= codes
    assert trials[0]["fired_at"] == FIRE_T


def test_the_drive_of_many_events_meets_the_new_kinds() -> None:
    trials = json.loads(trials_of([list(entries_named("many events"))], KINDS))
    told = {(one["id"], one["timing"]["result"]) for one in trials}
    assert {("1/slows/1", "on time"), ("1/slows/3", "late"), ("1/slows/4", "missed")} <= told, told
    assert len([one for one in trials if one["trigger"] == "slows"]) > 8
    (gate,) = (one for one in trials if one["id"] == "1/gate-brake/1")
    assert all(one["value"] is not None for one in gate["conditions"]), gate["conditions"]


def test_what_comes_after_a_trial_is_final_changes_nothing_of_it() -> None:
    (unknown,) = json.loads(trials_of([list(entries_named("alert very late"))], STUDY))
    assert (unknown["alert"]["result"], unknown["verdict"]) == ("not known", "undecided")
    (late,) = json.loads(trials_of([list(entries_named("trigger very late"))], STUDY))
    assert (late["fired_at"], late["timing"]["result"], late["verdict"]) == (FIRE_T, "on time", "valid")
    assert [one["code"] for one in late["findings"]] == ["marker-late"]


AHEAD_OF_FRAMES = 24
"""Messages at 60 Hz: a marker that is on the wire 0.4 s before the frames of its own time."""


@pytest.mark.parametrize("fault_from_t", [FIRE_T - 0.3, FIRE_T - 2.0])
def test_a_marker_that_comes_before_its_frames_is_judged_the_same_in_any_cut(fault_from_t: float) -> None:
    """A condition whose window ends before the fire has been seen by then; what it is held against has not."""
    text = STUDY.replace(
        "[trigger.alert]",
        '[[trigger.condition]]\nname = "speed before"\nmeasure = "speed"\nduring = [-3.0, -0.5]\n'
        "at_least = 18.0\nat_most = 22.0\n[trigger.alert]",
        1,
    )
    study = study_of(text)
    drive = HandDrive(own=lambda t: {"speed": 1.2 * SPEED} if t > fault_from_t else {}, end_t=18.0)
    payloads = [entry for entry in entries_of(drive) if entry.kind is not EntryKind.OPENING]
    at = next(place for place, one in enumerate(payloads) if b"gate-brake" in one.payload and b"marker" in one.payload)
    payloads.insert(at - AHEAD_OF_FRAMES, payloads.pop(at))
    entries = [
        Entry(one.kind, number, one.monotonic_ns, one.wall_ns, one.payload) for number, one in enumerate(payloads, 2)
    ]
    told = []
    # one by one from the begin of the earliest window until the fire has been judged
    for bounds in (range(400, 800), range(7, len(entries), 7), ()):
        session = Session(study, opening_of(study))
        for first, last in pairwise([0, *bounds, len(entries)]):
            session.take(entries[first:last])
            session.trials()
        told.append([trial_json(one) for one in session.trials()])
    assert told[0] == told[1] == told[2]
