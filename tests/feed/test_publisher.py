"""The publisher over real sockets: what arrives is what was given, in the order that the contract promises."""

from __future__ import annotations

import math
import textwrap
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zmq
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.feed.decode import decode_message
from monitor.feed.publisher import FeedPublisher
from monitor.feed.schema import Frame, Hello, Marker
from monitor.judging.case.columns import FILLED, build_block

OWN = {"x": 1.0, "y": 2.0, "heading": 0.1, "speed": 20.0, "accel": -0.5, "length": 4.6, "width": 1.8}
OTHERS: dict[str, Any] = {"id": [7, 8], **{name: [1.0, 2.0] for name in OWN}}
PATIENCE_MS = 10_000


class Listener:
    """A subscriber that waits for a message with a deadline."""

    def __init__(self, endpoint: str, *topics: bytes) -> None:
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.SUB)
        self._socket.connect(endpoint)
        for topic in topics or (b"",):
            self._socket.subscribe(topic)

    def next(self) -> Any:
        assert self._socket.poll(PATIENCE_MS), "nothing came"
        return decode_message(self._socket.recv_multipart())

    def next_of(self, kind: type) -> Any:
        while not isinstance(message := self.next(), kind):
            pass
        return message

    def close(self) -> None:
        self._context.destroy(linger=0)


Listen = Callable[..., Listener]


@pytest.fixture
def listen() -> Iterator[Listen]:
    """`listen(endpoint, topic, …)`: a subscriber that is closed after the test, whatever became of it."""
    listeners: list[Listener] = []

    def make(endpoint: str, *topics: bytes) -> Listener:
        listeners.append(Listener(endpoint, *topics))
        return listeners[-1]

    yield make
    for listener in listeners:
        listener.close()


def publisher(**changes: Any) -> FeedPublisher:
    return FeedPublisher("tcp://127.0.0.1:*", **{"run": "r-1", "source": "bridge", "rate_hz": 60, **changes})


@pytest.fixture(scope="module", params=[True, False], ids=["packed", "arrays"])
def linked(request: pytest.FixtureRequest) -> Iterator[tuple[FeedPublisher, Listener]]:
    with publisher(packed=request.param) as feed:
        listener = Listener(feed.endpoint)
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
        yield feed, listener
        listener.close()


numbers = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**53), 2**53)
names = st.text(max_size=64)


@st.composite
def columns(draw: st.DrawFn) -> dict[str, list[Any]]:
    ids = draw(st.lists(st.integers(-(2**63), 2**63 - 1), unique=True, max_size=6))
    count = len(ids)
    made: dict[str, list[Any]] = {"id": ids}
    optional = draw(st.sets(st.sampled_from(["station", "lane"])))
    for name in (*OWN, *optional):
        made[name] = draw(st.lists(numbers | st.none(), min_size=count, max_size=count))
    if draw(st.booleans()):
        made["name"] = draw(st.lists(names | st.none(), min_size=count, max_size=count))
    return made


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    t=st.floats(-1e6, 1e9),
    own=st.fixed_dictionaries(
        dict.fromkeys(OWN, numbers), optional={"lane": numbers, "brake": numbers, "wiper": numbers}
    ),
    others=st.just({}) | columns(),
    signals=st.dictionaries(names, numbers | st.booleans(), max_size=5),
    wall=st.none() | st.floats(0, 4e9),
)
def test_what_is_published_is_what_is_decoded(
    linked: Any, t: float, own: Any, others: Any, signals: Any, wall: Any
) -> None:
    feed, listener = linked
    seq = feed.frame(t, own, others, signals, wall)
    frame: Frame = listener.next_of(Frame)
    assert (frame.run, frame.seq, frame.t, frame.wall, frame.markers) == ("r-1", seq, t, wall, feed.markers)
    assert frame.own == own
    assert frame.signals == signals
    block = build_block([frame], [1])
    assert block.others.id.tolist() == others.get("id", [])
    for name, column in others.items():
        if name == "name":
            assert frame.names == (tuple(column))
        elif name != "id":
            expected = [math.nan if one is None or abs(one) >= FILLED else float(one) for one in column]
            np.testing.assert_array_equal(block.others.channels[name], expected)


