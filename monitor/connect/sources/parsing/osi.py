"""Traces of ASAM OSI messages: `.osi` (a length of four bytes, little-endian, before each message) and `.mcap`."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from monitor.connect.sources.maps import MapRefused
from monitor.connect.sources.osi import LARGEST_BYTES, OsiReader
from monitor.connect.sources.parsing.protocol import A_MESSAGE, write_message
from monitor.errors import WitnessError
from monitor.named_files import regular

LENGTH = struct.Struct("<I")


def parse(path: str, asked: dict[str, Any], out: IO[bytes]) -> None:
    """Hands on the messages of one type, {"message", "host_id"}, as samples in the order of the file."""
    reader = OsiReader(asked["message"], asked["host_id"])
    messages = _of_mcap(path, asked["message"]) if Path(path).suffix == ".mcap" else _of_osi(path)
    write_message(out, {"streams": [{"name": asked["message"], "rate_hz": 0.0, "uncertainty_s": 0.0}]})
    samples: list[list[Any]] = []
    refused, why = 0, ""
    for payload in messages:
        try:
            values = reader.read(payload)
        except MapRefused as refusal:
            refused, why = refused + 1, str(refusal)
            continue
        samples.append([0, values["t"], values, ""])
        if len(samples) >= A_MESSAGE:
            write_message(out, {"samples": samples})
            samples = []
    write_message(out, {"samples": samples})
    write_message(out, {"end": refused, "why": why})


def _of_osi(path: str) -> Iterator[bytes]:
    """The messages of a single-channel trace. Raises `WitnessError` where it breaks off or is no such file."""
    number = 0
    with open(path, "rb", opener=regular) as file:
        while head := file.read(LENGTH.size):
            number += 1
            (length,) = LENGTH.unpack(head) if len(head) == LENGTH.size else (LARGEST_BYTES + 1,)
            if length > LARGEST_BYTES:
                raise WitnessError(
                    f"{path}: message {number} would have {length} bytes; is it a trace of messages with lengths?"
                )
            payload = file.read(length)
            if len(payload) < length:
                raise WitnessError(f"{path} breaks off inside message {number}.")
            yield payload


def _of_mcap(path: str, message: str) -> Iterator[bytes]:
    """The messages of a type in a multi-channel trace. Raises `WitnessError` where it has none, or several topics."""
    try:
        from mcap.reader import make_reader
    except ImportError as error:
        raise WitnessError("mcap is not installed here; install it with: pip install trialwitness[osi]") from error
    with open(path, "rb", opener=regular) as file:
        reader = make_reader(file)
        summary = reader.get_summary()
        if summary is None:
            raise WitnessError(f"{path} has no summary: it was not closed in good order.")
        wanted = {key for key, schema in summary.schemas.items() if schema.name == f"osi3.{message}"}
        topics = sorted(one.topic for one in summary.channels.values() if one.schema_id in wanted)
        if len(topics) != 1:
            names = ", ".join(sorted(schema.name for schema in summary.schemas.values())) or "nothing"
            raise WitnessError(f"{path} has {len(topics)} topics of osi3.{message}, and one is meant; it has {names}.")
        for _, _, one in reader.iter_messages(topics=topics):
            yield one.data
