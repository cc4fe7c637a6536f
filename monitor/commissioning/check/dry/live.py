"""What comes now, judged dry: a foreign source by its map, or the feeds themselves."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from monitor.commissioning.check.dry.judged import DryJudging, DryReport, markers_heard
from monitor.commissioning.check.feed import FeedHeard
from monitor.commissioning.check.further import SourceHeard, check_feeds
from monitor.commissioning.check.listening import listen
from monitor.connect.channel_map.model import ChannelMap
from monitor.connect.sources.opening import Source, open_source
from monitor.feed.curve import CurveFiles
from monitor.judging.case.trial import Trial
from monitor.judging.document import trial_json
from monitor.judging.session import Session
from monitor.record.entries import Entry, EntryKind, Opening, pack_frames, pack_further
from monitor.study.model import Study

WAIT_S = 0.05
LOOK_EVERY_S = 0.5
"""Whether the drive has ended is asked so often."""


def judge_source(
    study: Study, maps: Sequence[ChannelMap], at: str | None, seconds: float, keys: CurveFiles | None
) -> DryReport:
    """Listens to a foreign source for so many seconds, or until its drive has ended, and judges what came.

    `maps`: the simulator's, then those of further sources. `at` replaces the first one's own address.
    """
    channels, *further = maps
    dry = DryJudging(study, maps)
    with contextlib.ExitStack() as opened:

        def opening(one: ChannelMap, where: str | None) -> Source:
            source = open_source(one, at=where, csv=None, speed=None, keys=keys)
            opened.callback(source.close)
            return source

        source = opening(channels, at)
        beside = [opening(one, None) for one in further]
        looked_s = time.monotonic()
        deadline = looked_s + seconds
        while (left := deadline - time.monotonic()) > 0:
            samples = source.samples(min(left, WAIT_S))
            for one, two in zip(dry.sources, beside, strict=True):
                if dry.joined is not None and (found := two.samples(0.0)):
                    dry.joined.take(one, found)
            if samples is None:
                dry.finish()
                break
            dry.take(samples)
            if time.monotonic() - looked_s > LOOK_EVERY_S:
                looked_s = time.monotonic()
                if dry.is_over:
                    break
        dry.stop()
        doubts = [one.doubt for one in (source, *beside) if one.doubt]
        report = dry.report(source.where, source.refused, source.last_refusal, doubts)
    if not report.frames:
        why = f" ({report.last_refusal})" if report.last_refusal else ""
        report.faults.append(f"Nothing that a frame could be made of came from {source.where} in {seconds:g} s{why}.")
    return report


@dataclass(slots=True)
class FeedsJudged:
    """What was heard at the endpoints of feeds, and the first verdicts."""

    feed: FeedHeard
    sources: list[SourceHeard]
    markers: list[str]
    trials: tuple[Trial, ...]

    def as_json(self) -> dict[str, Any]:
        """For `check --json`."""
        return {"markers": self.markers, "trials": [trial_json(trial) for trial in self.trials]}

    def sentences(self) -> list[str]:
        """The markers; trials are printed by whoever prints trials."""
        return [" markers:", *(f"  {one}" for one in self.markers or ["none came"])]


def judge_feeds(study: Study, endpoints: Sequence[str], seconds: float, keys: CurveFiles | None) -> FeedsJudged:
    """Listens to the simulator (the first endpoint) and to further sources, and judges what came."""
    opening = Opening("DRY", None, study.name, study.text, study.sha256, tuple(endpoints), {})
    session = Session(study, opening)
    entries: list[Entry] = []

    def heed(place: int, message: list[bytes], now: float) -> None:
        kind = EntryKind.FURTHER if place else EntryKind.MESSAGE
        payload = pack_further(place, message) if place else pack_frames(message)
        entries.append(Entry(kind, len(entries) + 2, round(now * 1e9), round(time.time() * 1e9), payload))

    simulator, *further = listen(endpoints, seconds, keys, heed)
    session.take(entries)
    feed, sources = check_feeds(study, simulator, further)
    return FeedsJudged(feed, sources, markers_heard(simulator.markers, study.blind), session.trials())
