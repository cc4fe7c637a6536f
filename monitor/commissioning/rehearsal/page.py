"""The one page of a rehearsal: go or no-go, in words; kept beside the records for whoever asks before a participant."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor import __version__
from monitor.archive.program import program_digest
from monitor.archive.rehearsals import FOLDER
from monitor.commissioning.rehearsal.rehearsed import Fired, Rehearsed
from monitor.commissioning.rehearsal.run_chart import RunChart, run_charts
from monitor.errors import WitnessError
from monitor.named_files import make_directory, write_numbered
from monitor.study.model import Study

UNEVEN_BY = 1.5
UNEVEN_BY_S = 0.002
"""Pacing worse than the reference by this factor and this much more is said."""
DELAY_OFF_S = 0.02
GAP_OFF = 0.2
"""A gap at fire further than this share from the reference is said."""


@dataclass(frozen=True, slots=True)
class Page:
    """A rehearsal with what it is compared with."""

    study: str
    study_sha256: str
    at: float
    """When it was judged, seconds since 1970."""
    by: str
    shown: Rehearsed
    reference: str | None
    """Name of the kept rehearsal that this one was compared with."""
    changes: tuple[str, ...]
    charts: tuple[RunChart, ...] = ()
    """Its numbers beside those of the last goes."""

    @property
    def go(self) -> bool:
        """Whether everything worked."""
        return self.shown.go

    def as_json(self) -> dict[str, Any]:
        """The page for programs, and as it is kept."""
        shown = self.shown
        document = {
            "type": "rehearsal",
            "go": self.go,
            "study": self.study,
            "study_sha256": self.study_sha256,
            "at": self.at,
            "by": self.by,
            "record": shown.record,
            "drives": shown.drives,
            "groups": list(shown.groups),
            "against": shown.against,
            "missing": shown.missing,
            "look_at": shown.look_at,
            "fired": [asdict(one) | {"conditions": dict(one.conditions)} for one in shown.fired],
            "output_delays": [asdict(one) for one in shown.delays],
            "pacing": shown.pacing.as_json() if shown.pacing else None,
            "reference": self.reference,
            "changes": list(self.changes),
            "over_days": [one.as_json() for one in self.charts],
            "program": {"version": __version__, "digest": program_digest()},
            "channel_maps": list(shown.channel_maps),
            "perceived": [
                {"name": one.name, "answer": one.answer, "by": one.by, "at": one.wall} for one in shown.perceived
            ],
        }
        plain: dict[str, Any] = _finite(document)
        return plain

    def sentences(self) -> list[str]:
        """The page in words."""
        shown = self.shown
        when = datetime.fromtimestamp(self.at, UTC).strftime("%Y-%m-%d %H:%M UTC")
        drives = "1 drive" if shown.drives == 1 else f"{shown.drives} drives"
        lines = [
            f"{'GO' if self.go else 'NO-GO'}  rehearsal of {self.study}, {when}, by {self.by}",
            f"       {drives}; alerts of the groups {', '.join(shown.groups) or 'none'}",
            "",
        ]
        if shown.against:
            lines += ["Against it:", *(f"  {sentence}" for sentence in shown.against), ""]
        lines += ["What fired:", *(f"  {_fired_words(one)}" for one in shown.fired)]
        lines += [] if shown.fired else ["  nothing"]
        for delay in shown.delays:
            lines.append(
                f"  output delay of {delay.modality}: {1000 * delay.median_s:.0f} ms "
                f"({1000 * delay.least_s:.0f} to {1000 * delay.most_s:.0f} ms, {delay.count} seen by a sensor)"
            )
        if any(one.alert for one in shown.fired) and not shown.delays:
            lines.append("  output delay: not measured, no sensor reports alerts (data.measured)")
        if shown.perceived:
            lines += ["", "In the seat:", *(f"  {one.name}: {one.answer}, says {one.by}" for one in shown.perceived)]
        lines += ["", "Frames:", f"  {_pacing_words(shown)}"]
        maps = ", ".join(one[:8] for one in shown.channel_maps) or "none"
        lines += ["", "A go holds for this day, this program, and:"]
        lines += [f"  study file {self.study_sha256[:8]}, channel map {maps}"]
        if self.reference is not None:
            lines += ["", f"Against the rehearsal {self.reference}:"]
            lines += [f"  {change}" for change in self.changes] or ["  nothing is different"]
        moved = [one for one in self.charts if one.moved]
        if moved:
            lines += ["", "Moved beyond its usual spread (rehearse --days has all):"]
            lines += [f"  {one.line()}" for one in moved]
        if shown.look_at:
            lines += ["", "Look at:", *(f"  {sentence}" for sentence in shown.look_at)]
        return lines


def make_page(study: Study, shown: Rehearsed, by: str, at: float, reference: dict[str, Any] | None) -> Page:
    """The page of a rehearsal, compared with a kept one where there is one."""
    return Page(
        study.name,
        study.sha256,
        at,
        by,
        shown,
        None if reference is None else str(reference.get("name")),
        tuple(_changes(shown, reference)) if reference else (),
    )


def beside_earlier(page: Page, earlier: Sequence[Mapping[str, Any]]) -> Page:
    """The page with its numbers beside those of kept pages that were a go, the oldest first."""
    return replace(page, charts=tuple(run_charts(earlier, page.as_json())))


def keep_page(page: Page, records: Path) -> Path:
    """Keeps the page beside the records; gives its file. Raises `WitnessError` where it cannot be written."""
    stamp = datetime.fromtimestamp(page.at, UTC).strftime("%Y%m%dT%H%M%SZ")
    folder, stem = records / FOLDER, f"{stamp}-{'go' if page.go else 'no-go'}"
    try:
        make_directory(folder)
    except OSError as error:
        raise WitnessError(f"{folder}: the page cannot be kept there ({error.strerror}).") from error
    return write_numbered(
        folder, stem, ".json", json.dumps(page.as_json(), ensure_ascii=False, allow_nan=False, indent=1)
    )


def _fired_words(one: Fired) -> str:
    words = [f"{one.trigger} at {one.at:.2f} s, {one.timing}"]
    if one.delay_s is not None:
        words.append(f"{1000 * one.delay_s:+.0f} ms after its rule held")
    if one.gap_m is not None:
        time_gap = "" if one.time_gap_s is None else f" ({one.time_gap_s:.2f} s)"
        words.append(f"gap {one.gap_m:.1f} m{time_gap}")
    if one.alert and one.alert_after_s is not None:
        words.append(f"alert {' with '.join(one.alert)} {one.alert_after_s:.2f} s after the fire")
    met = sum(result == "met" for _, result in one.conditions)
    return f"{', '.join(words)}; {met} of {len(one.conditions)} conditions met"


def _pacing_words(shown: Rehearsed) -> str:
    pacing = shown.pacing
    if pacing is None or pacing.rate_hz is None:
        return "too few"
    pace = "" if pacing.real_time is None else f", {pacing.real_time:.2f} times real time"
    words = [f"{pacing.frames}, {pacing.rate_hz:.2f} Hz{pace}, {pacing.lost} lost, {pacing.overruns} overran"]
    for what, value in (
        ("steps even to", pacing.step_p99_s),
        ("the simulator's clock to", pacing.wall_p99_s),
        ("arrival to", pacing.arrival_p99_s),
    ):
        if value is not None:
            words.append(f"{what} {1000 * value:.1f} ms")
    return "; ".join([words[0], ", ".join(words[1:])])


def _changes(shown: Rehearsed, reference: dict[str, Any]) -> list[str]:
    """What is different from the reference, a sentence each."""
    changes = []
    before = reference.get("pacing") or {}
    now = shown.pacing.as_json() if shown.pacing else {}
    for key, what in (
        ("step_p99_s", "Steps of simulation time"),
        ("wall_p99_s", "Steps of the simulator's clock"),
        ("arrival_p99_s", "Arrivals"),
    ):
        was, value = before.get(key), now.get(key)
        if was is not None and value is not None and value > UNEVEN_BY * was + UNEVEN_BY_S:
            changes.append(f"{what} are less even: {1000 * value:.1f} ms, then {1000 * was:.1f} ms.")
    delays = {one["modality"]: one["median_s"] for one in reference.get("output_delays", ())}
    for delay in shown.delays:
        was = delays.get(delay.modality)
        if was is not None and abs(delay.median_s - was) > DELAY_OFF_S:
            now_ms, was_ms = 1000 * delay.median_s, 1000 * was
            changes.append(f"The output delay of {delay.modality} is {now_ms:.0f} ms, then {was_ms:.0f} ms.")
    gaps = {one["trigger"]: one["gap_m"] for one in reference.get("fired", ()) if one.get("gap_m") is not None}
    for one in shown.fired:
        was = gaps.get(one.trigger)
        if was and one.gap_m is not None and abs(one.gap_m / was - 1.0) > GAP_OFF:
            changes.append(f"The gap at the fire of {one.trigger} is {one.gap_m:.1f} m, then {was:.1f} m.")
    return changes


def _finite(value: Any) -> Any:
    """The value with NaN and infinities as None, for JSON."""
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
