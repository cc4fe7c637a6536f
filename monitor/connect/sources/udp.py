"""Datagrams of one packed structure or of one map each, from one sender or from a multicast group."""

from __future__ import annotations

import contextlib
import ipaddress
import select
import socket
import struct
import time
from collections.abc import Mapping
from typing import Any, Protocol

from monitor.connect.channel_map.layout import LARGEST_DATAGRAM, PacketRefused
from monitor.connect.channel_map.model import Format
from monitor.connect.channel_map.source import is_listen
from monitor.connect.channel_map.values import Sample
from monitor.connect.sources.maps import MapRefused, read_map
from monitor.errors import WitnessError
from monitor.feed.schema import ClockTold

RECEIVE_BYTES = 8 << 20
"""Asked of the system for datagrams that wait; it gives what its own limit allows."""
A_TURN = 256
REOPEN_AFTER_S = 1.0
_DROPS = 40
"""SO_RXQ_OVFL of Linux: each datagram says how many were thrown away before it. Python names it from 3.12 on only."""


class DatagramReader(Protocol):
    """Reads one datagram."""

    @property
    def doubt(self) -> str: ...

    def read(self, packet: bytes) -> Mapping[str, Any]:
        """The values in a datagram. Raises `PacketRefused` or `MapRefused`."""
        ...


class MapReader:
    """Reads datagrams of one map each."""

    doubt = ""

    def __init__(self, written: Format) -> None:
        self._written: Format = written

    def read(self, packet: bytes) -> Mapping[str, Any]:
        """The values in a datagram. Raises `MapRefused`."""
        return read_map(packet, self._written)


class UdpReceiver:
    """Listens at "ADDRESS:PORT"; an address of 224.0.0.0/4 is a multicast group, joined on `interface`."""

    def __init__(self, reader: DatagramReader, listen: str, interface: str) -> None:
        if not is_listen(listen):
            raise WitnessError(f"{listen!r} is no address to listen at; write ADDRESS:PORT, such as 0.0.0.0:5600.")
        host, _, port = listen.rpartition(":")
        self._host, self._port, self._interface = host, int(port), interface
        self._reader = reader
        self.refused = 0
        self.last_refusal = ""
        self.clock: ClockTold | None = None
        self._thrown_away = 0
        """By the system's own count, since the socket was opened."""
        self._reopen_at = 0.0
        self._socket: socket.socket | None = self._open()
        self.where = f"udp {host}:{self._socket.getsockname()[1]}"

    @property
    def doubt(self) -> str:
        """What makes one doubt that the packets are read rightly."""
        return self._reader.doubt

    def samples(self, timeout_s: float) -> list[Sample]:
        """Up to 256 packets that wait."""
        if self._socket is None and not self._reopened(timeout_s):
            return []
        assert self._socket is not None
        found: list[Sample] = []
        lost = 0
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                return found
            for _ in range(A_TURN):
                packet, more, _, _ = self._socket.recvmsg(LARGEST_DATAGRAM, 64)
                lost += self._losses(more) if more else 0
                try:
                    found.append(Sample(self._reader.read(packet), "", lost))
                    lost = 0
                except (PacketRefused, MapRefused) as refusal:
                    self._refuse(str(refusal))
        except BlockingIOError:
            pass
        except OSError as error:  # the interface went away: opened again, once a second
            self._refuse(f"the socket failed ({error.strerror or error}); it is opened again")
            self.close()
        return found

    def close(self) -> None:
        """Ends listening."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
            self._reopen_at = time.monotonic() + REOPEN_AFTER_S

    def _open(self) -> socket.socket:
        opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)
            with contextlib.suppress(OSError):  # not on every system; then losses show in the source's counter only
                opened.setsockopt(socket.SOL_SOCKET, _DROPS, 1)
            if ipaddress.IPv4Address(self._host).is_multicast:
                opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                opened.bind((self._host, self._port))
                group = socket.inet_aton(self._host) + socket.inet_aton(self._interface)
                opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group)
            else:
                opened.bind((self._host, self._port))
            opened.setblocking(False)
        except OSError as error:
            opened.close()
            raise WitnessError(
                f"udp {self._host}:{self._port} cannot be listened at: {error.strerror or error}; "
                "is another program there, and is the address one of this machine?"
            ) from error
        return opened

    def _reopened(self, timeout_s: float) -> bool:
        wait_s = self._reopen_at - time.monotonic()
        if wait_s > 0:
            time.sleep(min(wait_s, timeout_s))
            return False
        try:
            self._socket = self._open()
        except WitnessError as error:
            self.last_refusal = str(error)
            self._reopen_at = time.monotonic() + REOPEN_AFTER_S
            return False
        self._thrown_away = 0
        return True

    def _losses(self, more: list[tuple[int, int, bytes]]) -> int:
        """How many datagrams the system threw away before this one."""
        lost = 0
        for level, kind, raw in more:
            if level == socket.SOL_SOCKET and kind == _DROPS and len(raw) >= 4:
                (total,) = struct.unpack("=I", raw[:4])
                lost += (total - self._thrown_away) % (1 << 32)
                self._thrown_away = total
        return lost

    def _refuse(self, why: str) -> None:
        self.refused += 1
        self.last_refusal = why
