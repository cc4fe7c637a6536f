"""`check`, `rehearse` and preflight with further sources: what each gives and lacks, and how its clock stands."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.rehearsals import NewestRehearsal
from monitor.commissioning.check.feed import FeedHeard, conclude
from monitor.commissioning.check.further import SourceHeard, hear_source
from monitor.commissioning.check.listening import Listened
from monitor.commissioning.rehearsal.rehearsed import judge_rehearsal
from monitor.feed.decode import decode_message
from monitor.feed.schema import Marker
from monitor.following.building import Viewing, build_view
from monitor.following.preflight import preflight
from monitor.following.view import RecorderView
from monitor.judging.session import Session
from monitor.record.writer import RecordWriter
from tests.commands.running import call
from tests.connect.test_further_feeds import Machine
from tests.judging.hand import HandDrive, Mark, study_of
from tests.judging.handsource import GAZE_STUDY, HandSource, entries_beside, opening_of_several

STUDY = study_of(GAZE_STUDY)
SYNC: list[Mark] = [(t, "sync", "pulse", {}) for t in (1.0, 3.0)]
NAMES = {"on_road": "", "angle": "deg"}


def look(t: float) -> dict[str, Any]:
    return {"on_road": t < 2.0, "angle": 5.0 + t}


def gaze(**more: Any) -> HandSource:
    well = HandSource(clock=lambda t: t + 0.4, signals=look, names=NAMES, marks=SYNC, end_t=5.0)
    return replace(well, **more)


def came(source: HandSource | HandDrive) -> Listened:
    listened = Listened("tcp://there:1", 5.0)
    for t, frames in source.messages():
        if t <= 5.0:
            listened.take(decode_message(frames), t)
    return listened


SIMULATOR = came(HandDrive(markers=SYNC, signals=lambda t: {}))


def test_a_source_that_is_well_has_no_fault() -> None:
    heard = hear_source(STUDY, came(gaze()), SIMULATOR)
    assert (heard.ok, heard.faults, heard.look_at) == (True, [], [])
    assert (heard.frames, heard.lost, heard.markers) == (301, 0, {"sync": 2})
    assert heard.rate_hz == pytest.approx(60.0)
    assert heard.offset_s == pytest.approx(-0.4, abs=1e-3)
    assert heard.marks == 2
    assert heard.uncertainty_s == pytest.approx(1 / 60, abs=1e-3)
    lines = heard.sentences()
    assert lines[0] == "tcp://there:1: gaze, run gaze-1, beside the simulator"
    assert lines[2] == "  clock: -0.400 s to the simulator's ±17 ms, by 2 sync markers that both have seen"
    assert lines[3].startswith("  on_road: 0 to 1, moving, 60 Hz")
    assert lines[3].endswith("needed by eyes away")
    json.dumps(heard.as_json(), allow_nan=False)


@pytest.mark.parametrize(
    ("source", "fault"),
    [
        (gaze(signals=lambda t: {"on_road": True}), "gaze says that it has angle, and sends no value of it."),
        (gaze(lost=lambda t: 1.5 < t < 1.6), "5 frames of gaze were lost in 5 s."),
        (gaze(hello={"rate_hz": 120.0}), "gaze says 120 Hz and sends 60.0 Hz."),
        (gaze(clock=lambda t: min(t, 3.0)), "The time of gaze did not go on in 120 frames."),
    ],
)
def test_each_fault_is_said(source: HandSource, fault: str) -> None:
    assert fault in hear_source(STUDY, came(source), SIMULATOR).faults


def test_nothing_and_what_is_refused() -> None:
    assert hear_source(STUDY, Listened("tcp://there:1", 5.0), SIMULATOR).faults == ["No message came in 5 s."]
    without_car = came(gaze())
    without_car.take(decode_message([b"frame", b"\x80"]), 1.0)
    assert hear_source(STUDY, without_car, SIMULATOR).faults == ["frame: `v` is missing"]


@pytest.mark.parametrize(
    ("marks", "why"),
    [
        ([], "gaze sent no sync marker so far"),
        ([(t, kind, "flash", {}) for t, kind, _, _ in SYNC], "their sync markers do not go together by name"),
    ],
)
def test_a_clock_that_cannot_become_known_is_a_fault_where_a_condition_needs_it(marks: list[Any], why: str) -> None:
    heard = hear_source(STUDY, came(gaze(marks=marks)), SIMULATOR)
    assert (heard.ok, heard.offset_s) == (False, None)
    (said,) = heard.faults
    assert why in said
    assert said.endswith("what gaze says is undecided, and eyes away, angle needs it.")


def test_a_clock_that_is_only_not_known_yet_is_something_to_look_at() -> None:
    """Both have sent sync markers before anybody listened, as their hellos say; they come each 10 to 60 s."""

    def earlier(one: Listened) -> Listened:
        assert one.hello is not None
        marker = Marker(one.hello.run, 1, 0.5, "sync", "pulse", {})
        return replace(one, hello=replace(one.hello, recent=(marker,)), markers=[])

    heard = hear_source(STUDY, earlier(came(gaze(marks=[]))), earlier(came(HandDrive(signals=lambda t: {}))))
    assert (heard.ok, heard.offset_s) == (True, None)
    (said,) = heard.look_at
    assert "no sync marker came of both" in said


def test_what_only_the_simulator_may_say_is_passed_over() -> None:
    heard = hear_source(STUDY, came(gaze(marks=[*SYNC, (4.0, "run_end", "", {})])), SIMULATOR)
    assert heard.look_at == ["passed over, because only the simulator may say it: run_end"]


def lacking(heard: FeedHeard) -> list[str]:
    return [one for one in heard.faults if "is not given" in one]


def test_a_signal_that_comes_from_another_source_is_not_lacking() -> None:
    assert len(lacking(conclude(STUDY, SIMULATOR))) == 2
    assert lacking(conclude(STUDY, SIMULATOR, {"on_road": "gaze", "angle": "gaze"})) == []


# With real processes.


def test_the_command_listens_to_both(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(GAZE_STUDY, encoding="utf-8")
    machines = [Machine(who, 1.0, "yes", 11.0) for who in ("simulator", "gaze")]
    begins = time.monotonic() + 0.5
    try:
        for machine in machines:
            machine.begin(begins)  # it waits for its subscriber first
        feeds = [word for machine in machines for word in ("--feed", machine.endpoint)]
        done = call("check", "--study", str(tmp_path / "study.toml"), *feeds, "--seconds", "2.5", "--json")
    finally:
        for machine in machines:
            machine.end()
    document = json.loads(done.stdout)
    (source,) = document["sources"]
    assert (source["source"], source["faults"]) == ("gaze", [])
    assert source["frames"] > 60
    assert source["offset_s"] == pytest.approx(-0.4, abs=0.04)
    assert not [one for one in document["feed"]["faults"] if "on_road" in one or "angle" in one]


# A rehearsal, and preflight.


def rehearsed(tmp_path: Path, sources: dict[int, list[HandSource]]) -> list[str]:
    writer = RecordWriter.create(tmp_path / "r.run", opening_of_several(STUDY))
    for entry in entries_beside([HandDrive(markers=[*SYNC, ALERT])], sources, close=False)[1:]:
        writer.append(entry.kind, entry.payload)
    writer.close("test")
    return judge_rehearsal(tmp_path / "r.run", STUDY, ("chime",)).against


ALERT = (10.3, "alert_on", "alert", {"modality": "sound", "measured": True})


def test_a_rehearsal_in_which_a_source_says_nothing_is_a_no_go(tmp_path: Path) -> None:
    well = gaze(end_t=25.0, signals=lambda t: {"on_road": not 8.0 < t < 12.0, "angle": 5.0})
    against = rehearsed(tmp_path, {1: [well]})
    assert any("tcp://sensor:5572 has not been heard." in one for one in against)
    assert not any("eyes away" in one or "gaze" in one for one in against), against


def seen(sources: dict[int, list[HandSource]], until_t: float = 4.0) -> tuple[str, dict[str, tuple[str, str]]]:
    session = Session(STUDY, opening_of_several(STUDY))
    entries = entries_beside([HandDrive(markers=SYNC, participant="Q01")], sources, close=False)
    session.take([one for one in entries if one.monotonic_ns <= until_t * 1e9])
    recorder = RecorderView("recording", 400.0, 0, "")
    view = build_view(session, Viewing(record="r", recorder=recorder, age_s=0.01, revision=1))
    found = preflight(session, view, NewestRehearsal(), 1e9)
    return found.heading, {line.what: (line.given, line.result) for line in found.lines}


def test_preflight_shows_each_source_and_what_it_lacks() -> None:
    sensor = gaze(run="s", source="sensor", signals=None, names={})
    heading, lines = seen({1: [gaze()], 2: [sensor]})
    assert lines["gaze"] == ("−0.400 s ±18 ms", "met")
    assert lines["sensor"][1] == "met"
    assert lines["channels"] == ("all there", "met")
    assert heading == "GO"
    heading, lines = seen({1: [gaze(marks=[])]})
    assert lines["gaze"] == ("clock not known: no sync marker of both yet", "undecided")
    assert lines["tcp://sensor:5572"] == ("has not been heard", "not met")
    assert heading == "NOT YET"
    heading, lines = seen({1: [gaze(end_t=1.5)], 2: [sensor]})
    assert lines["gaze"] == ("has been silent since 1.5 s", "not met")
    heading, lines = seen({1: [gaze(clock=lambda t: min(t, 1.5) + 0.4, marks=SYNC[:1])], 2: [sensor]})
    assert lines["gaze"] == ("has a clock that has stood since 1.5 s", "not met")


def test_faults_of_a_source_are_faults_of_the_check() -> None:
    assert not SourceHeard("tcp://there:1", faults=["x"]).ok
