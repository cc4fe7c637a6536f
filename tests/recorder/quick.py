"""Deadlines for tests that wait for one to pass: a fifth of the product's own, but heartbeats that a busy machine can
keep up with, and a rebuilding that leaves them the time to fail first (0.8 s at most after the last answer)."""

from __future__ import annotations

from monitor.feed.endpoint import LinkTiming
from monitor.recorder.plan import RecorderTiming

LINK = LinkTiming(
    missing_s=0.4,
    quiet_s=0.5,
    rebuild_s=1.2,
    deaf_s=0.1,
    refused_retry_s=0.4,
    handshake_s=0.5,
    no_handshake_s=0.6,
    heartbeat_s=0.6,
    backoff_most_s=10.0,
    probe_s=0.5,
)
TICKS = RecorderTiming(first_tick_s=0.1, tick_s=0.2)
