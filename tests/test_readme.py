"""What the README shows works: the publisher example is run as it stands, and its drive is judged."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from threading import Thread

import zmq

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Marker

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_publisher_example_sends_a_drive_that_decodes() -> None:
    (example,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert len(example.strip().splitlines()) <= 16
    context = zmq.Context()
    subscriber = context.socket(zmq.SUB)
    subscriber.setsockopt(zmq.SUBSCRIBE, b"")
    subscriber.setsockopt(zmq.RCVTIMEO, 20_000)
    try:
        with context.socket(zmq.PUB) as probe:
            port = probe.bind_to_random_port("tcp://127.0.0.1")
        subscriber.connect(f"tcp://127.0.0.1:{port}")
        code = compile(example.replace("tcp://*:5570", f"tcp://127.0.0.1:{port}"), "README.md", "exec")
        sender = Thread(target=exec, args=(code, {}), daemon=True)
        sender.start()
        messages = []
        while not messages or not (isinstance(messages[-1], Marker) and messages[-1].kind == "run_end"):
            messages.append(decode_message(subscriber.recv_multipart()))
        sender.join(10)
    finally:
        context.destroy(0)
    assert sum(isinstance(message, Frame) for message in messages) == 600
    assert [message.kind for message in messages if isinstance(message, Marker)] == ["run_start", "trigger", "run_end"]
    assert any(isinstance(message, Hello) for message in messages)


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
