"""Streams of the lab streaming layer: real outlets in processes of their own, on the loopback only.

Each test has a configuration of the layer of its own, which keeps discovery on this machine and apart from other tests.
"""

from __future__ import annotations

import json
import os
import sys
import time
import uuid
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgpack
import pytest

from tests.connect import lsl_outlet
from tests.connect.conftest import Listener, Processes

Listen = Callable[[str], Listener]

ALONE = """
[ports]
IPv6 = disable
[multicast]
ResolveScope = machine
MachineAddresses = {{127.0.0.1}}
AddressesOverride = {{127.0.0.1}}
[lab]
KnownPeers = {{127.0.0.1}}
SessionID = {session}
"""
"""Only this machine is asked, by its loopback address; SessionID keeps tests that run beside each other apart."""


@pytest.fixture(autouse=True)
def loopback_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "lsl_api.cfg").write_text(ALONE.format(session=uuid.uuid4().hex), encoding="utf-8")
    monkeypatch.setenv("LSLAPICFG", str(tmp_path / "lsl_api.cfg"))


def outlet(processes: Processes, name: str, kind: str, seconds: float = 60.0, *more: str, source: str = "t-1") -> float:
    """Starts an outlet; gives the layer's clock at its begin."""
    process = processes.start(sys.executable, lsl_outlet.__file__, name, source, kind, str(seconds), *more)
    assert process.stdout is not None
    return float(process.stdout.readline())


def hello_of(listener: Listener, key: str) -> Any:
    """The newest value of a hello's key."""
    found = [msgpack.unpackb(raw).get(key) for raw in listener.raw_hellos]
    return next((one for one in reversed(found) if one is not None), None)


def bridged_stream(processes: Processes, name: str, *more: str) -> Any:
    from tests.connect.conftest import Bridged

    process = processes.start(
        *(sys.executable, "-m", "monitor", "bridge", "--json", "--lsl", name, "--bind", "tcp://127.0.0.1:*", *more)
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line, process.communicate()
    return Bridged(process, json.loads(line))


def test_a_stream_of_numbers_is_a_feed_of_its_own_with_its_clock(processes: Processes, listen: Listen) -> None:
    begun = outlet(processes, "Gaze", "gaze")
    bridge = bridged_stream(processes, "Gaze")
    listener = listen(bridge.endpoint)
    listener.until(lambda: len(listener.frames) > 300 and hello_of(listener, "clock"))
    hello = listener.hellos[-1]
    assert (hello.source, hello.rate_hz, hello.gives) == ("Gaze", 100.0, ())
    assert set(hello.signals) == {"on_road", "pulses", "device_time"}
    assert hello.clock is not None
    # the layer's clock is this machine's monotonic clock; the clock of receipt goes on while it is suspended
    boot = time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)) - time.monotonic()
    assert hello.clock.offset_s == pytest.approx(boot, abs=hello.clock.uncertainty_s + 1e-3)
    assert 0.0 <= hello.clock.uncertainty_s < 0.05
    first = listener.frames[0]
    for frame in listener.frames:
        at = frame.t - begun
        assert frame.signals["pulses"] == int(at + 1e-6)
        assert frame.seq - first.seq == round((frame.t - first.t) * 100)
    assert not listener.refused
    assert bridge.stop()["lost"] == 0


@pytest.mark.slow
def test_a_stream_that_states_no_rate_is_listened_to_first(processes: Processes, listen: Listen) -> None:
    outlet(processes, "Tracker", "uneven")
    bridge = bridged_stream(processes, "Tracker")
    listener = listen(bridge.endpoint)
    listener.until(lambda: len(listener.frames) > 50)
    # steps of 6, 10 and 14 ms: the one in the middle is 10 ms
    assert listener.hellos[-1].rate_hz == pytest.approx(100.0, rel=0.1)


@pytest.mark.slow
def test_one_that_sends_too_little_to_tell_is_refused_with_what_to_do(processes: Processes) -> None:
    outlet(processes, "Seldom", "seldom")
    process = processes.start(
        *(sys.executable, "-m", "monitor", "bridge", "--json", "--lsl", "Seldom", "--bind", "tcp://127.0.0.1:*")
    )
    out, err = process.communicate(timeout=120)
    assert (process.returncode, out) == (2, "")
    assert "states no rate and sent" in err
    assert "with [feed] rate_hz" in err


