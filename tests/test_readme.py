"""What the README shows works: the publisher example is run as it stands, and its drive is judged."""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path
from threading import Thread

import zmq

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Marker, Refused

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SCHEMA = (ROOT / "monitor" / "feed" / "SCHEMA.md").read_text(encoding="utf-8")


def sent_by(example: str, bound: str, count: int, endpoint: str) -> list[Hello | Frame | Marker | Refused]:
    """What an example publishes, until so many frames have come and the example is over."""
    context = zmq.Context()
    subscriber = context.socket(zmq.SUB)
    subscriber.setsockopt(zmq.SUBSCRIBE, b"")
    subscriber.setsockopt(zmq.RCVTIMEO, 20_000)
    try:
        subscriber.connect(endpoint)
        assert bound in example
        code = compile(example.replace(bound, endpoint), "README.md", "exec")
        sender = Thread(target=exec, args=(code, {}), daemon=True)
        sender.start()
        messages: list[Hello | Frame | Marker | Refused] = []
        while sum(isinstance(message, Frame) for message in messages) < count:
            messages.append(decode_message(subscriber.recv_multipart()))
        sender.join(10)
        while subscriber.poll(100):
            messages.append(decode_message(subscriber.recv_multipart()))
    finally:
        context.destroy(0)
    return messages


def test_the_publisher_example_sends_a_drive_that_decodes(tmp_path: Path) -> None:
    example, *_ = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert len(example.strip().splitlines()) <= 16
    messages = sent_by(example, "tcp://*:5570", 600, f"ipc://{tmp_path}/feed")
    assert sum(isinstance(message, Frame) for message in messages) == 600
    assert [message.kind for message in messages if isinstance(message, Marker)] == ["run_start", "trigger", "run_end"]
    assert any(isinstance(message, Hello) for message in messages)


def test_the_example_of_a_further_source_sends_signals_and_no_car(tmp_path: Path) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", SCHEMA, re.DOTALL)
    messages = sent_by(example, "tcp://*:5571", 240, f"ipc://{tmp_path}/feed")
    assert not [message for message in messages if isinstance(message, Refused)]
    frames = [message for message in messages if isinstance(message, Frame)]
    assert [frame.signals["eyes_on_road"] for frame in frames] == [True] * 200 + [False] * 40
    assert all(math.isnan(value) for frame in frames for value in frame.own.values())
    assert [(one.kind, one.name, one.t) for one in messages if isinstance(one, Marker)] == [("sync", "pulse", 1.0)]
    assert next(one for one in messages if isinstance(one, Hello)).gives == ()


def test_every_command_of_the_command_line_stands_in_the_readme() -> None:
    from monitor.commands.main import COMMANDS

    assert sys.version_info >= (3, 11)
    missing = [name for name in COMMANDS if not re.search(rf"\b{name}\b", README)]
    assert not missing


def test_every_picture_of_the_readme_is_there() -> None:
    from urllib.parse import unquote

    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)
    assert len(pictures) >= 4
    assert [one for one in pictures if not (ROOT / unquote(one)).is_file()] == []