def test_a_marker_precedes_every_frame_that_counts_it(linked: Any) -> None:
    feed, listener = linked
    before = feed.markers
    data = {"modality": "chime", "measured": np.bool_(True), "level": np.float64(0.5)}
    assert feed.marker("alert_on", "chime", 5.0, data) == before + 1
    feed.frame(5.0, OWN)
    marker = listener.next_of(Marker)
    assert marker == Marker(
        "r-1", before + 1, 5.0, "alert_on", "chime", {"modality": "chime", "measured": True, "level": 0.5}
    )
    assert listener.next_of(Frame).markers == before + 1


def test_a_subscriber_is_greeted_with_a_hello_at_once_though_it_comes_late(listen: Listen) -> None:
    with publisher(participant="Q01", group="chime", scenario="clean", signals={"eyes_on_road": ""}) as feed:
        assert not feed.wait_for_subscriber(0.0)
        feed.marker("run_start", "", 0.0)
        feed.frame(0.0, OWN)
        listener = listen(feed.endpoint)
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
        hello = listener.next()
        assert isinstance(hello, Hello)
        assert (hello.participant, hello.group, hello.scenario) == ("Q01", "chime", "clean")
        assert [marker.kind for marker in hello.recent] == ["run_start"]


def test_subscribers_to_markers_alone_do_not_count_as_followers_of_frames(listen: Listen) -> None:
    with publisher() as feed:
        markers = listen(feed.endpoint, b"marker", b"hello")
        feed.wait_for_subscriber(0.2)
        feed.hello()
        assert isinstance(markers.next(), Hello)
        assert not feed.wait_for_subscriber(0.0)
        listen(feed.endpoint, b"frame")
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)


def test_a_subscriber_that_leaves_takes_only_its_own_subscription_with_it(listen: Listen) -> None:
    with publisher() as feed:

        def until(*prefixes: bytes) -> bool:
            """Takes in what subscribers tell until these subscriptions stand; returns whether frames are among them."""
            deadline = time.monotonic() + PATIENCE_MS / 1000
            while True:
                subscribed = feed.wait_for_subscriber(0.0)
                if feed._prefixes == set(prefixes):
                    return subscribed
                assert time.monotonic() < deadline, feed._prefixes

        everything, frames = listen(feed.endpoint), listen(feed.endpoint, b"frame")
        assert until(b"", b"frame")
        frames.close()
        assert until(b"")
        everything.close()
        assert not until()


def test_hellos_come_every_simulated_half_second_however_fast_the_simulation_runs(listen: Listen) -> None:
    with publisher() as feed:
        listener = listen(feed.endpoint)
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
        for step in range(601):
            feed.frame(step / 60, OWN)
        since, longest, hellos = 0, 0, 0
        for _ in range(601):
            while isinstance(listener.next(), Hello):
                hellos, since = hellos + 1, 0
            since += 1
            longest = max(longest, since)
        assert longest <= 31
        assert hellos >= 20


