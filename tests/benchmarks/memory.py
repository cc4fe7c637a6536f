"""Memory and descriptors over a day's drive with 20 further vehicles: of the recorder and of who follows and judges.

`--hours 8` takes some 15 minutes on two quiet cores, and 7 GB among temporary files (`TMPDIR`), which it erases.
"""

from __future__ import annotations

from tests.benchmarks.day import Day, pass_a_day
from tests.benchmarks.measuring import Figure

HOURS = 1.5
"""Below this the least growth that could be told from the noise is more than the budget."""


def measure(rounds: int, hours: float = HOURS) -> list[Figure]:
    """One drive, however many rounds are asked for."""
    day = pass_a_day(hours)
    after = f"after the first ten minutes of {hours:g} h"
    return [
        _growth(day, "recorder_mib", f"growth of the recorder {after}"),
        _growth(day, "follower_mib", f"growth of following and judging {after}"),
        Figure(
            "more descriptors at the end than after ten minutes, recorder and follower",
            (day.more("recorder_descriptors") + day.more("follower_descriptors"),),
            "",
            at_most=0.0,
        ),
        Figure(
            "messages sent and not in the record, or not judged",
            (float(day.sent - day.recorded + day.lost + day.left_out + len(day.faults)),),
            "",
            at_most=0.0,
            remark=f"{day.sent} sent, {day.frames} frames judged, {day.bytes / 1e9:.1f} GB, {day.wall_s:.0f} s",
        ),
    ]


def _growth(day: Day, name: str, title: str) -> Figure:
    slope, error = day.growth(name)
    return Figure(title, (slope,), "MiB/h", at_most=1.0, remark=f"± {error:.2f}; {day.told(name)} MiB")
