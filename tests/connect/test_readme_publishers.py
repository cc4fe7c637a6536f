"""The C++ publisher beside the schema is compiled and run, over a stand-in for ZeroMQ: what it sends is the feed."""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from monitor.feed.decode import decode_message
from monitor.feed.schema import Frame, Hello, Marker

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SCHEMA = (ROOT / "monitor" / "feed" / "SCHEMA.md").read_text(encoding="utf-8")

# The five names of ZeroMQ's C interface that the example uses: frames go to standard output, each after its length.
STAND_IN = """
#include <cstdint>
#include <cstdio>
#define ZMQ_PUB 1
#define ZMQ_SNDMORE 2
inline void* zmq_ctx_new() { return stdout; }
inline void* zmq_socket(void* context, int) { return context; }
inline int zmq_bind(void*, const char*) { return 0; }
inline int zmq_send(void*, const void* body, size_t size, int) {
  uint32_t length = size;
  std::fwrite(&length, 4, 1, stdout);
  return std::fwrite(body, 1, size, stdout);
}
"""


def block(language: str) -> str:
    found, *_ = re.findall(rf"```{language}\n(.*?)```", SCHEMA, re.DOTALL)
    return str(found)


@pytest.mark.parametrize("language", ["cpp", "text", "python"])
def test_each_publisher_is_under_40_lines(language: str) -> None:
    assert len(block(language).strip().splitlines()) < 40


@pytest.mark.skipif(shutil.which("g++") is None, reason="no C++ compiler here")
def test_the_cpp_publisher_sends_a_drive_that_decodes(tmp_path: Path) -> None:
    (tmp_path / "zmq.h").write_text(STAND_IN)
    (tmp_path / "publisher.cpp").write_text(block("cpp"))
    built = ["g++", "-std=c++17", "-Wall", "-Werror", "-I", str(tmp_path), "-o", str(tmp_path / "publisher")]
    subprocess.run([*built, str(tmp_path / "publisher.cpp")], check=True)
    sent = subprocess.run([str(tmp_path / "publisher")], check=True, capture_output=True).stdout
    frames, at = [], 0
    while at < len(sent):
        (length,) = struct.unpack_from("<I", sent, at)
        frames.append(sent[at + 4 : at + 4 + length])
        at += 4 + length
    messages = [decode_message(frames[index : index + 2]) for index in range(0, len(frames), 2)]
    driven = [one for one in messages if isinstance(one, Frame)]
    assert [one for one in messages if not isinstance(one, Frame | Hello | Marker)] == []
    assert [one.seq for one in driven] == list(range(1, 601))
    assert driven[-1].own["x"] == pytest.approx(22.2 * 599 / 60)
    assert [driven[index].markers for index in (299, 300)] == [0, 1]
    assert [(one.kind, one.name, one.t) for one in messages if isinstance(one, Marker)] == [
        ("trigger", "gate-brake", 5.0)
    ]
    assert sum(isinstance(one, Hello) for one in messages) == 20
    assert struct.unpack("<q", driven[0].ids) == (7,)


def test_the_matrix_pseudo_code_names_every_key_that_the_feed_requires() -> None:
    text = block("text")
    for key in (
        "v",
        "run",
        "source",
        "rate_hz",
        "signals",
        "seq",
        "t",
        "own",
        "others",
        "markers",
        "n",
        "kind",
        "name",
    ):
        assert f"'{key}'" in text, key
    for key in ("x", "y", "heading", "speed", "accel", "length", "width", "id"):
        assert text.count(f"'{key}'") >= (1 if key == "id" else 2), key


def test_the_three_documented_commands_are_check_import_and_review() -> None:
    (commands,) = re.findall(r"in three commands\*\*[^\n]*\n\n((?:    .*\n)+)", README)
    assert [line.split()[1] for line in commands.strip().splitlines()] == ["check", "import", "review"]
