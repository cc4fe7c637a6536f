"""Keys by file only, kept private, and three different sentences for the three ways in which they do not fit."""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import zmq

from monitor.feed.curve import CurveFiles, Gate, KeyFileRefused, read_key_pair, read_public_key, write_key_pair
from monitor.feed.endpoint import Endpoint
from monitor.feed.subscriber import FeedSubscription
from tests.recorder import quick
from tests.recorder.conftest import House

KeyPairs = dict[str, tuple[Path, Path]]
"""Public and secret key files, by whose they are."""
Served = tuple[Gate, zmq.Socket[bytes], str]


@pytest.fixture
def keys(tmp_path: Path) -> KeyPairs:
    """Key pairs of the simulator, of us, and of strangers; and the directory of allowed clients, with us in it."""
    (tmp_path / "allowed").mkdir()
    pairs = {name: write_key_pair(tmp_path, name) for name in ("simulator", "witness", "other")}
    (tmp_path / "allowed" / "witness.key").write_bytes(pairs["witness"][0].read_bytes())
    return pairs


@pytest.fixture
def served(house: House, tmp_path: Path, keys: KeyPairs) -> Iterator[Served]:
    """A CURVE publisher that lets in the allowed clients only."""
    gate = Gate(house.context, tmp_path / "allowed")
    socket = house.context.socket(zmq.PUB)
    socket.linger = 0
    gate.guard(socket, keys["simulator"][1])
    socket.bind("tcp://127.0.0.1:*")
    yield gate, socket, socket.get_string(zmq.LAST_ENDPOINT)
    socket.close(0)
    gate.close()


class Looked:
    """A subscription with keys, looked after until it says something."""

    def __init__(self, house: House, endpoint: str, files: CurveFiles | None) -> None:
        self._house = house
        self.poller = zmq.Poller()
        self.feed = FeedSubscription(
            house.context, self.poller, Endpoint(endpoint, files, quick.LINK), time.monotonic()
        )

    def until(self, state: str, socket: zmq.Socket[bytes]) -> str:
        def step() -> bool:
            socket.send_multipart([b"frame", b"x"])
            self.poller.poll(20)
            while self.feed.receive(64):
                pass
            self.feed.watch(time.monotonic())
            return self.feed.state == state

        self._house.wait_until(step, f"the state {state}")
        return self.feed.sentence


Look = Callable[[str, CurveFiles | None], Looked]


@pytest.fixture
def looked(house: House) -> Iterator[Look]:
    feeds: list[Looked] = []

    def look(endpoint: str, files: CurveFiles | None) -> Looked:
        feeds.append(Looked(house, endpoint, files))
        return feeds[-1]

    yield look
    for one in feeds:
        one.feed.close()


def test_an_allowed_client_is_let_in(served: Served, looked: Look, keys: KeyPairs) -> None:
    _, socket, endpoint = served
    assert looked(endpoint, CurveFiles(keys["witness"][1], keys["simulator"][0])).until("live", socket)


def test_a_client_that_is_not_allowed_is_told_and_let_in_once_it_is(
    served: Served, looked: Look, keys: KeyPairs, tmp_path: Path
) -> None:
    gate, socket, endpoint = served
    link = looked(endpoint, CurveFiles(keys["other"][1], keys["simulator"][0]))
    assert link.until("refused", socket) == (
        f"{endpoint} refused our key: it is not among the clients allowed there (status 400)"
    )
    (tmp_path / "allowed" / "other.key").write_bytes(keys["other"][0].read_bytes())
    gate.reload()
    link.until("live", socket)


def test_a_wrong_server_key_is_told_and_used_once_it_is_mended(
    served: Served, looked: Look, keys: KeyPairs, tmp_path: Path
) -> None:
    _, socket, endpoint = served
    wrong = tmp_path / "believed.key"
    wrong.write_bytes(keys["other"][0].read_bytes())
    link = looked(endpoint, CurveFiles(keys["witness"][1], wrong))
    assert link.until("not-zeromq", socket) == f"{endpoint} is not a ZeroMQ port, or its server key is another one"
    wrong.write_bytes(keys["simulator"][0].read_bytes())
    link.until("live", socket)


