"""Each way in which a connection fails has its own sentence, and is recovered from without anyone's help.

Against real sockets: what libzmq says in each case is not written down anywhere that could be trusted instead.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
import zmq

from monitor.feed.curve import CurveFiles
from monitor.feed.endpoint import Endpoint, EndpointRefused, check_endpoint
from monitor.feed.subscriber import EVENTS_A_MINUTE, MAX_TOTAL_BYTES, FeedSubscription, LinkEvent
from tests.recorder import quick
from tests.recorder.conftest import House


class Link:
    """A subscription looked after as the recorder does it."""

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], endpoint: str, keys: CurveFiles | None = None) -> None:
        self.poller = zmq.Poller()
        self.feed = FeedSubscription(context, self.poller, Endpoint(endpoint, keys, quick.LINK), time.monotonic())
        self.messages: list[list[bytes]] = []
        self.events: list[LinkEvent] = []

    def turn(self) -> None:
        self.poller.poll(20)
        while messages := self.feed.receive(64):
            self.messages += messages
        self.events += self.feed.watch(time.monotonic())

    def until(self, house: House, condition: Callable[[], object], what: str) -> None:
        def step() -> object:
            self.turn()
            return condition()

        house.wait_until(step, what)

    def until_state(self, house: House, state: str) -> None:
        self.until(house, lambda: self.feed.state == state, f"the state {state}, now {self.feed.state}")


Linked = Callable[..., Link]


@pytest.fixture
def linked(house: House) -> Iterator[Linked]:
    links: list[Link] = []

    def link(endpoint: str, keys: CurveFiles | None = None) -> Link:
        links.append(Link(house.context, endpoint, keys))
        return links[-1]

    yield link
    for one in links:
        one.feed.close()


@contextmanager
def tcp_server(greeting: bytes = b"", stay: bool = True) -> Iterator[str]:
    """A TCP port that is no ZeroMQ: says `greeting` to whoever comes, and closes at once unless it is to stay."""
    kept: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            while True:
                try:
                    peer, _ = server.accept()
                except OSError:
                    return
                peer.sendall(greeting)
                if stay:
                    kept.append(peer)
                else:
                    peer.close()

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"tcp://127.0.0.1:{server.getsockname()[1]}"
        server.shutdown(socket.SHUT_RDWR)
    thread.join(5)
    for peer in kept:
        peer.close()


def free_endpoint() -> str:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return f"tcp://127.0.0.1:{server.getsockname()[1]}"


@pytest.mark.parametrize("host", ["127.0.0.1", "no-such-host.invalid"])
def test_an_endpoint_that_is_not_there_is_said_and_waited_for(house: House, linked: Linked, host: str) -> None:
    endpoint = free_endpoint().replace("127.0.0.1", host)
    link = linked(endpoint)
    link.until_state(house, "missing")
    assert link.events == [LinkEvent("missing", endpoint, f"nothing answers at {endpoint}; trying again")]
    if host == "127.0.0.1":
        feed, _ = house.publisher(endpoint)
        link.until_state(house, "connected")
        link.until(house, lambda: feed.send_multipart([b"frame", b""]) or link.messages, "a message")
        assert [event.event for event in link.events] == ["missing", "connected", "live"]


def test_a_port_that_talks_something_else_is_no_zeromq_port(house: House, linked: Linked) -> None:
    with tcp_server(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n" * 20) as endpoint:
        link = linked(endpoint)
        link.until_state(house, "not-zeromq")
        link.until(house, lambda: link.feed.rebuilt >= 1, "another try")
    assert f"{endpoint} is not a ZeroMQ port" in link.feed.sentence
    assert [event.event for event in link.events] == ["not-zeromq"]
    assert link.messages == []


def test_a_port_that_closes_at_once_asks_for_keys_or_is_none_of_zeromq(house: House, linked: Linked) -> None:
    with tcp_server(b"busy\r\n", stay=False) as endpoint:
        link = linked(endpoint)
        link.until_state(house, "not-zeromq")
        tries_end = time.monotonic() + 1.0
        link.until(house, lambda: time.monotonic() > tries_end, "further tries")
    said = f"{endpoint} asks for CURVE keys, and none were given, or it is not a ZeroMQ port"
    assert [event.sentence for event in link.events] == [said]


def test_a_port_that_says_nothing_is_said_then_used_when_a_publisher_takes_its_place(
    house: House, linked: Linked
) -> None:
    with tcp_server() as endpoint:
        link = linked(endpoint)
        link.until_state(house, "unanswered")
    assert "takes the connection but does not answer" in link.feed.sentence
    feed, _ = house.publisher(endpoint)
    link.until(house, lambda: feed.send_multipart([b"hello", b""]) or link.feed.state == "live", "messages")


def test_a_port_that_goes_away_after_a_failed_handshake_is_missing(house: House, linked: Linked) -> None:
    with tcp_server(b"busy\r\n", stay=False) as endpoint:
        link = linked(endpoint)
        link.until_state(house, "not-zeromq")
    link.until_state(house, "missing")


def test_a_wrong_topic_is_told_with_the_topics_there_are(house: House, linked: Linked) -> None:
    feed, endpoint = house.publisher()
    link = linked(endpoint)

    def step() -> object:
        feed.send_multipart([b"telemetry", b"x"])
        feed.send_multipart([b"evil\x1b[2Jtopic", b"x"])
        return link.feed.state == "wrong-topic" and "evil" in link.feed.sentence

    link.until(house, step, "the wrong topic's sentence")
    assert link.feed.sentence == (
        f"connected to {endpoint}, but no 'frame' messages; seen: telemetry, evil?[2Jtopic"
    ) or link.feed.sentence == (f"connected to {endpoint}, but no 'frame' messages; seen: evil?[2Jtopic, telemetry")
    assert link.feed.rebuilt == 0, "the connection is good"
    link.until(house, lambda: feed.send_multipart([b"frame", b""]) or link.feed.state == "live", "the right topic")


def test_a_silent_connection_is_built_again_and_ever_more_seldom(house: House, linked: Linked) -> None:
    feed, endpoint = house.publisher()
    link = linked(endpoint)
    link.until_state(house, "silent")
    assert link.feed.sentence.startswith(f"nothing has come from {endpoint} for ")
    link.until(house, lambda: link.feed.rebuilt == 1, "the first rebuilding")
    assert link.feed._wait_s == 2 * quick.LINK.rebuild_s
    link.until_state(house, "connected")
    link.until(house, lambda: feed.send_multipart([b"frame", b""]) or link.feed.state == "live", "messages")
    assert link.feed._wait_s == quick.LINK.rebuild_s


def test_after_an_oversize_message_normal_traffic_comes_again(house: House, linked: Linked) -> None:
    feed, endpoint = house.publisher()
    link = linked(endpoint)
    link.until(house, lambda: feed.send_multipart([b"frame", b"before"]) or link.messages, "the first messages")
    feed.send_multipart([b"frame", b"x" * (16 << 20)])
    link.until(house, lambda: feed.send_multipart([b"frame", b"after"]) or link.feed.rebuilt == 1, "the rebuilding")
    link.messages.clear()
    link.until(house, lambda: feed.send_multipart([b"frame", b"again"]) or link.messages, "messages after it")
    assert [event.event for event in link.events] == ["connected", "live", "lost", "rebuilt", "connected", "live"]
    assert "sent a message over 256 KiB" in link.events[3].sentence


def test_a_message_of_just_256_kib_passes(house: House, linked: Linked) -> None:
    feed, endpoint = house.publisher()
    link = linked(endpoint)
    whole = [b"frame", b"x" * (256 << 10)]
    link.until(house, lambda: feed.send_multipart(whole) or link.messages, "the large message")
    assert link.messages[0] == whole
    assert sum(map(len, whole)) <= MAX_TOTAL_BYTES


def test_an_endpoint_that_comes_and_goes_cannot_fill_the_record(house: House, linked: Linked) -> None:
    link = linked(free_endpoint())
    now_s = time.monotonic()
    said: list[LinkEvent] = []
    for turn in range(400):
        link.feed._enter("lost" if turn % 2 else "connected", now_s, f"change {turn}")
        said += link.feed.watch(now_s)
    assert len(said) == EVENTS_A_MINUTE
    assert said[-1].event == "left-out"
    link.feed._enter("silent", now_s, "a minute later")
    assert "a minute later" in [event.sentence for event in link.feed.watch(now_s + 60)]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "5555",
        "localhost:5555",
        "tcp://host",
        "tcp://*:5555",
        "inproc://feed",
        "tcp://a b:1",
        "udp://h:1",
        "tcp://h:65536",
        "tcp://h:0",
    ],
)
def test_what_is_no_endpoint_is_refused_with_how_to_write_one(text: str) -> None:
    with pytest.raises(EndpointRefused, match=r"write tcp://HOST:PORT or ipc://PATH"):
        check_endpoint(text)


def test_an_endpoint_that_the_library_refuses_is_refused(house: House, linked: Linked) -> None:
    with pytest.raises(EndpointRefused, match="cannot be a feed endpoint"):
        linked("ipc:///tmp/" + "x" * 120)
