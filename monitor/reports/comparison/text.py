"""The comparison for people, at most 80 columns wide: what to beware of, who, how fast, the curves, the tests."""

from __future__ import annotations

from monitor.reports.comparison.comparison import Comparison, Pair
from monitor.reports.comparison.groups import ENDS, MEASURES, GroupTimes
from monitor.reports.comparison.words import cautions, conventions
from monitor.reports.drawing import bars, columns, cut, wrapped
from monitor.reports.statistics.intervals import Interval
from monitor.reports.statistics.logrank import GroupTest
from monitor.reports.statistics.survival import survival_at

NAME = 14
STRIP_COLUMNS, STRIP_ROWS = 60, 3
Z95 = 1.959964
TEST_NAMES = {
    "log-rank": "log-rank",
    "gehan": "Gehan-weighted log-rank",
    "ranks": "Kruskal-Wallis by ranks (pairs: Mann-Whitney, exact)",
}


def comparison_lines(one: Comparison, look: int) -> list[str]:
    """The whole page of one trigger."""
    analysis = one.analysis
    heading = (
        f"{one.study}, {analysis.trigger.name}: {MEASURES[analysis.measure][1]}, in seconds from "
        f"{analysis.trigger.origin}"
    )
    lines = wrapped(heading)
    planned = "no number is planned" if one.planned is None else f"{one.planned} are planned"
    lines += wrapped(
        f"Valid trials only: {one.trials}; {planned}. Not responded by {analysis.horizon_s:g} s is censored."
    )
    for text in cautions(one, look):
        lines += wrapped(text, "▲ ", "  ")
    for text in one.left_out:
        lines += wrapped(f"left out: {text}", "· ", "  ")
    lines += ["", *_who(one), "", *_how_fast(one), "", *_curves(one), "", *_tests(one), *_without_rulings(one)]
    lines += _collisions(one)
    lines += [*_competing(one), ""]
    for text in conventions(one):
        lines += wrapped(text, "· ", "  ")
    return lines


def _who(one: Comparison) -> list[str]:
    horizon = f"not by {one.analysis.horizon_s:g} s"
    rows: list[tuple[str, ...]] = [("", "trials", "responded", horizon, "contact", "cut", "no time", "collided")]
    for group in one.groups:
        ends = (group.ended(kind) for kind in ENDS)
        rows.append((group.group, str(group.n), *(_number(end) for end in ends), _number(group.collisions)))
    return columns(rows, (NAME, 7, 11, 12, 9, 6, 9, 10))


def _how_fast(one: Comparison) -> list[str]:
    horizon, within = f"mean to {one.analysis.horizon_s:g} s", f"by {one.analysis.within_s:g} s"
    rows: list[tuple[str, ...]] = [("", "median", "interval", horizon, within, "interval")]
    for group in one.groups:
        share = f"{group.by_count / group.by_known:.0%}" if group.by_known else "–"
        rows.append(
            (
                group.group,
                _seconds(group.median_s),
                _interval(group.median_interval),
                _mean(group.mean_s, group.mean_se_s, ".2f"),
                share,
                _shares(group.by_interval),
            )
        )
    return columns(rows, (NAME, 8, 17, 17, 10, 13))


def _competing(one: Comparison) -> list[str]:
    """Response and contact as ends that compete, where there was a contact."""
    if one.worst_rank is None:
        return []
    rows: list[tuple[str, ...]] = [("", "responded", "interval", "contact", "interval", "half had by")]
    for group in one.groups:
        found = group.competing
        cells = [
            cell
            for share, interval in (found.responded_by, found.contact_by_horizon)
            for cell in ("–" if share is None else f"{share:.0%}", _shares(interval))
        ]
        rows.append((group.group, *cells, _seconds(found.median_s)))
    cut_out = f"; {one.cut} cut short left out" if one.cut else ""
    kind = "Mann-Whitney, exact" if one.worst_rank.exact else "Kruskal-Wallis"
    worst = "nothing to compare" if one.worst_rank.statistic is None else _test(one.worst_rank)
    return [
        "",
        *wrapped(
            f"contact as an end that competes with the response (Aalen & Johansen): responded by "
            f"{one.analysis.within_s:g} s, contact by {one.analysis.horizon_s:g} s",
            "",
            "  ",
        ),
        *columns(rows, (NAME, 11, 14, 11, 14, 13)),
        *wrapped(f"worst rank, contact after no response ({kind}): {worst}{cut_out}", "", "  "),
    ]


def _curves(one: Comparison) -> list[str]:
    """Each group's curve as a strip on one time axis: how many have not responded yet."""
    lines = ["not responded yet (height: everybody), by time"]
    step = one.analysis.horizon_s / STRIP_COLUMNS
    for group in one.groups:
        if not group.n:
            continue
        shares = [survival_at(group.curve, (column + 0.5) * step) for column in range(STRIP_COLUMNS)]
        drawn = bars([share or 0.0 for share in shares], STRIP_ROWS)
        by_column = min(int(one.analysis.within_s / step), STRIP_COLUMNS - 1)
        labels = (cut(group.group, NAME - 1), f"n {group.n}", _median_label(group))
        for place, (label, row) in enumerate(zip(labels, drawn, strict=True), start=1):
            cells = list(row)
            if place == STRIP_ROWS:  # nobody was waited for so long: no curve, and not a curve at 0
                cells = ["?" if share is None else cell for share, cell in zip(shares, cells, strict=True)]
            if cells[by_column] == " ":
                cells[by_column] = "┊"
            lines.append(f"{label:<{NAME}}▏{''.join(cells)}".rstrip())
        lines.append(f"{'':<{NAME}}▔{_marks(group, step)}")
    return [*lines, *_axis(one, step)]