def test_plain_against_curve_is_told_from_both_sides(
    house: House, served: Served, looked: Look, keys: KeyPairs
) -> None:
    _, socket, endpoint = served
    assert looked(endpoint, None).until("refused", socket) == f"{endpoint} asks for CURVE keys, and none were given"
    plain, open_endpoint = house.publisher()
    link = looked(open_endpoint, CurveFiles(keys["witness"][1], keys["simulator"][0]))
    assert link.until("refused", plain) == f"{open_endpoint} does not use CURVE, but key files were given for it"


def test_a_key_file_that_is_spoilt_meanwhile_is_said_and_taken_up_again(
    served: Served, looked: Look, keys: KeyPairs
) -> None:
    _, socket, endpoint = served
    link = looked(endpoint, CurveFiles(keys["other"][1], keys["simulator"][0]))
    link.until("refused", socket)
    os.chmod(keys["other"][1], 0o644)
    link.until("refused", socket)

    def says_so() -> bool:
        return link.until("refused", socket).startswith(str(keys["other"][1]))

    link._house.wait_until(says_so, "the sentence about the key file")
    keys["other"][1].write_bytes(keys["witness"][1].read_bytes())
    os.chmod(keys["other"][1], 0o600)
    link.until("live", socket)


def test_a_secret_key_is_never_readable_by_others_at_any_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    modes: list[tuple[str, int, int]] = []
    opened = os.open

    def watched(path: Path, flags: int, mode: int = 0o777, **more: int | None) -> int:
        descriptor = opened(path, flags, mode, **more)
        modes.append((os.path.basename(path), stat.S_IMODE(os.fstat(descriptor).st_mode), os.fstat(descriptor).st_size))
        return descriptor

    monkeypatch.setattr(os, "open", watched)
    before = os.umask(0)
    try:
        public, secret = write_key_pair(tmp_path, "witness")
    finally:
        os.umask(before)
    assert ("witness.key_secret", 0o600, 0) in modes
    assert read_key_pair(secret)[0] == read_public_key(public)
    assert len(read_key_pair(secret)[1]) == 40
    assert b"secret" not in public.read_bytes()


def test_key_files_are_refused_with_the_reason(tmp_path: Path) -> None:
    public, secret = write_key_pair(tmp_path, "witness")
    with pytest.raises(KeyFileRefused, match="cannot be written: File exists"):
        write_key_pair(tmp_path, "witness")
    with pytest.raises(KeyFileRefused, match="holds no secret key"):
        read_key_pair(public)
    with pytest.raises(KeyFileRefused, match=r"no-such\.key: cannot be used as a key file"):
        read_public_key(tmp_path / "no-such.key")
    (tmp_path / "notes.key").write_text("not a key\n")
    with pytest.raises(KeyFileRefused, match="it has no CURVE key in it"):
        read_public_key(tmp_path / "notes.key")
    secret.chmod(0o640)
    with pytest.raises(KeyFileRefused, match=r"others may read this secret key \(mode 0640\); run: chmod 600"):
        read_key_pair(secret)
    with pytest.raises(KeyFileRefused, match="is no directory"):
        Gate(zmq.Context(), tmp_path / "nobody")


def test_a_recorder_uses_key_files_and_keeps_no_secret(house: House, served: Served, keys: KeyPairs) -> None:
    _, socket, endpoint = served
    (_, ours), (theirs, _) = keys["witness"], keys["simulator"]
    plan = replace(house.plan(endpoint), own_secret_key=str(ours), server_public_key=str(theirs))
    recorder = house.start(plan)
    follower = house.follow()
    house.subscribed(socket, follower)
    secret = read_key_pair(ours)[1]
    kept = {path.name: path.read_bytes() for path in house.record.iterdir()}
    kept["command line"] = Path(f"/proc/{recorder.pid}/cmdline").read_bytes()
    kept["environment"] = Path(f"/proc/{recorder.pid}/environ").read_bytes()
    assert {"part-0001.twr", "recorder.json", "recorder.log"} <= kept.keys()
    assert [name for name, raw in kept.items() if secret in raw] == []
