"""What is subscribed to: an address that can be one, its keys, and the deadlines of a connection to it."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from monitor.errors import WitnessError
from monitor.feed.curve import CurveFiles
from monitor.feed.limits import shown

_ENDPOINT = re.compile(r"tcp://[^\s\x00-\x1f*]+:([0-9]{1,5})|ipc://[^\s\x00-\x1f*]+")


@dataclass(frozen=True, slots=True)
class LinkTiming:
    """The deadlines of a connection, in seconds."""

    missing_s: float = 2.0
    quiet_s: float = 2.0
    """Without a message of ours for this long, a connected endpoint is called silent. A hello comes every second."""
    rebuild_s: float = 3.0
    deaf_s: float = 0.5
    """Between DISCONNECTED and rebuilding; CONNECT_RETRIED follows within 1 ms where libzmq goes on by itself."""
    refused_retry_s: float = 2.0
    handshake_s: float = 2.0
    no_handshake_s: float = 2.5
    """Who is connected for longer than a handshake may take, without either outcome, speaks another protocol."""
    heartbeat_s: float = 1.5
    """Without an answer to a heartbeat for so long a connection is given up; they are sent at a third of it."""
    backoff_most_s: float = 60.0
    probe_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Endpoint:
    """What is subscribed to, and how."""

    address: str
    keys: CurveFiles | None = None
    timing: LinkTiming = field(default_factory=LinkTiming)


class EndpointRefused(WitnessError):
    """Raised when a feed endpoint cannot be one."""


def check_endpoint(endpoint: str) -> None:
    """Raises `EndpointRefused` unless this is the address of a ZeroMQ endpoint that can be connected to."""
    parts = _ENDPOINT.fullmatch(endpoint)
    if parts is None or not 0 < int(parts[1] or 1) < 65536:
        raise EndpointRefused(
            f"{shown(endpoint)}: is no feed endpoint; write tcp://HOST:PORT or ipc://PATH, as the simulator binds it"
        )