def _marks(group: GroupTimes, step: float) -> str:
    """The strip's ground line: a triangle at the median, a mark at each time censored before the horizon."""
    cells = ["▔"] * STRIP_COLUMNS
    for t in group.times.t[~group.times.event]:
        column = int(t / step)
        if column < STRIP_COLUMNS:
            cells[column] = "╿"
    if group.median_s is not None:
        cells[min(int(group.median_s / step), STRIP_COLUMNS - 1)] = "▲"
    return "".join(cells)


def _axis(one: Comparison, step: float) -> list[str]:
    ticks = [" "] * (STRIP_COLUMNS + 6)
    whole = max(1, round(one.analysis.horizon_s / 6))
    for second in range(0, int(one.analysis.horizon_s + 1e-9) + 1, whole):
        for place, letter in enumerate(f"{second} s"):
            ticks[min(round(second / step), STRIP_COLUMNS) + place] = letter
    contact = (
        "  ╿ censored before the horizon" if any(_early(group, one.analysis.horizon_s) for group in one.groups) else ""
    )
    unknown = any(group.n and not _is_known(group, one.analysis.horizon_s) for group in one.groups)
    return [
        f"{'':<{NAME + 1}}{''.join(ticks)}".rstrip(),
        f"{'':<{NAME + 1}}▲ median  ┊ {one.analysis.within_s:g} s{contact}",
        *([f"{'':<{NAME + 1}}? not known: nobody was waited for so long"] if unknown else []),
    ]


def _is_known(group: GroupTimes, horizon_s: float) -> bool:
    return group.curve.complete or group.curve.last_t >= horizon_s


def _early(group: GroupTimes, horizon_s: float) -> bool:
    return bool((group.times.t[~group.times.event] < horizon_s).any())


def _tests(one: Comparison) -> list[str]:
    name = TEST_NAMES[one.analysis.test]
    if one.test.statistic is None:
        return wrapped(f"{name}: {one.no_test or 'nothing to compare (no two groups with responses that differ)'}")
    pairs = "all pairs" if one.analysis.contrasts is None else "the contrasts that the study fixed"
    return [
        f"{name} over {one.test.df + 1} groups: {_test(one.test)}",
        f"{pairs}, Holm over {len(one.pairs)}:",
        *_differences(one.pairs),
    ]


def _without_rulings(one: Comparison) -> list[str]:
    """The same test by the computed verdicts alone, where anything was ruled."""
    rulings = one.rulings
    if not rulings.ruled:
        return []
    said = "nothing to compare" if rulings.test.statistic is None else _test(rulings.test)
    text = (
        f"By the computed verdicts alone ({rulings.trials} trials; {rulings.overruled} of {rulings.ruled} rulings say "
        f"otherwise, {rulings.after_look} made after a look): {said}"
    )
    return wrapped(text, "", "  ")


def _differences(pairs: tuple[Pair, ...]) -> list[str]:
    rows: list[tuple[str, ...]] = [("second less first", "medians", "interval", "means", "χ²", "p", "Holm")]
    rows += [
        (
            f"{cut(pair.first, 10)} → {cut(pair.second, 10)}",
            "–" if pair.median_difference_s is None else f"{pair.median_difference_s:+.2f}",
            _interval(pair.median_interval, signed=True),
            _mean(pair.mean_difference_s, pair.mean_se_s, "+.2f"),
            "–" if pair.test.statistic is None else f"{pair.test.statistic:.2f}",
            _p(pair.test.p),
            _p(pair.p_holm),
        )
        for pair in pairs
    ]
    return columns(rows, (24, 8, 15, 14, 7, 6, 6))


def _collisions(one: Comparison) -> list[str]:
    groups = [group for group in one.groups if group.valid]
    if not any(group.collisions for group in groups):
        return ["collided: nobody"]
    shares = ", ".join(
        f"{group.group} {group.collisions} of {group.valid} ({_shares(group.collision_interval)})" for group in groups
    )
    return wrapped(f"collided: {shares}; exact test p = {_p(one.collision_p)}", "", "  ")


def _median_label(group: GroupTimes) -> str:
    return "median –" if group.median_s is None else f"median {group.median_s:.2f}"


def _test(test: GroupTest) -> str:
    return f"χ² = {test.statistic:.4f}, df {test.df}, p = {_p(test.p)}"


def _interval(interval: Interval, *, signed: bool = False) -> str:
    if interval.method == "none":
        return "–"
    form = "+.2f" if signed else ".2f"
    low = "…" if interval.low is None else format(interval.low, form)
    high = "…" if interval.high is None else format(interval.high, form)
    return f"{low} to {high}"


def _mean(value: float | None, se: float | None, form: str) -> str:
    if value is None:
        return "–"
    return format(value, form) if se is None else f"{value:{form}} ± {Z95 * se:.2f}"


def _shares(interval: tuple[float, float] | None) -> str:
    return "–" if interval is None else f"{interval[0]:.0%} to {interval[1]:.0%}"


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _number(value: int) -> str:
    return str(value) if value else "·"


def _p(value: float | None) -> str:
    if value is None:
        return "–"
    return "<.001" if value < 0.001 else f"{value:.3f}"
