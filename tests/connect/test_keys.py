"""CURVE end to end: `keys` makes them, `bridge` lets in who is allowed, `watch` records what it sends."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest

from tests.commands.running import call, command
from tests.connect import ridge
from tests.connect.conftest import CONFIGS, Processes


def test_keys_are_made_once_and_kept_private(tmp_path: Path) -> None:
    made = call("keys", str(tmp_path / "keys"), "--json")
    assert made.returncode == 0, made.stderr
    pairs = json.loads(made.stdout)["pairs"]
    assert set(pairs) == {"simulator", "witness"}
    for pair in pairs.values():
        assert stat.S_IMODE(Path(pair["secret"]).stat().st_mode) == 0o600
        assert "secret" not in Path(pair["public"]).read_text()
    assert (tmp_path / "keys" / "allowed" / "witness.key").read_text() == Path(pairs["witness"]["public"]).read_text()
    again = call("keys", str(tmp_path / "keys"))
    assert again.returncode == 2
    assert "exists already; a key is never overwritten" in again.stderr
    assert call("keys", str(tmp_path / "keys"), "--name", "second-room").returncode == 0
    assert "cannot be the name of a key file" in call("keys", str(tmp_path), "--name", "a/b").stderr


@pytest.mark.slow
def test_bridge_to_recorder_with_keys_and_who_has_none_stays_outside(processes: Processes, tmp_path: Path) -> None:
    keys = tmp_path / "keys"
    assert call("keys", str(keys)).returncode == 0
    ridge.write_csv(tmp_path / "drive.csv")
    bridge = processes.bridge(
        CONFIGS / "channels-example.toml",
        *("--csv", str(tmp_path / "drive.csv"), "--speed", "30", "--wait", "60"),
        *("--own-key", str(keys / "simulator.key_secret"), "--allowed", str(keys / "allowed")),
    )
    study = ("--study", str(CONFIGS / "dusk-road.toml"), "--feed", bridge.endpoint)
    outside = call("check", *study, "--seconds", "4")
    assert outside.returncode == 1
    assert "asks for CURVE keys, and none were given" in outside.stdout
    watch = processes.start(
        *command("watch", "--headless", "--json", "--until-end", *study, "--participant", "Q07"),
        *("--records", str(tmp_path / "records")),
        *("--own-key", str(keys / "witness.key_secret"), "--simulator-key", str(keys / "simulator.key")),
    )
    out, err = watch.communicate(timeout=120)
    assert watch.returncode == 0, err
    review = json.loads(out.splitlines()[-1])
    assert [one["verdict"] for one in review["trials"]] == ["valid", "valid"]
    assert bridge.stop()["frames"] == review["feed"]["frames"]


def test_half_of_the_keys_is_a_sentence(tmp_path: Path) -> None:
    example = str(CONFIGS / "channels-example.toml")
    done = call("bridge", "--map", example, "--bind", "tcp://127.0.0.1:*", "--csv", "x", "--own-key", "k")
    assert (done.returncode, done.stderr.strip()) == (2, "CURVE on the feed needs both --own-key and --allowed.")
