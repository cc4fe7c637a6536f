"""The words of the outlook: of a row, and of what fails."""

from __future__ import annotations

from monitor.following.coming.foresight import Trend
from monitor.judging.case.trial import ConditionResult
from monitor.study.band import Band

SIDES = {
    "time_gap": ("too long", "too short"),
    "time_headway": ("too long", "too short"),
    "distance_gap": ("too long", "too short"),
    "distance_headway": ("too long", "too short"),
    "ttc": ("too long", "too short"),
    "speed": ("too fast", "too slow"),
    "closing_speed": ("closing too fast", "closing too slowly"),
    "lane_offset": ("too far left", "too far right"),
}
"""What a value above and below its band is called."""


def trend_sign(trend: Trend | None, band: Band) -> int:
    """+1 coming towards the middle of the band, or into it; −1 leaving it; 0 neither."""
    if trend is None or abs(trend.slope) < 1e-3:
        return 0
    low, high = band.at_least, band.at_most
    if band.outside is not None:
        return 1 if (trend.value - sum(band.outside) / 2.0) * trend.slope > 0.0 else -1
    if low is not None and high is not None:
        return 1 if ((low + high) / 2.0 - trend.value) * trend.slope > 0.0 else -1
    inward = trend.slope if low is not None else -trend.slope
    return 1 if inward > 0.0 else -1


def row_words(shown: ConditionResult, trend: Trend | None, band: Band, then: float | None) -> str:
    """What a row says beside its value: "0.69 s too long, coming in, 1.62 foreseen"."""
    if shown.value is None or trend is None:
        return shown.state or ""
    foreseen = f", {then:.2f} foreseen" if then is not None and abs(then - shown.value) >= 0.005 else ""
    if shown.result == "met":
        inside = f"{shown.margin:.2f} inside" if shown.margin is not None else "in"
        return inside + (f", leaving{foreseen}" if then is not None and not band.contains_one(then) else "")
    sides = ("too much", "too little")
    above, below = sides if band.outside is not None else SIDES.get(shown.measure, sides)
    side = above if band.beyond(shown.value) > 0 else below
    way = {1: ", coming in", -1: ", going out", 0: ""}[trend_sign(trend, band)]
    return f"{abs(shown.margin or 0.0):.2f} {shown.unit} {side}".replace("  ", " ") + way + foreseen


def failing_words(shown: ConditionResult, then: float | None, *, by_trend: bool | None, for_good: bool) -> str:
    """What is wrong with a condition: "time gap will be 2.6 s, band 1.3–1.9 s"."""
    band = shown.band.words(shown.unit)
    if for_good:
        return f"{shown.name} has been out of its band, {band}"
    if shown.value is None:
        return f"{shown.name}: {shown.state}, band {band}"
    if then is None or by_trend is not False:
        coming = f", {then:.2f} foreseen" if then is not None else ", coming in" if by_trend is None else ""
        return f"{shown.name} is {shown.value:.2f} {shown.unit}".rstrip() + f", band {band}{coming}"
    return f"{shown.name} will be {then:.2f} {shown.unit}".rstrip() + f", band {band}"
