"""Response curves of groups, for those who may see them: who has not responded yet, by time, and who had contact."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.measures.columns import FloatArray
from monitor.reports.comparison.comparison import Comparison
from monitor.reports.comparison.groups import GroupTimes
from monitor.reports.page.svg import WIDTH, Picture, Scale
from monitor.reports.statistics.survival import survival_at

LEFT, RIGHT, TOP, HIGH = 130.0, 130.0, 30.0, 260.0
ROW = 18.0
COLOURS, DASHES = 4, 8
MOST_WITH_LIMITS = 2


def kind_of_line(index: int) -> str:
    """Classes of a group's line: up to eight groups are told apart by their dashes alone, in print, too; no two of 32
    have both dashes and colour in common."""
    return f"k{(index + index // DASHES) % COLOURS} c{index % DASHES}"


def shows_limits(one: Comparison) -> bool:
    """Whether the curves are drawn with their limits: those of three and more groups hide one another."""
    return sum(group.n > 0 for group in one.groups) <= MOST_WITH_LIMITS


def response_curves(one: Comparison) -> str:
    """Kaplan-Meier curves, of one or two groups with their 95 % limits, and below how many are still waited for."""
    groups = [group for group in one.groups if group.n]
    horizon_s = one.analysis.horizon_s
    picture = Picture(TOP + HIGH + 46.0 + ROW * (len(groups) + 1))
    across = Scale(0.0, horizon_s, LEFT, WIDTH - RIGHT)
    up = Scale(0.0, 1.0, TOP + HIGH, TOP)
    _axes(picture, across, up, "share without a response yet")
    for index, group in enumerate(groups):
        steps = _steps(group.curve.t, group.curve.survival, 1.0, _end(group, horizon_s))
        if shows_limits(one):
            picture.shape(_between(group, horizon_s, across, up), f"f{index % COLOURS}")
        picture.path([(across.kept(x), up.at(y)) for x, y in steps], f"curve {kind_of_line(index)}")
        for t in group.times.t[~group.times.event]:
            left = survival_at(group.curve, float(t))
            if left is not None and t < horizon_s:
                picture.line(
                    across.at(t),
                    up.at(left) - 5.0,
                    across.at(t),
                    up.at(left) + 5.0,
                    f"curve {kind_of_line(index).split()[0]}",
                )
    _names(picture, groups, [_last(group.curve.survival, 1.0) for group in groups], up)
    _at_risk(picture, groups, across, TOP + HIGH + 46.0)
    about = "; ".join(
        f"{group.group}: median {'not reached' if group.median_s is None else f'{group.median_s:.2f} s'}"
        for group in groups
    )
    return picture.done("Share without a response yet, by time", about)


def _between(group: GroupTimes, horizon_s: float, across: Scale, up: Scale) -> list[tuple[float, float]]:
    """The outline of what lies between a curve's limits, where it has both."""
    end = _end(group, horizon_s)
    upper = _steps(group.curve.t, group.curve.upper, 1.0, end)
    lower = _steps(group.curve.t, group.curve.lower, 1.0, end)
    known = [place for place, (_, low) in enumerate(lower) if low == low and upper[place][1] == upper[place][1]]
    there = [(across.kept(upper[place][0]), up.at(upper[place][1])) for place in known]
    return there + [(across.kept(lower[place][0]), up.at(lower[place][1])) for place in reversed(known)]


def contact_curves(one: Comparison) -> str:
    """Cumulative incidence of contact (Aalen & Johansen); empty where nobody had contact."""
    groups = [group for group in one.groups if group.n]
    if one.worst_rank is None:
        return ""
    picture = Picture(TOP + HIGH * 0.6 + 46.0)
    across = Scale(0.0, one.analysis.horizon_s, LEFT, WIDTH - RIGHT)
    most = max(_last(group.competing.contact.share, 0.0) for group in groups)
    up = Scale(0.0, max(min(1.25 * most, 1.0), 0.1), TOP + HIGH * 0.6, TOP)
    _axes(picture, across, up, "share that had contact")
    for index, group in enumerate(groups):
        found = group.competing.contact
        steps = _steps(found.t, found.share, 0.0, min(found.known_to, one.analysis.horizon_s))
        picture.path([(across.kept(x), up.at(y)) for x, y in steps], f"curve {kind_of_line(index)}")
    _names(picture, groups, [_last(group.competing.contact.share, 0.0) for group in groups], up)
    about = "; ".join(f"{group.group}: {_last(group.competing.contact.share, 0.0):.0%}" for group in groups)
    return picture.done("Share that had contact, by time", about)


def _axes(picture: Picture, across: Scale, up: Scale, title: str) -> None:
    picture.text(LEFT, TOP - 14.0, title, "strong")
    for tick in up.ticks(4):
        picture.line(LEFT, up.at(tick), WIDTH - RIGHT, up.at(tick), "grid")
        picture.text(LEFT - 8.0, up.at(tick) + 4.0, f"{tick:.0%}", "small", "end")
    picture.line(LEFT, up.begin, WIDTH - RIGHT, up.begin, "axis")
    for tick in across.ticks(8):
        picture.line(across.at(tick), up.begin, across.at(tick), up.begin + 5.0, "axis")
        picture.text(across.at(tick), up.begin + 19.0, f"{tick:g} s", "small", "middle")


def _steps(t: FloatArray, values: FloatArray, first: float, end: float) -> list[tuple[float, float]]:
    points = [(0.0, first)]
    for at, value in zip(t.tolist(), values.tolist(), strict=True):
        points += [(at, points[-1][1]), (at, value)]
    return [*points, (end, points[-1][1])]


def _end(group: GroupTimes, horizon_s: float) -> float:
    return horizon_s if group.curve.complete else min(group.curve.last_t, horizon_s)


def _last(values: FloatArray, none: float) -> float:
    return float(values[-1]) if len(values) else none


def _names(picture: Picture, groups: Sequence[GroupTimes], ends: Sequence[float], up: Scale) -> None:
    """The groups' names at the ends of their curves, none over another, each with a piece of its line."""
    x = WIDTH - RIGHT + 6.0
    taken: list[float] = []
    for index in sorted(range(len(groups)), key=lambda one: ends[one], reverse=True):
        y = up.at(ends[index])
        y = max([y, *(one + ROW for one in taken)])
        taken.append(y)
    overflow = max(0.0, max(taken, default=0.0) - up.begin - 4.0)
    order = sorted(range(len(groups)), key=lambda one: ends[one], reverse=True)
    for index, y in zip(order, taken, strict=True):
        picture.line(x, y - overflow, x + 26.0, y - overflow, f"curve {kind_of_line(index)}")
        picture.text(x + 32.0, y - overflow + 4.0, groups[index].group, "label")


def _at_risk(picture: Picture, groups: Sequence[GroupTimes], across: Scale, top: float) -> None:
    picture.text(LEFT - 20.0, top + 4.0, "waited for", "small", "end")
    for row, group in enumerate(groups, start=1):
        picture.text(LEFT - 20.0, top + 4.0 + ROW * row, group.group, "small", "end")
        for tick in across.ticks(8):
            left = int((group.times.t >= tick - 1e-9).sum())
            picture.text(across.at(tick), top + 4.0 + ROW * row, str(left), "small", "middle")
