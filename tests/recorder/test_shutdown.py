"""How a recorder begins, where it refuses to, and how it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import zmq

from monitor.errors import RecorderLost, WitnessError
from monitor.record.entries import EntryKind
from monitor.recorder.launch import find_running, make_sockets_directory, start_again, start_recorder
from monitor.recorder.plan import RecorderPlan, RecorderTiming, plan_from_json
from monitor.recorder.process import Recorder
from monitor.recorder.running import SOCKET_PATH_MOST
from tests.recorder import quick
from tests.recorder.conftest import House

STUCK = """
import sys, time
from monitor.record.disk import DiskCalls
from monitor.recorder.plan import plan_from_json
from monitor.recorder.process import Recorder
from monitor.recorder.signals import SignalWatch
class Stuck(DiskCalls):
    stuck = False
    def datasync(self, descriptor):
        if self.stuck:
            time.sleep(3600)
        super().datasync(descriptor)
disk = Stuck()
recorder = Recorder(plan_from_json(sys.argv[1]), disk=disk)
watch = SignalWatch(lambda: recorder.stop("signal"), 0.5)
disk.stuck = True
print("ready", flush=True)
recorder.run()
"""

IMPORTS = """
import sys
import monitor.recorder.__main__, monitor.recorder.launch, monitor.recorder.client
banned = ("textual", "rich", "numpy", "monitor.study", "monitor.judging", "monitor.measures", "monitor.feed.decode")
print([name for name in sys.modules if name.startswith(banned)])
"""


def test_a_hangup_is_ignored_and_term_closes_the_record(house: House) -> None:
    feed, endpoint = house.publisher()
    recorder = house.start(house.plan(endpoint))
    follower = house.follow()
    house.subscribed(feed, follower)
    os.kill(recorder.pid, signal.SIGHUP)
    feed.send_multipart([b"frame", b"after the hangup"])
    follower.until(lambda: [b"frame", b"after the hangup"] in follower.messages, "messages after the hangup")
    feed.send_multipart([b"frame", b"the last"])
    follower.until(lambda: [b"frame", b"the last"] in follower.messages, "the last message")
    recorder.terminate()
    assert recorder.wait(10) == 128 + signal.SIGTERM
    assert house.reading().state == "closed"
    (closed,) = house.maps_in(house.read(), EntryKind.CLOSE)
    assert closed["why"] == f"the recorder got signal {signal.SIGTERM}"
    follower.until(lambda: follower.kinds[-1] == EntryKind.CLOSE, "the close entry at the follower")
    assert follower.entries == house.read()


def test_what_waits_when_it_is_told_to_end_is_still_recorded(house: House) -> None:
    timing = RecorderTiming(drain_quiet_s=0.5, drain_s=20.0)  # what is on its way may take so long on a busy machine
    feed, endpoint = house.publisher(kind=zmq.XPUB)
    recorder = Recorder(replace(house.plan(endpoint), timing=timing))
    assert feed.poll(10_000), "the recorder's subscription"
    for _ in range(3):
        feed.recv()
    for number in range(5000):
        feed.send_multipart([b"frame", b"%d" % number])
    recorder.stop("the run is over")
    recorder.run()
    frames = [frames[1] for frames in house.messages_in(house.read())]
    assert frames == [b"%d" % number for number in range(5000)]
    assert house.reading().state == "closed"


def test_an_interrupt_closes_the_record(house: House) -> None:
    recorder = house.start(house.plan(house.publisher()[1]))
    os.kill(recorder.pid, signal.SIGINT)
    assert recorder.wait(10) == 128 + signal.SIGINT
    assert house.reading().state == "closed"


def test_the_watchdog_ends_a_recorder_whose_disk_is_stuck(house: House) -> None:
    process = house.python(STUCK, house.plan(house.publisher()[1]).as_json())
    process.terminate()
    assert process.wait(10) == 75
    assert house.reading().state in ("open", "closed")
    assert house.read()[0].kind == EntryKind.OPENING


def test_it_closes_by_itself_when_nothing_comes_and_nobody_follows(house: House) -> None:
    recorder = house.start(replace(house.plan(house.publisher()[1]), idle_close_s=0.6, timing=quick.TICKS))
    assert recorder.wait(10) == 0
    (closed,) = house.maps_in(house.read(), EntryKind.CLOSE)
    assert closed["why"] == "nothing had arrived and no screen had followed for 0.01 min"
    assert not house.sockets.exists()


@pytest.mark.slow
def test_a_follower_keeps_it_going(house: House) -> None:
    recorder = house.start(replace(house.plan(house.publisher()[1]), idle_close_s=1.5, timing=quick.TICKS))
    follower = house.follow()
    follower.until(lambda: follower.kinds.count(EntryKind.TICK) >= 12, "twelve ticks, which take longer")
    assert recorder.exit_status is None
    assert recorder.wait(10) == 0


def test_it_runs_in_a_session_of_its_own_with_nothing_on_its_command_line(house: House) -> None:
    recorder = house.start(house.plan(house.publisher()[1]))
    assert os.getsid(recorder.pid) == recorder.pid
    command = Path(f"/proc/{recorder.pid}/cmdline").read_bytes()
    assert command.split(b"\0")[1:-1] == [b"-P", b"-m", b"monitor.recorder"]
    for descriptor in ("1", "2"):
        assert os.readlink(f"/proc/{recorder.pid}/fd/{descriptor}") == str(house.record / "recorder.log")


def test_it_starts_from_a_directory_with_misleading_files(
    house: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "json.py").write_text("raise SystemExit('the wrong json')")
    (tmp_path / "monitor").mkdir()
    (tmp_path / "monitor" / "__init__.py").write_text("raise SystemExit('the wrong monitor')")
    monkeypatch.chdir(tmp_path)
    assert house.start(house.plan(house.publisher()[1])).exit_status is None


def test_a_second_recorder_on_the_same_record_is_refused_and_the_first_one_named(house: House) -> None:
    plan = house.plan(house.publisher()[1])
    recorder = house.start(plan)
    with pytest.raises(RecorderLost, match=f"is being written by process {recorder.pid}"):
        start_again(plan)
    with pytest.raises(RecorderLost, match="exists already"):
        start_recorder(plan)
    follower = house.follow()
    follower.until(lambda: follower.client.status().alive, "the first one, undisturbed")
    assert follower.client.status().pid == recorder.pid


def refused(plan: RecorderPlan) -> str:
    with pytest.raises(RecorderLost) as caught:
        start_recorder(plan)
    text = str(caught.value)
    assert "Traceback" not in text
    assert text.startswith("The recorder could not be started: ")
    return text


def test_it_refuses_to_begin_with_the_reason(house: House, tmp_path: Path) -> None:
    endpoint = house.publisher()[1]
    (tmp_path / "file").write_text("")
    plan = house.plan(endpoint)
    assert "MiB are free on this disk, and a run needs" in refused(replace(plan, free_bytes=1 << 60))
    assert str(tmp_path / "file") in refused(replace(plan, record=str(tmp_path / "file" / "Q01.run")))
    assert "is no feed endpoint" in refused(replace(plan, feeds=("localhost:5555",)))
    assert "cannot hold the recorder's sockets" in refused(replace(plan, sockets=str(tmp_path / "nowhere")))
    (tmp_path / "open").mkdir(mode=0o755)
    os.chmod(tmp_path / "open", 0o755)
    assert "others may enter" in refused(replace(plan, sockets=str(tmp_path / "open")))
    assert "longer than" in refused(replace(plan, sockets="/tmp/" + "s" * SOCKET_PATH_MOST))
    assert "without saying what run it is" in refused(replace(plan, opening=None))
    assert "no-key" in refused(replace(plan, own_secret_key="/no-key", server_public_key="/no-key"))
    assert not house.record.exists(), "none of them left half a record"
    recorder = house.start(plan)
    recorder.terminate()
    recorder.wait(10)
    house.sockets.mkdir(mode=0o700)
    assert "is closed; a closed run is not gone on with" in refused(replace(plan, resume=True, opening=None))


def test_a_plan_goes_through_json_unchanged_and_nonsense_is_refused(house: House) -> None:
    plan = house.plan("tcp://127.0.0.1:1")
    plan = replace(plan, second="/elsewhere", own_secret_key="/a", server_public_key="/b")
    assert plan_from_json(plan.as_json()) == plan
    for text in ("", "[]", "{}", '{"feeds": ["x"]}', '{"record": "r", "feeds": ["x"], "sockets": "s", "more": 1}'):
        with pytest.raises(WitnessError, match="without a plan it can read"):
            plan_from_json(text)
    with pytest.raises(WitnessError, match="needs both"):
        replace(plan, server_public_key=None)
    with pytest.raises(WitnessError, match="at least one feed"):
        house.plan()


def test_a_running_recorder_is_found_and_a_dead_one_is_not(house: House) -> None:
    plan = house.plan(house.publisher()[1])
    assert find_running(house.records) == []
    recorder = house.start(plan)
    (found,) = find_running(house.records)
    assert (found.pid, found.record, found.sockets) == (recorder.pid, house.record, house.sockets)
    assert (found.plan.feeds, found.plan.resume, found.plan.opening) == (plan.feeds, True, None)
    os.kill(recorder.pid, signal.SIGKILL)
    recorder.wait(10)
    assert (house.record / "recorder.json").exists()
    assert find_running(house.records) == []
    again = house.again(found.plan)
    assert [one.pid for one in find_running(house.records)] == [again.pid]


def test_a_directory_for_sockets_is_ours_alone_and_short(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/tmp")
    made = make_sockets_directory()
    assert made.parent == Path("/tmp")
    assert made.stat().st_mode & 0o777 == 0o700
    made.rmdir()
    long = tmp_path / ("x" * 80)
    long.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(long))
    made = make_sockets_directory()
    assert made.parent == Path("/tmp")
    made.rmdir()


def test_the_recorder_loads_no_screen_no_study_and_no_decoder() -> None:
    root = Path(__file__).parents[2]
    loaded = subprocess.run(
        [sys.executable, "-P", "-c", IMPORTS], env={"PYTHONPATH": str(root)}, capture_output=True, text=True, check=True
    )
    assert loaded.stdout.strip() == "[]"


def test_only_sockets_of_the_file_system_are_bound(house: House) -> None:
    recorder = house.start(house.plan(house.publisher()[1]))
    inodes = {os.readlink(f"/proc/{recorder.pid}/fd/{name}") for name in os.listdir(f"/proc/{recorder.pid}/fd")}
    listening = []
    for table in ("tcp", "tcp6", "udp", "udp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            words = line.split()
            if f"socket:[{words[9]}]" in inodes and (words[3] == "0A" or table.startswith("udp")):
                listening.append(line)
    assert listening == []