def test_texts_are_markers_by_their_first_word(processes: Processes, listen: Listen) -> None:
    outlet(processes, "Notes", "texts")
    bridge = bridged_stream(processes, "Notes")
    listener = listen(bridge.endpoint)
    listener.until(lambda: len(listener.markers) >= 4)
    names = {(one.kind, one.name.split()[0]) for one in listener.markers}
    assert names == {("sync", "pulse"), ("other", "hello")}
    steps = [later.t - one.t for one, later in pairwise(listener.markers)]
    assert steps == pytest.approx([0.5] * len(steps), abs=1e-6)
    assert listener.frames == []


@pytest.mark.slow
def test_what_the_layer_threw_away_shows_as_a_gap_of_the_numbers(processes: Processes, listen: Listen) -> None:
    """A hole of 1.5 s in the stamps of a stream of 100 Hz is 150 samples that never came."""
    outlet(processes, "Gaze", "gaze", 60.0, "1.5")
    bridge = bridged_stream(processes, "Gaze")
    listener = listen(bridge.endpoint)
    listener.until(
        lambda: listener.frames and listener.frames[-1].seq - listener.frames[0].seq + 1 > len(listener.frames)
    )
    seqs = [frame.seq for frame in listener.frames]
    (gap,) = {later - one for one, later in pairwise(seqs) if later - one > 1}
    assert gap == 151
    assert bridge.stop()["lost"] == 150


@pytest.mark.slow
def test_two_streams_of_one_name_are_told_apart_by_source_id_or_not_taken(processes: Processes, tmp_path: Path) -> None:
    outlet(processes, "Gaze", "gaze", source="left")
    outlet(processes, "Gaze", "gaze", source="right")
    refused = processes.start(sys.executable, "-m", "monitor", "bridge", "--lsl", "Gaze", "--bind", "tcp://127.0.0.1:*")
    _, error = refused.communicate(timeout=120)
    assert refused.returncode == 2
    assert '2 streams are named "Gaze": say which' in error
    pinned = '[feed]\nsource = "gaze"\nrate_hz = 100\n[source]\nkind = "lsl"\nstream = "Gaze"\nsource_id = "right"\n'
    pinned += '[time]\nfrom = "lsl_time"\n[signals]\non_road = "on_road"\n'
    (tmp_path / "gaze.toml").write_text(pinned, encoding="utf-8")
    bridge = processes.bridge(tmp_path / "gaze.toml")
    assert bridge.source.startswith("lsl Gaze of ")
    bridge.stop()


@pytest.mark.slow
def test_a_stream_that_is_not_there_is_one_sentence(processes: Processes) -> None:
    refused = processes.start(sys.executable, "-m", "monitor", "bridge", "--lsl", "None", "--bind", "tcp://127.0.0.1:*")
    _, error = refused.communicate(timeout=120)
    assert refused.returncode == 2
    assert 'No stream named "None" was found within 5 s.' in error
    assert "Traceback" not in error


@pytest.mark.slow
def test_a_bridge_that_nobody_hears_ends(processes: Processes) -> None:
    outlet(processes, "Gaze", "gaze")
    bridge = bridged_stream(processes, "Gaze", "--until-unheard", "1")
    bridge.process.wait(timeout=120)
    assert bridge.process.returncode == 0


@pytest.mark.slow
def test_a_watch_takes_a_stream_by_its_name_and_knows_its_clock_without_sync_markers(
    processes: Processes, tmp_path: Path
) -> None:
    """The demo's simulator at real time, and a stream beside it: the clock is known by receipt, better than 50 ms."""
    from tests.commands.running import STUDY, call, command, the_record

    outlet(processes, "Gaze", "gaze")
    simulator = processes.start(*command("simulate", "--json", "--wait", "60", "--participant", "Q07"))
    assert simulator.stdout is not None
    endpoint = json.loads(simulator.stdout.readline())["endpoint"]
    watch = processes.start(
        *command("watch", "--headless", "--json", "--study", str(STUDY), "--feed", endpoint, "--feed", "lsl:Gaze"),
        *("--participant", "Q07", "--records", str(tmp_path / "records")),
    )
    assert watch.stdout is not None
    said = ""
    deadline = time.monotonic() + 60
    while "Gaze +" not in said and "Gaze −" not in said:
        assert time.monotonic() < deadline
        said = watch.stdout.readline()
    watch.terminate()
    watch.communicate(timeout=120)
    (review,) = json.loads(call("review", str(the_record(tmp_path / "records")), "--json").stdout)
    (source,) = review["sources"]
    assert (source["source"], source["marks"]) == ("Gaze", 0)
    assert 0.0 < source["uncertainty_s"] < 0.05
    assert source["frames"] > 50
    assert os.environ["LSLAPICFG"].startswith(str(tmp_path))
