"""What ends, and when: a bridge that is told to stop, and whoever follows a bridge whose source just stops."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.commands.running import call, the_record
from tests.connect import udp_sender
from tests.connect.conftest import CONFIGS, Processes, free_udp_port
from tests.waiting import wait_for

UDP_MAP = CONFIGS / "channels-udp.toml"
STUDY = str(CONFIGS / "dusk-road.toml")
SHORT_OF_PATIENCE = """
import sys
from monitor.commands.shared import live_run
from monitor.commands.main import main
live_run.SILENCE_S = 3.0
main(sys.argv[1:])
"""


def test_a_bridge_that_is_told_to_stop_hands_on_what_has_come_in(processes: Processes) -> None:
    """300 datagrams wait in its socket while it stands; then it is told to stop and goes on: none is lost with it."""
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"127.0.0.1:{port}")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(udp_sender.packet(0, 3), ("127.0.0.1", port))
        bridge.process.send_signal(signal.SIGSTOP)
        for frame in range(1, 301):
            sender.sendto(udp_sender.packet(frame, 3), ("127.0.0.1", port))
    bridge.process.send_signal(signal.SIGTERM)
    bridge.process.send_signal(signal.SIGCONT)
    out, err = bridge.process.communicate(timeout=30)
    assert bridge.process.returncode == 143, err
    last = json.loads(out.splitlines()[-1])
    assert (last["frames"], last["refused"], last["lost"]) == (301, 0, 0)


@pytest.mark.parametrize("command", ["watch", "rehearse"])
@pytest.mark.slow
def test_whoever_follows_ends_behind_a_bridge_whose_source_just_stops(
    command: str, processes: Processes, tmp_path: Path
) -> None:
    """The source sends 300 frames and is gone without a word; the bridge goes on and says hello."""
    port = free_udp_port()
    bridge = processes.bridge(UDP_MAP, "--source", f"127.0.0.1:{port}", "--wait", "30")
    told = [command, "--study", STUDY, "--feed", bridge.endpoint, "--records", str(tmp_path)]
    told += ["--headless", "--until-end", "--participant", "Q07"] if command == "watch" else ["--group", "chime"]
    follower = processes.start(sys.executable, "-c", SHORT_OF_PATIENCE, *told)
    subprocess.run([sys.executable, udp_sender.__file__, "127.0.0.1", str(port), "300", "3", "0.004", "0"], check=True)
    out, err = follower.communicate(timeout=60)
    assert bridge.process.poll() is None
    assert follower.returncode == 1, err
    if command == "watch":
        assert "No frame for 3 s, while hellos still come: the source behind them has stopped." in err
        record = the_record(tmp_path)
        wait_for(lambda: call("verify", str(record)).returncode == 0)
        (review,) = json.loads(call("review", str(record), "--json").stdout)
        assert review["feed"]["frames"] == 300
    else:
        assert "The feed fell silent before the rehearsal was over." in out
