"""A rehearsal's numbers over days: limits against a published example, and what is said of equipment that drifts."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist
from typing import Any

import pytest

from monitor.commissioning.rehearsal.run_chart import FEWEST, RANGE_TO_LIMIT, RunChart, run_charts
from tests.commands.running import call
from tests.connect.conftest import CONFIGS

BATCHES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, example of an individuals chart (data from memory).
Their moving ranges in order of size: 0.2 1.2 1.4 1.4 1.5 2.0 2.3 3.4 3.5."""


def page(day: int, delay_s: float, *, go: bool = True, **pacing: Any) -> dict[str, Any]:
    return {
        "type": "rehearsal",
        "name": f"202610{day:02d}",
        "study": "dusk-road",
        "go": go,
        "output_delays": [{"modality": "sound", "median_s": delay_s}],
        "fired": [{"trigger": "gate-brake", "delay_s": 0.01, "alert_after_s": 0.30, "task_item_s": 0.5}],
        "pacing": {"frames": 4000, "lost": 2, "rate_hz": 60.0, "step_p99_s": 0.0004, "arrival_p99_s": 0.002, **pacing},
    }


def test_the_limits_are_those_by_medians_of_the_published_example() -> None:
    """Median 51.25, median moving range 1.5: 51.25 ± 3.145 × 1.5. By means they are 45.82 and 55.80 (published)."""
    limits = RunChart("batch", "", BATCHES, 50.0, 0.0).limits
    assert limits == pytest.approx((46.5325, 55.9675), abs=1e-9)
    assert not RunChart("batch", "", BATCHES, 55.96, 0.0).moved
    assert RunChart("batch", "", BATCHES, 55.97, 0.0).moved
    assert RunChart("batch", "", BATCHES, 46.53, 0.0).moved


def test_the_published_constants_are_those_of_a_normal_distribution() -> None:
    median_of_two = math.sqrt(2.0) * NormalDist().inv_cdf(0.75)
    assert round(median_of_two, 3) == 0.954
    assert pytest.approx(3.0 / median_of_two, abs=5e-4) == RANGE_TO_LIMIT


@pytest.mark.parametrize("place", range(10))
@pytest.mark.parametrize("outlier", [-40.0, 12.0, 40.0, 400.0])
def test_one_outlier_wherever_it_lies_neither_hides_a_step_nor_calls_a_usual_day_moved(
    place: int, outlier: float
) -> None:
    """Ten goes of 30 to 31 ms: without the outlier usual is 30.5 ± 3.145."""
    earlier = [30.0, 31.0] * 5
    clean = RunChart("delay", "ms", tuple(earlier), 34.5, 0.1)
    assert clean.limits == pytest.approx((30.5 - 3.145, 30.5 + 3.145))
    earlier[place] += outlier
    chart = replace(clean, earlier=tuple(earlier))
    assert chart.moved
    assert replace(chart, today=26.0).moved
    assert not replace(chart, today=31.0).moved
    assert not replace(chart, today=30.0).moved


def test_an_alert_that_comes_later_than_on_all_days_before_has_moved_and_nothing_else() -> None:
    earlier = [page(day, 0.032 + 0.001 * (day % 3)) for day in range(1, 9)]
    charts = {one.name: one for one in run_charts(earlier, page(9, 0.061))}
    assert [name for name, one in charts.items() if one.moved] == ["output delay of sound"]
    line = charts["output delay of sound"].line()
    assert "61.0 ms" in line
    assert line.startswith("MOVED output delay of sound")
    assert line.endswith("▁▁▁▁▁▁▁▁█")
    assert charts["task items of gate-brake"].today == pytest.approx(500.0)
    assert charts["frames lost"].today == pytest.approx(0.05)


def test_a_line_fits_its_terminal_and_shows_the_digits_that_moved() -> None:
    """A factor that went from 1.000 to 1.004 must not read "1.00, usual 1.00 to 1.00, MOVED"."""
    chart = RunChart("real-time factor", "", (1.0,) * 30, 1.004, 0.002)
    assert chart.moved
    assert "1.004" in chart.line()
    assert "usual 0.998 to 1.002" in chart.line()
    longest = RunChart("output delay of vibration", "ms", (31.0,) * 30, 61.0, 1.0)
    for width in (80, 120, 200):
        assert len(longest.line(width)) <= width
        assert longest.line(width).startswith("MOVED ")
        assert longest.line(width).endswith("█")


