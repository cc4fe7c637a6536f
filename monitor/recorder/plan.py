"""What a recorder is told when it is started. It goes in as JSON on standard input, never in an argument."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from monitor.errors import WitnessError
from monitor.feed.curve import CurveFiles
from monitor.feed.endpoint import LinkTiming
from monitor.record.entries import Opening

IDLE_CLOSE_S = 1800.0
FREE_BYTES_AT_START = 256 << 20
"""Below this a run is not begun: 60 Hz with 20 other vehicles writes some 9 MiB a minute, so it would not last half an
hour."""


@dataclass(frozen=True, slots=True)
class RecorderTiming:
    """The recorder's deadlines, in seconds."""

    first_tick_s: float = 0.25
    """After the last message a first tick is entered, ..."""
    tick_s: float = 1.0
    """... and then one after each of these."""
    drain_quiet_s: float = 0.05
    drain_s: float = 0.25
    """After the run was ended, messages are still taken in until none comes for the first of these, or all of the
    second has passed: what waits here or in the system's buffers, not what goes on arriving."""
    farewell_s: float = 0.5
    """For the last answers to be delivered."""
    ending_retry_s: float = 2.0
    """While no disk takes the end of the record, it is tried again as often."""
    signal_s: float = 3.0
    """A recorder that was told by a signal to end, and has not by then, is ended by force."""


@dataclass(frozen=True, slots=True)
class RecorderPlan:
    """Everything a recorder process needs. Paths are absolute texts; keys are named by their files only."""

    record: str
    """The record's directory, which is made unless `resume`."""
    feeds: tuple[str, ...]
    """Endpoints to subscribe to: the simulator's, then those of further sources, in the order of the opening's."""
    sockets: str
    """Directory (mode 0700, short path) of the sockets to followers; see `make_sockets_directory`."""
    opening: Opening | None = None
    """Needed unless `resume`."""
    resume: bool = False
    """Goes on with an existing record, in a new part."""
    second: str | None = None
    """Directory on another disk in which recording goes on when the first one fails."""
    idle_close_s: float = IDLE_CLOSE_S
    """The record is closed after this long without a message and without a follower."""
    own_secret_key: str | None = None
    """Our secret CURVE key file; needs `server_public_key`."""
    server_public_key: str | None = None
    """The simulator's public CURVE key file."""
    free_bytes: int = FREE_BYTES_AT_START
    """A new record is refused with less space than this."""
    timing: RecorderTiming = field(default_factory=RecorderTiming)
    link_timing: LinkTiming = field(default_factory=LinkTiming)
    """Of the connection to each feed."""

    def __post_init__(self) -> None:
        if (self.own_secret_key is None) != (self.server_public_key is None):
            raise WitnessError("CURVE needs both our own secret key file and the simulator's public key file.")
        if not self.feeds:
            raise WitnessError("A recorder needs at least one feed endpoint.")
        if len(set(self.feeds)) < len(self.feeds):
            twice = max(self.feeds, key=self.feeds.count)
            raise WitnessError(f"The feed {twice} is given twice; give each source once.")

    def keys(self) -> CurveFiles | None:
        """The CURVE key files, None where the feed is plain."""
        if self.own_secret_key is None or self.server_public_key is None:
            return None
        return CurveFiles(Path(self.own_secret_key), Path(self.server_public_key))

    def as_json(self) -> str:
        """The plan as one line of JSON."""
        return json.dumps(asdict(self))


def plan_from_json(text: str) -> RecorderPlan:
    """The plan that `as_json` wrote; raises `WitnessError` for anything else."""
    try:
        fields: dict[str, Any] = json.loads(text)
        opening = fields.pop("opening", None)
        feeds = tuple(fields.pop("feeds"))
        if opening is not None:
            opening = Opening(**{**opening, **{name: tuple(opening[name]) for name in ("feeds", "exposures")}})
        timing = RecorderTiming(**fields.pop("timing", {}))
        link_timing = LinkTiming(**fields.pop("link_timing", {}))
        return RecorderPlan(feeds=feeds, opening=opening, timing=timing, link_timing=link_timing, **fields)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise WitnessError(f"The recorder was started without a plan it can read ({error}).") from error
