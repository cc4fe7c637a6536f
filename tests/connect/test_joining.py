"""Two sources with two clocks: the right verdict with sync marks, undecided without, and never a wrong one."""

from __future__ import annotations

import math
import socket
import struct
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.connect.channel_map.loading import load_map, parse_map
from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.values import Sample
from monitor.connect.joining import FurtherSource, JoinedFeed
from monitor.errors import WitnessError
from monitor.feed.clock_offset import Pair, SyncMarks, estimate_offset
from monitor.feed.composing import FeedComposer
from monitor.feed.schema import Hello
from monitor.judging.case.trial import Trial
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames
from monitor.study.loading import load_study
from tests.connect import ridge, udp_sender
from tests.connect.conftest import CONFIGS, Listener, Processes, free_udp_port
from tests.connect.maps import map_text
from tests.connect.test_drives import Taken

STUDY = load_study(CONFIGS / "dusk-road.toml")
GAZE = (CONFIGS / "channels-gaze.toml").read_text(encoding="utf-8")
FIELDS = 'listen = "127.0.0.1:5602"\nfields = ["f64 clock", "u32 pulses", "u8 on_road", "skip 3"]'
GAZE_CSV = GAZE.replace(f'kind = "udp"\n{FIELDS}', 'kind = "csv"')


# The estimate.


