"""Composes feed messages of one drive: numbers, packs and checks them. Sends nothing: a publisher or an import does."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import msgpack
import numpy as np

from monitor.feed.decode import decode_message
from monitor.feed.limits import MAX_MESSAGE_BYTES
from monitor.feed.schema import RECENT_MARKERS, VERSION, Refused

NOTHING: Mapping[str, Any] = MappingProxyType({})


class FeedComposer:
    """The messages of one drive. Each is put through the monitor's own decoder: misuse is a ValueError here.

    `frame` and `marker` count nothing; whoever hands the message on calls `frame_sent` and `marker_sent`.
    """

    def __init__(
        self,
        *,
        run: str,
        source: str,
        rate_hz: float,
        signals: Mapping[str, str] = NOTHING,
        participant: str | None = None,
        group: str | None = None,
        scenario: str | None = None,
        road: Mapping[str, Any] | None = None,
        packed: bool = True,
    ) -> None:
        """`packed`: columns as bytes (fast), else as arrays. Raises ValueError where the hello would be refused."""
        self.run = run
        self.packed = packed
        self.seq = 0
        """Sequence number of the last frame sent; add to it for frames that are left out."""
        self.markers = 0
        """Number of markers sent."""
        self._recent: deque[dict[str, Any]] = deque(maxlen=RECENT_MARKERS)
        self._hello: dict[str, Any] = {"v": VERSION, "run": run, "source": source, "rate_hz": rate_hz}
        self._hello["signals"] = dict(signals)
        optional = {
            "participant": participant,
            "group": group,
            "scenario": scenario,
            "road": road and _plain_road(road),
        }
        self._hello.update((key, value) for key, value in optional.items() if value is not None)
        self._packer = msgpack.Packer(default=_plain)
        self._checked("hello", self._hello)

    def hello(self, more: Mapping[str, Any] = NOTHING) -> bytes:
        """A hello with the last markers, and with further keys, which the feed keeps and ignores."""
        recent = list(self._recent)
        payload = self._pack({**self._hello, **more, "recent": recent})
        while (
            len(payload) > MAX_MESSAGE_BYTES and recent
        ):  # much data in markers beside a long road: the oldest must go
            del recent[0]
            payload = self._pack({**self._hello, **more, "recent": recent})
        return payload

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]] = NOTHING,
        signals: Mapping[str, float | bool] = NOTHING,
        wall: float | None = None,
    ) -> bytes:
        """The next step. `others`: equal-length columns. Raises ValueError on misuse."""
        fields = {"v": VERSION, "run": self.run, "seq": self.seq + 1, "t": t, "own": dict(own)}
        fields["others"] = {name: self._column(name, column) for name, column in others.items()}
        fields["signals"] = dict(signals)
        fields["markers"] = self.markers
        if wall is not None:
            fields["wall"] = wall
        return self._checked("frame", fields)

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """The fields of the next marker, for `pack_marker` and `marker_sent`."""
        fields = {"v": VERSION, "run": self.run, "n": self.markers + 1, "t": t, "kind": kind, "name": name}
        if data is not None:
            fields["data"] = dict(data)
        return fields

    def pack_marker(self, fields: dict[str, Any]) -> bytes:
        """The marker's payload. Raises ValueError on misuse."""
        return self._checked("marker", fields)

    def frame_sent(self) -> int:
        """Counts the frame that was handed on; gives its number."""
        self.seq += 1
        return self.seq

    def marker_sent(self, fields: dict[str, Any]) -> int:
        """Counts the marker that was handed on, and keeps it for the hellos; gives its number."""
        self.markers += 1
        self._recent.append(fields)
        return self.markers

    def _column(self, name: str, column: Sequence[Any]) -> Any:
        if name == "name" or not self.packed:
            return list(column)
        array = np.asarray(column)
        if array.dtype == object and all(one is None or isinstance(one, float | int) for one in array):
            array = array.astype("<f8")  # None becomes NaN, "not measured"
        wanted = "iu" if name == "id" and len(array) else "iuf"
        if array.ndim != 1 or array.dtype.kind not in wanted:
            raise ValueError(f"frame: `others.{name}` is no flat column of {'integers' if name == 'id' else 'numbers'}")
        return array.astype("<i8" if name == "id" else "<f8").tobytes()

    def _pack(self, fields: dict[str, Any]) -> bytes:
        packed: bytes = self._packer.pack(fields)
        return packed

    def _checked(self, topic: str, fields: dict[str, Any]) -> bytes:
        try:
            payload = self._pack(fields)
        except (TypeError, OverflowError, ValueError) as error:
            raise ValueError(f"{topic}: {error}") from error
        decoded = decode_message([topic.encode(), payload])
        if isinstance(decoded, Refused):
            raise ValueError(decoded.why)
        return payload


def _plain_road(road: Mapping[str, Any]) -> dict[str, Any]:
    return {key: [float(one) for one in value] if key in ("x", "y") else value for key, value in road.items()}


def _plain(value: Any) -> Any:
    """The plain value of a numpy number or array, which msgpack does not know."""
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    raise TypeError(f"a {type(value).__name__} cannot be sent")