def test_a_drift_that_goes_on_moves_and_a_step_after_an_outlier_is_told() -> None:
    """1 ms a day: the median lies 4.5 ms behind, the limit at 3.145. One day of +10 ms among nine of 30 ms: by means
    usual was up to 37.8 ms; by medians it is 30 ± 1, the least that means something."""
    drift = RunChart("delay", "ms", tuple(30.0 + day for day in range(8)), 38.0, 1.0)
    assert drift.limits == pytest.approx((33.5 - 3.145, 33.5 + 3.145))
    assert drift.moved
    outlier = RunChart("delay", "ms", (30.0,) * 4 + (40.0,) + (30.0,) * 4, 34.0, 1.0)
    assert outlier.limits == pytest.approx((29.0, 31.0))
    assert outlier.moved
    assert not replace(outlier, today=31.0).moved


def test_what_came_and_went_twice_among_days_that_are_alike_is_usual() -> None:
    """A delay of whole frames, none on most days: by the medians alone a day of one frame had moved each time."""
    frames = (0.0, 0.0, 0.0, 16.7, 0.0, 0.0, 0.0, 16.7, 0.0, 0.0)
    chart = RunChart("delay", "ms", frames, 16.7, 1.0)
    assert chart.limits == pytest.approx((-1.0, 16.7))
    assert not chart.moved
    assert replace(chart, today=33.3).moved
    assert replace(chart, today=-16.7).moved
    assert replace(chart, earlier=tuple(-one for one in frames), today=16.7).moved
    assert not replace(chart, earlier=tuple(-one for one in frames), today=-16.7).moved
    assert replace(chart, earlier=(*frames[:7], 33.3, 0.0, 0.0), today=33.3).moved, "of two the lesser one is usual"
    for once in ((0.0,) * 8 + (16.7, 16.7), (0.0,) * 4 + (16.7, 16.7) + (0.0,) * 4, (16.7,) * 3 + (0.0,) * 7):
        assert replace(chart, earlier=once).moved, "a step that stays, or one bad day or two, is no usual day"


def test_numbers_that_were_always_the_same_move_only_by_more_than_can_be_told() -> None:
    earlier = [page(day, 0.032) for day in range(1, 9)]
    assert not any(one.moved for one in run_charts(earlier, page(9, 0.0329)))
    assert [one.name for one in run_charts(earlier, page(9, 0.0341)) if one.moved] == ["output delay of sound"]


def test_a_no_go_is_no_day_to_compare_with_and_too_few_say_so() -> None:
    earlier = [page(day, 0.5, go=False) for day in range(1, 9)] + [page(9, 0.03)] * (FEWEST - 1)
    (chart,) = [one for one in run_charts(earlier, page(10, 0.5)) if one.name == "output delay of sound"]
    assert (len(chart.earlier), chart.limits, chart.moved) == (FEWEST - 1, None, False)
    assert "4 of 5 goes, too few to say what is usual" in chart.line()


def test_a_page_of_an_older_program_or_with_other_things_in_it_is_passed_over() -> None:
    odd = {
        "go": True,
        "fired": "nothing",
        "output_delays": [3, {"modality": "sound", "median_s": "fast"}],
        "pacing": [],
    }
    charts = {one.name: one for one in run_charts([odd, page(1, 0.03)], page(2, 0.03))}
    assert charts["output delay of sound"].earlier == (30.0,)


@pytest.mark.slow
def test_the_command_shows_the_days_without_a_drive(tmp_path: Path) -> None:
    folder = tmp_path / "rehearsals"
    folder.mkdir()
    for day in range(1, 10):
        kept = page(day, 0.090 if day == 9 else 0.030 + 0.001 * (day % 2))
        (folder / f"202610{day:02d}T063000Z-go.json").write_text(json.dumps(kept))
    study = str(CONFIGS / "dusk-road.toml")
    done = call("rehearse", "--study", study, "--records", str(tmp_path), "--days")
    assert done.returncode == 1
    assert "output delay of sound" in done.stdout
    assert done.stdout.count("MOVED") == 1
    document = json.loads(call("rehearse", "--study", study, "--records", str(tmp_path), "--days", "--json").stdout)
    assert [one["name"] for one in document["over_days"] if one["moved"]] == ["output delay of sound"]
    assert call("rehearse", "--study", study, "--records", str(tmp_path)).returncode == 2
    (folder / "20261010T063000Z-go.json").write_text('{"type": "rehears')
    cut = call("rehearse", "--study", study, "--records", str(tmp_path), "--days")
    assert "20261010T063000Z-go.json is no kept rehearsal" in cut.stderr  # else the day before passes for today
    assert cut.returncode == 1