@given(
    offset=st.floats(-1000, 1000),
    drift=st.floats(-2e-4, 2e-4),
    steps=st.tuples(st.floats(0.001, 0.05), st.floats(0.001, 0.05)),
    marks=st.lists(st.tuples(st.floats(0, 300), st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=12),
    at=st.floats(0, 300),
)
def test_the_true_offset_is_always_within_the_uncertainty(
    offset: float, drift: float, steps: tuple[float, float], marks: list[tuple[float, float, float]], at: float
) -> None:
    """Each mark is seen up to a step late on both sides; the truth must lie inside what is stated, at any time."""
    pairs = []
    for t, late1, late2 in marks:
        second = t
        first = t + offset + drift * t
        pairs.append(Pair(first + late1 * steps[0], second + late2 * steps[1]))
    told = estimate_offset(pairs, *steps)
    assert told is not None
    value, off_by = told.at(at)
    assert abs(value - (offset + drift * at)) <= off_by + 1e-6 + steps[1] * 2e-4


def test_by_hand() -> None:
    """Marks at 10 and 110 s of the second clock, 0.4 s behind and losing 50 µs a second; steps of 20 and 10 ms."""
    told = estimate_offset([Pair(10.4005, 10.0), Pair(110.4055, 110.0)], 0.02, 0.01)
    assert told is not None
    # at the marks: 0.4005 and 0.4055, less 0.02 to plus 0.01; half way: the mean; 100 s on: along the steepest line
    assert told.at(10.0) == pytest.approx((0.3955, 0.015))
    assert told.at(110.0) == pytest.approx((0.4005, 0.015))
    assert told.at(60.0) == pytest.approx((0.398, 0.015))
    assert told.at(210.0) == pytest.approx((0.4055, 0.015 + 100 * 0.03 / 100))
    one = estimate_offset([Pair(10.4, 10.0)], 0.02, 0.01)
    assert one is not None
    assert one.at(20.0) == pytest.approx((0.395, 0.015 + 10 * 1e-3))
    assert estimate_offset([], 0.02, 0.01) is None


def test_clocks_that_do_not_run_evenly_are_known_less_well() -> None:
    even = estimate_offset([Pair(t, t) for t in (0.0, 10.0, 20.0)], 0.01, 0.01)
    uneven = estimate_offset([Pair(0.0, 0.0), Pair(10.3, 10.0), Pair(20.0, 20.0)], 0.01, 0.01)
    assert even is not None
    assert uneven is not None
    assert (even.even, uneven.even) == (True, False)
    assert even.at(10.0)[1] == pytest.approx(0.01)
    offset, off_by = uneven.at(10.0)
    assert offset - off_by < 0.15 < offset + off_by
    assert even.at(25.0)[1] == pytest.approx(0.01 + 5 * 0.02 / 20)


def test_marks_pair_up_by_name_and_arrival() -> None:
    marks = SyncMarks()
    marks.first("pulse", 1.0, 100.0)
    marks.second("other", 0.6, 100.1)
    marks.second("pulse", 0.6, 100.2)
    marks.second("pulse", 5.6, 110.0)  # the first source lost this one
    marks.first("pulse", 11.0, 115.0)
    marks.second("pulse", 10.6, 115.1)
    assert list(marks.pairs) == [Pair(1.0, 0.6), Pair(11.0, 10.6)]


# The verdict.


class Entries:
    """An outlet that makes the entries of a record."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._composer: FeedComposer | None = None
        self.entries: list[Entry] = []
        self.signals: list[dict[str, float]] = []

    @property
    def seq(self) -> int:
        assert self._composer is not None
        return self._composer.seq

    @seq.setter
    def seq(self, number: int) -> None:
        assert self._composer is not None
        self._composer.seq = number

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None:
        self._composer = FeedComposer(run=run, source="s", rate_hz=self._rate_hz, group=group, scenario=scenario)
        self._add("hello", self._composer.hello())

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]],
        signals: Mapping[str, float | bool],
        wall: float | None,
    ) -> int:
        assert self._composer is not None
        self.signals.append(dict(signals))
        self._add("frame", self._composer.frame(t, own, others, signals, wall))
        return self._composer.frame_sent()

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        assert self._composer is not None
        fields = self._composer.marker(kind, name, t, data)
        self._add("marker", self._composer.pack_marker(fields))
        return self._composer.marker_sent(fields)

    def _add(self, topic: str, payload: bytes) -> None:
        number = len(self.entries) + 1
        self.entries.append(Entry(EntryKind.MESSAGE, number, number, number, pack_frames([topic.encode(), payload])))


OFFSET_S, DRIFT = 0.4, 2e-4
"""The gaze's clock is 0.4 s behind the simulator's and loses 0.2 ms a second."""


def gaze_clock(t: float) -> float:
    return t - OFFSET_S - DRIFT * t


def simulated(
    gaze_map: str, pulses: Callable[[float], int], looks: Callable[[float], int], late_s: float = 0.02
) -> tuple[Trial, Entries]:
    """The demo's drive without its own gaze, joined with a gaze source at 120 Hz whose samples arrive `late_s` late."""
    text = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")
    text = text.replace('[signals.eyes_on_road]\nfrom = "GazeZone"\nvalues = { ROAD = 1, MIRROR = 1, TASK = 0 }\n', "")
    text += '\n[[marker]]\nkind = "sync"\nname = "pulse"\nwhen = "counts up"\nfrom = "Pulses"\n'
    channels = parse_map(text)
    now = 0.0
    out = Entries(channels.rate_hz)
    gaze = FurtherSource(parse_map(gaze_map), 1 / channels.rate_hz)
    joined = JoinedFeed(out, [gaze], clock=lambda: now)
    translation = Translation(channels, joined, lambda number: f"run-{number}")
    looked = iter(gaze_samples(pulses, looks))
    waiting = next(looked, None)
    for row in ridge.rows():
        t = now = row["SimTime"] / 1000
        if not 14.0 <= t <= 40.0:  # the trigger fires at 30.05 s, and its trial is final seven seconds later
            continue
        while waiting is not None and waiting[0] + late_s <= t:
            joined.take(gaze, [Sample(waiting[1])])
            waiting = next(looked, None)
        translation.take(Sample({**row, "Pulses": pulses(t)}))
        joined.flush()
    translation.finish()
    joined.flush(everything=True)
    opening = Opening("Q01", "chime", STUDY.name, STUDY.text, STUDY.sha256, (), {})
    session = Session(STUDY, opening)
    session.take(out.entries)
    return next(trial for trial in session.trials() if trial.trigger == "gate-brake"), out


def gaze_samples(
    pulses: Callable[[float], int], looks: Callable[[float], int]
) -> Iterator[tuple[float, dict[str, Any]]]:
    for step in range(120 * 13, 120 * 41):
        t = step / 120
        yield t, {"clock": gaze_clock(t), "pulses": pulses(t), "on_road": looks(t)}


def away_about_the_fire(t: float) -> int:
    """The trigger fires at 30.05 s; the demo's driver looks away about it."""
    return int(not 28.8 <= t < 31.5)


def up_at_the_fire(t: float) -> int:
    """Looks up 0.3 s before the fire: with the clocks 0.4 s apart, a monitor that ignored them would see eyes off."""
    return int(not 27.0 <= t < 29.75)


def every_8_s(t: float) -> int:
    return int((t + 0.013) // 8)


def never(t: float) -> int:
    return 0


def eyes(trial: Trial) -> str:
    return next(one.result for one in trial.conditions if one.name == "eyes off road")


def test_with_sync_marks_the_verdict_is_right() -> None:
    trial, out = simulated(GAZE_CSV, every_8_s, away_about_the_fire)
    assert (eyes(trial), trial.verdict) == ("met", "valid")
    trial, _ = simulated(GAZE_CSV, every_8_s, up_at_the_fire)
    assert (eyes(trial), trial.verdict) == ("not met", "invalid")
    known = [one for one in out.signals if math.isfinite(one["gaze_clock_offset"])]
    assert known[-1]["gaze_clock_offset"] == pytest.approx(OFFSET_S + DRIFT * 40, abs=0.03)
    assert known[-1]["gaze_clock_uncertainty"] < 0.05


def test_without_sync_marks_it_is_undecided_and_so_where_they_tell_too_little() -> None:
    for looks in (away_about_the_fire, up_at_the_fire):
        trial, out = simulated(GAZE_CSV, never, looks)
        assert (eyes(trial), trial.verdict) == ("undecided", "undecided")
        assert all(math.isnan(one["eyes_on_road"]) for one in out.signals)
    strict = GAZE_CSV.replace("uncertainty_at_most_s = 0.05", "uncertainty_at_most_s = 0.01")
    assert eyes(simulated(strict, every_8_s, up_at_the_fire)[0]) == "undecided"


def test_a_look_that_changes_nearer_to_the_fire_than_the_clock_is_known_is_undecided() -> None:
    trial, _ = simulated(GAZE_CSV, every_8_s, lambda t: int(not 27.0 <= t < 30.06))
    assert eyes(trial) == "undecided"


def test_samples_that_come_too_late_are_not_measured_rather_than_old() -> None:
    trial, _ = simulated(GAZE_CSV, every_8_s, up_at_the_fire, late_s=0.9)
    assert eyes(trial) == "undecided"


@settings(max_examples=8, deadline=None)
@given(up_at=st.floats(29.0, 31.0))
def test_whatever_the_look_a_decided_condition_is_right(up_at: float) -> None:
    trial, _ = simulated(GAZE_CSV, every_8_s, lambda t: int(not 27.0 <= t < up_at))
    assert trial.fired_at is not None
    truth = "met" if trial.fired_at < up_at else "not met"
    assert eyes(trial) in (truth, "undecided")


SENSOR = """
[[marker]]
kind = "alert_on"
name = "chime"
when = "rises"
from = "heard"
modality = ["sound"]
measured = true
"""


def test_a_sensors_alert_is_placed_by_the_simulators_clock_or_as_other() -> None:
    sent: list[tuple[Any, ...]] = []

    class Out(Entries):
        def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
            sent.append((kind, name, t, data))
            return super().marker(kind, name, t, data)

    now = 0.0
    out = Out(60)
    source = FurtherSource(parse_map(GAZE_CSV + SENSOR), 1 / 60)
    joined = JoinedFeed(out, [source], clock=lambda: now)
    main = parse_map(map_text(more='[[marker]]\nkind = "sync"\nname = "pulse"\nwhen = "counts up"\nfrom = "P"'))
    translation = Translation(main, joined, lambda number: "r")
    for step in range(120):
        now = step / 60
        sensor = {
            "clock": now - 0.4,
            "pulses": int(now >= 1.0),
            "on_road": 1,
            "heard": int(0.5 <= now < 0.6 or now >= 1.5),
        }
        joined.take(source, [Sample(sensor)])
        translation.take(Sample({"T": now, "X": 0, "Y": 0, "H": 0, "V": 0, "A": 0, "P": int(now >= 1.0)}))
        joined.flush()
    joined.flush(everything=True)
    kinds = [one[0] for one in sent]
    assert kinds == ["run_start", "other", "sync", "alert_on"]
    assert sent[1][3]["why"] == "clock not known"
    alert = sent[3]
    assert alert[2] == pytest.approx(1.5, abs=0.02)
    assert alert[3]["measured"] is True
    assert alert[3]["uncertainty_s"] == pytest.approx((1 / 60 + 1 / 120) / 2, abs=1e-3)
    assert source.refused == 1


def test_maps_of_the_other_kind_are_refused_with_what_they_are(tmp_path: Path) -> None:
    gaze = load_map(CONFIGS / "channels-gaze.toml")
    with pytest.raises(WitnessError, match=r"has no \[own\] car: it is of a further source"):
        Translation(gaze, Entries(60), lambda number: "r")


# Over real sockets.


def test_two_processes_two_clocks_one_feed(
    processes: Processes, listen: Callable[[str], Listener], tmp_path: Path
) -> None:
    main_port, gaze_port = free_udp_port(), free_udp_port()
    text = (CONFIGS / "channels-udp.toml").read_text(encoding="utf-8")
    text = text.replace('[signals]\neyes_on_road = "eyes"\n', "") + SYNC
    (tmp_path / "main.toml").write_text(text, encoding="utf-8")
    (tmp_path / "gaze.toml").write_text(GAZE.replace("127.0.0.1:5602", f"127.0.0.1:{gaze_port}"), encoding="utf-8")
    bridge = processes.bridge(
        tmp_path / "main.toml",
        *("--also", str(tmp_path / "gaze.toml"), "--source", f"127.0.0.1:{main_port}", "--wait", "30"),
    )
    listener = listen(bridge.endpoint)
    stop = threading.Event()

    def send() -> None:
        """480 steps of the simulator, and a gaze source whose clock is 100 s behind; "task" is the pulse of both."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for step in range(480):
                if stop.wait(1 / 240):
                    return
                sender.sendto(udp_sender.packet(step, 2), ("127.0.0.1", main_port))
                t = step / 240
                gaze = struct.pack("<dIB3x", t - 100.0, int(step >= 30), int(t < 1.0))
                sender.sendto(gaze, ("127.0.0.1", gaze_port))

    thread = threading.Thread(target=send)
    thread.start()
    try:
        listener.until(lambda: len(listener.frames) == 480)
    finally:
        stop.set()
        thread.join()
    assert [frame.seq for frame in listener.frames] == list(range(1, 481))
    known = [frame for frame in listener.frames if math.isfinite(frame.signals["eyes_on_road"])]
    assert len(known) > 240
    assert {frame.signals["eyes_on_road"] for frame in known if frame.t < 0.9} == {1.0}
    assert {frame.signals["eyes_on_road"] for frame in known if frame.t > 1.1} == {0.0}
    assert known[-1].signals["gaze_clock_offset"] == pytest.approx(100.0, abs=0.01)
    hello = listener.hellos[0]
    assert isinstance(hello, Hello)
    assert hello.signals["gaze_clock_uncertainty"] == "s"
    assert bridge.stop()["refused"] == 0


SYNC = """
[[marker]]
kind = "sync"
name = "pulse"
when = "rises"
from = "task"
"""


def engine(clock: Callable[[], float]) -> tuple[Taken, JoinedFeed, FurtherSource]:
    """An outlet that remembers, and a source of events on the simulator's clock beside it."""
    rule = '[[marker]]\nkind = "trigger"\nname = "gate"\nwhen = "counts up"\nfrom = "N"\n[join]\nsame_clock = true\n'
    text = '[feed]\nsource = "engine"\nrate_hz = 10\n[source]\nkind = "csv"\n[time]\nfrom = "T"\n' + rule
    source = FurtherSource(parse_map(text), 0.1)
    outlet = Taken()
    return outlet, JoinedFeed(outlet, [source], clock), source


def events(*at: float) -> list[Sample]:
    """A counter that goes up at each of these times."""
    return [Sample({"T": t, "N": n}) for n, t in enumerate((0.0, *at))]


def test_a_marker_that_comes_before_the_frames_of_its_time_waits_for_them() -> None:
    """The events of 1.05 and 1.2 s are here before the drive begins; both go out before the frame of their time."""
    now = [100.0]
    outlet, joined, source = engine(lambda: now[0])
    joined.take(source, events(1.05, 1.2))
    now[0] += 60.0  # nobody has begun to drive
    joined.flush()
    assert outlet.sent == []
    joined.begin_drive("run-1")
    for t in (1.0, 1.1, 1.2, 1.3):
        joined.frame(t, {}, {}, {}, None)
    now[0] += 0.2  # longer than frames are held
    joined.flush()
    assert [one[0] if one[0] == "frame" else one[2] for one in outlet.sent] == [
        "frame",
        1.05,
        "frame",
        1.2,
        "frame",
        "frame",
    ]
    assert [one[2] for one in outlet.sent if one[0] == "frame"] == [1.0, 1.1, 1.2, 1.3]


def test_a_marker_goes_out_all_the_same_where_no_frame_comes_any_more() -> None:
    now = [100.0]
    outlet, joined, source = engine(lambda: now[0])
    joined.begin_drive("run-1")
    joined.frame(1.0, {}, {}, {}, None)
    joined.take(source, events(1.5))
    now[0] += 0.2
    joined.flush()
    assert outlet.markers == []
    now[0] += 0.4
    joined.flush()
    assert outlet.markers == [("trigger", "gate", 1.5, {"source": "engine", "uncertainty_s": 0.0})]
    assert joined.placed == 1