def test_hellos_come_once_a_second_of_wall_clock_where_simulated_time_stands_still(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = 100.0
    monkeypatch.setattr(time, "monotonic", lambda: now)
    with publisher() as feed:
        sent: list[str] = []
        monkeypatch.setattr(feed, "_send", lambda topic, payload: sent.append(topic))
        for _ in range(60):  # a minute in a pause, a frame a second at the same time
            feed.frame(7.0, OWN)
            now += 1.0
        assert sent == ["hello", "frame"] * 60


def test_a_hello_repeats_the_last_thirty_two_markers(listen: Listen) -> None:
    with publisher() as feed:
        listener = listen(feed.endpoint)
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
        for index in range(40):
            feed.marker("task_item", f"item {index}", 0.01 * index)
        feed.hello()
        while len((hello := listener.next_of(Hello)).recent) < 32:
            pass
        assert [marker.n for marker in hello.recent] == list(range(9, 41))
        last = hello.recent[-1]
        assert last == Marker("r-1", 40, last.t, "task_item", "item 39", {})
        assert last.t == pytest.approx(0.39)


def test_a_hello_too_large_leaves_out_the_oldest_markers(listen: Listen) -> None:
    with publisher() as feed:
        listener = listen(feed.endpoint)
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
        for index in range(32):
            feed.marker("other", "much", 0.001 * index, {"words": "w" * 10_000})
        feed.hello()
        while not (recent := listener.next_of(Hello).recent) or recent[-1].n < 32:
            pass
        assert 20 <= len(recent) < 32


def test_frames_left_out_leave_a_hole_in_the_numbers() -> None:
    with publisher() as feed:
        assert feed.frame(0.0, OWN) == 1
        feed.seq += 3
        assert feed.frame(0.1, OWN) == 5


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ({"own": {"x": 1.0}}, "frame: `own.y` is missing"),
        ({"own": {**OWN, "speed": "fast"}}, "frame: `own.speed` is a text, not a number"),
        ({"own": {**OWN, "speed": object()}}, "frame: a object cannot be sent"),
        ({"t": math.nan}, "frame: `t` is nan, not a finite number"),
        ({"others": {**OTHERS, "id": [7, 7]}}, "frame: `others.id` holds the vehicle 7 twice"),
        ({"others": {**OTHERS, "id": ["a", "b"]}}, "frame: `others.id` is no flat column of integers"),
        ({"others": {**OTHERS, "id": [1.5, 2.5]}}, "frame: `others.id` is no flat column of integers"),
        ({"others": {**OTHERS, "x": [1.0]}}, "frame: `others.x` has 1 values where `others.id` has 2"),
        ({"others": {**OTHERS, "x": ["1", "2"]}}, "frame: `others.x` is no flat column of numbers"),
        ({"others": {**OTHERS, "x": [[1.0], [2.0]]}}, "frame: `others.x` is no flat column of numbers"),
        ({"signals": {"s": "on"}}, "frame: `signals.s` is a text, not a number"),
        ({"signals": {"n" * 65: 1}}, f"frame: the key `{'n' * 64}…` in `signals` has more than 64 characters"),
    ],
)
def test_misuse_is_told_with_the_key_and_sends_nothing(arguments: dict[str, Any], why: str) -> None:
    with publisher() as feed:
        with pytest.raises(ValueError) as raised:
            feed.frame(**{"t": 1.0, "own": OWN, **arguments})
        assert str(raised.value) == why
        assert feed.seq == 0
        assert feed.frame(1.0, OWN) == 1


def test_a_bad_marker_is_told_and_not_counted() -> None:
    with publisher() as feed:
        with pytest.raises(ValueError, match="no kind of marker"):
            feed.marker("bang", "", 0.0)
        assert feed.markers == 0


@pytest.mark.parametrize(
    "changes", [{"run": ""}, {"rate_hz": 0}, {"road": {"x": [0.0], "y": [0.0], "lane_width": 3.5, "lanes": 1}}]
)
def test_a_hello_that_would_be_refused_is_refused_at_once(changes: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"^hello: "):
        publisher(**changes)


def test_an_endpoint_that_is_taken_is_told() -> None:
    with publisher() as feed, pytest.raises(zmq.ZMQError):
        FeedPublisher(feed.endpoint, run="r-2", source="bridge", rate_hz=60)


