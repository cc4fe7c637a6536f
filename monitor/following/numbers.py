"""The screen's numbers and strips. Their bands and results are the ladder's: a screen has no second opinion."""

from __future__ import annotations

import numpy as np

from monitor.following.coming.view import OutlookRow, OutlookView
from monitor.following.view import FeedView, NumberView, StripView
from monitor.judging.blinding import Span, hidden_frames, reveals
from monitor.judging.case.blocks import MeasuredBlock
from monitor.judging.case.drive import DriveLog
from monitor.judging.case.trial import Result
from monitor.judging.case.values import channel_values, role_channel, state_text
from monitor.judging.session import STRIP_S, Session
from monitor.measures.columns import FloatArray
from monitor.measures.lead import rows_named, rows_of
from monitor.measures.measured import Measured
from monitor.measures.names import MEASURES
from monitor.study.band import Band
from monitor.study.model import Measure, Study

NUMBERS = (
    ("time_gap", "TIME GAP", None),
    ("ttc", "TTC", None),
    ("lane_offset", "LANE OFFSET", None),
    ("distance_gap", "gap", None),
    ("speed", "own speed", None),
    ("speed", "lead speed", "lead"),
)
STRIPS = ("time_gap", "ttc", "lane_offset")

Bands = dict[tuple[str, bool], tuple[Band, Result]]
"""Measure, and whether it is the lead's own channel → the band and how it stands there, as the ladder has it."""

_WORST = ("met", "undecided", "not met")


def bands_of(outlook: OutlookView | None, session: Session, log: DriveLog | None) -> Bands:
    """The rung for each measure that the numbers show: of several the one that is out, required ones first.

    A condition to another vehicle than the one ahead is about another number than the one that is shown.
    """
    if outlook is None or log is None or not log.blocks:
        return {}
    found: dict[tuple[str, bool], OutlookRow] = {}
    for row in outlook.rows:
        condition = row.condition
        if condition.role is not None and not _is_ahead(condition.role, session, log.blocks[-1]):
            continue
        name, of_role = condition.measure.rpartition(".")[2], "." in condition.measure
        before = found.get((name, of_role))
        if before is None or _weight(row) > _weight(before):
            found[name, of_role] = row
    return {key: (row.condition.band, row.condition.result) for key, row in found.items()}


def _weight(row: OutlookRow) -> tuple[bool, int]:
    return row.condition.required, _WORST.index(row.condition.result)


def _is_ahead(name: str, session: Session, block: MeasuredBlock) -> bool:
    """Whether the vehicle of a role is the one that the numbers are about now."""
    role = session.study.roles.get(name)
    if role is None or (role.vehicle is None and role.id is None):
        return True
    rows = rows_named(block.frames, role.vehicle) if role.vehicle is not None else rows_of(block.frames, role.id or 0)
    return int(rows[-1]) >= 0 and int(rows[-1]) == int(block.lead_row[-1])


def shown_as(name: str, role: str | None) -> Measure:
    """One of the screen's numbers as a measure, for what is asked of blindness."""
    return Measure("own" if role is None else "role", name, role, MEASURES[name].unit)


def measured_in(block: MeasuredBlock, name: str, role: str | None) -> Measured:
    """One of the screen's numbers, frame by frame; `role`: a channel of the vehicle ahead."""
    if role is not None:
        return role_channel(block.frames, name, block.lead_row)
    if name in block.lead:
        return block.lead[name]
    if name in block.lateral:
        return block.lateral[name]
    return channel_values(block.frames, Measure("own", name, None, ""), block.lead_row)


def build_numbers(
    study: Study, log: DriveLog | None, bands: Bands, feed: FeedView, *, masked: bool
) -> list[NumberView]:
    """The numbers of the newest frame, in the order of the screen."""
    found = []
    for name, label, role in NUMBERS:
        known = MEASURES[name]
        band, result = bands.get((name, role is not None), (None, None))
        value: float | None = None
        state: str | None = "no data"
        if masked and reveals(study, shown_as(name, role)):
            state = "masked"
        elif feed.state == "stale":
            state = "stale"
        elif log is not None and log.blocks:
            measured = measured_in(log.blocks[-1], name, role)
            state = state_text(measured, -1)
            value = None if state else float(measured.value[-1])
        if state in ("masked", "stale", "no data"):
            result = None
        found.append(NumberView(name, label, value, state, known.unit, known.definition, band, result))
    return found


def build_strips(study: Study, log: DriveLog, bands: Bands, hidden: tuple[Span, ...]) -> list[StripView]:
    """The last 60 s of the large numbers."""
    blocks = [block for block in log.blocks if block.frames.t[-1] >= log.newest_t - STRIP_S]
    found = []
    for name in STRIPS:
        t: FloatArray = np.concatenate([block.frames.t for block in blocks]) if blocks else np.empty(0)
        value = np.concatenate([measured_in(block, name, None).value for block in blocks]) if blocks else np.empty(0)
        keep = t >= log.newest_t - STRIP_S
        if reveals(study, shown_as(name, None)):
            value = np.where(hidden_frames(hidden, t), np.nan, value)
        band = bands.get((name, False), (None, None))[0]
        found.append(StripView(name, t[keep], value[keep], band))
    return found