def test_numpy_values_are_taken_as_they_are(listen: Listen) -> None:
    with publisher(
        rate_hz=np.float64(60), road={"x": np.arange(3.0), "y": np.zeros(3), "lane_width": 3.5, "lanes": 2}
    ) as feed:
        listener = listen(feed.endpoint)
        assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
        own: dict[str, Any] = {**OWN, "lane": np.int64(1)}
        others: dict[str, Any] = {name: np.array(column) for name, column in OTHERS.items()}
        signals: dict[str, Any] = {"eyes_on_road": np.bool_(False)}
        feed.frame(np.float64(1.5), own, others, signals)
        frame = listener.next_of(Frame)
        assert (frame.t, frame.own["lane"], frame.signals) == (1.5, 1, {"eyes_on_road": False})


def test_closing_sends_what_is_still_to_be_sent_and_may_be_repeated(listen: Listen) -> None:
    feed = publisher()
    listener = listen(feed.endpoint)
    assert feed.wait_for_subscriber(PATIENCE_MS / 1000)
    for step in range(2000):
        feed.frame(step / 60, OWN)
    feed.close()
    feed.close()
    for _ in range(2000):
        last = listener.next_of(Frame)
    assert last.seq == 2000


def test_the_example_in_the_docstring_runs(listen: Listen, tmp_path: Path) -> None:
    text = FeedPublisher.__doc__ or ""
    example = textwrap.dedent(text[text.index("        from monitor") :])
    endpoint = f"ipc://{tmp_path}/feed"
    example = example.replace("tcp://*:5600", endpoint)
    listener = listen(endpoint)
    assert len(example.strip().splitlines()) <= 15
    exec(compile(example, "example", "exec"), {})
    frames: list[Frame] = []
    while not (isinstance(message := listener.next(), Marker) and message.kind == "run_end"):
        if isinstance(message, Frame):
            frames.append(message)
    last = frames[-1]
    assert last.seq == 600
    assert last.names == ("van",)


class Ended(Exception):
    """Raised to end a wait."""


def crowded(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, listen: Listen, *, lossless: bool
) -> tuple[FeedPublisher, Listener]:
    """A publisher that keeps ten messages for a subscriber, and one who does not read."""
    monkeypatch.setattr("monitor.feed.publisher.SEND_QUEUE", 10)
    endpoint = f"ipc://{tmp_path}/feed"  # what the system keeps of it is 0.2 MB, of tcp some MB
    publisher = FeedPublisher(endpoint, run="r-1", source="test", rate_hz=60.0, lossless=lossless)
    listener = listen(endpoint)
    listener._socket.setsockopt(zmq.RCVHWM, 1)
    assert publisher.wait_for_subscriber(10.0)
    return publisher, listener


def read_out(listener: Listener) -> int:
    count = 0
    while listener._socket.poll(500):
        listener._socket.recv_multipart()
        count += 1
    return count


def test_what_was_dropped_in_a_later_drive_for_whoever_stood_still_is_told_at_the_end(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, listen: Listen
) -> None:
    """The library tells once that there is no room; from then on it drops without a word until the subscriber reads."""
    publisher, listener = crowded(monkeypatch, tmp_path, listen, lossless=False)
    for step in range(4000):
        publisher.frame(step / 60.0, OWN)
    publisher.begin_drive("r-2")
    for step in range(500):
        publisher.frame(step / 60.0, OWN)
    assert read_out(listener) < 4000
    publisher.hello()
    assert read_out(listener) == 1
    assert not publisher.close(5.0)


def test_what_was_not_sent_because_a_wait_was_ended_is_told_at_the_end(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, listen: Listen
) -> None:
    def end() -> None:
        raise Ended

    publisher, listener = crowded(monkeypatch, tmp_path, listen, lossless=True)
    publisher.while_waiting = end

    def send_all() -> None:
        for step in range(40_000):
            publisher.frame(step / 60.0, OWN)

    with pytest.raises(Ended):
        send_all()
    read_out(listener)
    assert not publisher.close(5.0)
