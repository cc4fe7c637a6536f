"""Groups compared: the right trials with the right times, everything said that a reader must know, and the audit."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.archive.gathering import gather
from monitor.archive.looks import AUDIT_NAME, enter_look
from monitor.archive.summary import TrialSummary
from monitor.errors import WitnessError
from monitor.reports.comparison.comparison import Comparison, compare_studies
from monitor.reports.comparison.groups import ENDS, ending_of
from monitor.reports.comparison.plan import Asked
from monitor.reports.comparison.text import comparison_lines
from monitor.reports.comparison.words import cautions, comparison_json
from monitor.reports.statistics.scipys import AnalysisMissing
from tests.commands.running import call
from tests.judging.hand import FIRE_T, HandDrive, Mark
from tests.lazily import Lazily
from tests.reports.making import BLIND, REPORT_STUDY, hand_drive, hand_record
from tests.reports.published import ALERT_A, ALERT_B, ALERT_C, times
from tests.reports.test_tally import TRIAL, ruling, too_long_gap

stats = Lazily("scipy.stats")

CONTACT: list[Mark] = [(FIRE_T + 2.0, "collision", "van", {})]


def compared(directory: Path, **more: Any) -> Comparison:
    (one,) = compare_studies(gather(directory, unblinded=True), Asked(**more))
    return one


def words(one: Comparison) -> str:
    return " ".join(" ".join(comparison_lines(one, 1)).split())


def test_valid_trials_with_their_times_and_how_each_ended(tmp_path: Path) -> None:
    for number, response_s in enumerate((0.6, 0.7, 0.8, 0.9, 1.0, 1.2, 1.4, None)):
        hand_record(tmp_path, f"Q1{number}", response_s=response_s)
    for number, response_s in enumerate((0.9, 1.1, 1.3, 1.5, 1.8, 2.6)):
        hand_record(tmp_path, f"Q2{number}", "no-alert", response_s)
    markers = [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True}), *CONTACT]
    hand_record(tmp_path, "Q18", drive=hand_drive(response_s=None, markers=markers))
    hand_record(tmp_path, "Q28", "no-alert", drive=hand_drive("no-alert", None, markers=CONTACT))
    # lost trials count nowhere
    hand_record(tmp_path, "Q30", drive=too_long_gap())
    hand_record(tmp_path, "Q31", response_s=0.1, operator=[ruling(TRIAL, "invalid")])
    one = compared(tmp_path, within_s=1.5)
    chime, none = one.groups
    # frames come every 0.05 s; the accelerator's fall begins at the frame before the one that shows it
    assert chime.times.t.tolist() == pytest.approx([0.55, 0.65, 0.75, 0.85, 0.95, 1.15, 1.35, 2.0, 3.0])
    assert chime.times.event.tolist() == [True] * 7 + [False, False]
    assert {how: chime.ended(how) for how in ENDS} == {
        "responded": 7, "horizon": 1, "contact": 1, "cut": 0, "unusable": 0,
    }  # fmt: skip
    assert (none.n, none.ended("responded"), none.ended("contact")) == (7, 6, 1)
    assert chime.median_s == pytest.approx(0.95)
    assert (chime.by_count, chime.by_known) == (7, 9)
    assert (none.by_count, none.by_known) == (4, 7)
    assert (chime.collisions, none.collisions) == (1, 1)
    # reference: scipy.stats.fisher_exact and binomtest
    assert one.collision_p == pytest.approx(stats.fisher_exact([[1, 8], [1, 6]]).pvalue)
    interval = stats.binomtest(1, 9).proportion_ci(method="wilson")
    assert chime.collision_interval == pytest.approx((interval.low, interval.high))
    # in the second group a contact came before another's response: then no group has its interval by ranks
    assert chime.median_interval.method == none.median_interval.method == "log-log"
    # reference: scipy.stats.logrank
    groups = [
        stats.CensoredData(uncensored=group.times.t[group.times.event], right=group.times.t[~group.times.event])
        for group in one.groups
    ]
    reference = stats.logrank(*groups)
    assert one.test.statistic == pytest.approx(reference.statistic**2)
    assert one.test.p == pytest.approx(reference.pvalue)
    assert one.pairs[0].p_holm == one.pairs[0].test.p == one.test.p
    text = words(one)
    assert "INFORMATIVE CENSORING: 2 times ended in contact" in text
    assert "PEEKING: 16 of 8 planned" not in text


def trial(
    outcome: str, *, contact_s: float | None = None, watched_s: float = 5.0, **times_s: float | None
) -> TrialSummary:
    names = ("first_s", "brake_onset_s", "accelerator_release_s", "steering_onset_s", "censored_at_s")
    response = {"outcome": outcome, **{name: times_s.get(name) for name in names}}
    return TrialSummary("1/a/1", "a", "valid", "valid", False, True, "yes", (), response, False, contact_s, watched_s)


def test_how_the_waiting_ended_for_each_measure() -> None:
    released = trial("responded", first_s=0.6, accelerator_release_s=0.6)
    assert ending_of(released, "first", 5.0).t == 0.6
    # who never braked is censored at the horizon for the brake, though the accelerator was released
    assert (ending_of(released, "brake", 5.0).end, ending_of(released, "brake", 5.0).t) == ("horizon", 5.0)
    hit = trial("collision", first_s=0.6, accelerator_release_s=0.6, contact_s=2.2, watched_s=2.2)
    assert (ending_of(hit, "brake", 5.0).end, ending_of(hit, "brake", 5.0).t) == ("contact", 2.2)
    assert ending_of(trial("already responding", accelerator_release_s=0.1), "first", 5.0).end == "unusable"
    assert ending_of(trial("cut short", censored_at_s=1.2, watched_s=1.2), "first", 5.0).t == 1.2
    assert ending_of(trial("cut short", censored_at_s=1.2, watched_s=1.2), "first", 1.0).end == "horizon"
    assert ending_of(trial("no response", censored_at_s=5.0), "first", 5.0).end == "horizon"
    assert ending_of(trial("anticipatory", first_s=0.05), "first", 5.0).end == "responded"


PRESSED = {"accelerator": 0.3, "brake": 0.0}
RELEASED = {"accelerator": 0.0, "brake": 0.0}


@pytest.mark.parametrize(
    ("drive", "end", "at_s", "collided"),
    [
        # the accelerator is let go of at 0.05 s, too soon; nobody brakes, and contact comes at 2 s all the same
        ({"own": lambda t: PRESSED if t < FIRE_T + 0.04 else RELEASED, "contact_s": 2.0}, "contact", 2.0, 1),
        ({"own": lambda t: PRESSED if t < FIRE_T + 0.5 else RELEASED, "contact_s": 2.0}, "contact", 2.0, 1),
        # released, and the drive ended before the brake could come: not waited for to the horizon
        ({"own": lambda t: PRESSED if t < FIRE_T + 0.5 else RELEASED, "end_t": FIRE_T + 1.5}, "cut", 1.5, 0),
        # the brake is not in the feed, or not for a while: that nobody braked is not known
        ({"own": lambda t: {"accelerator": 0.3 if t < FIRE_T + 0.5 else 0.0, "brake": math.nan}}, "unusable", None, 0),
        ({"own": lambda t: PRESSED | ({"brake": math.nan} if t > FIRE_T + 2.5 else {})}, "unusable", None, 0),
        ({"own": lambda t: PRESSED}, "horizon", 3.0, 0),
    ],
)
def test_that_somebody_did_not_brake_is_never_said_of_who_was_not_seen_to(
    tmp_path: Path, drive: dict[str, Any], end: str, at_s: float | None, collided: int
) -> None:
    told: list[Mark] = [(FIRE_T + drive.pop("contact_s"), "collision", "van", {})] if "contact_s" in drive else []
    hand_record(tmp_path, "Q10", drive=hand_drive(markers=[*HandDrive().markers, *told], **drive))
    one = compared(tmp_path, measure="brake")
    (group, _) = one.groups
    assert [found.end for found in group.every_end] == [end]
    assert [found.t for found in group.every_end] == [at_s if at_s is None else pytest.approx(at_s, abs=0.051)]
    assert group.collisions == collided


def test_an_accelerator_that_was_up_at_the_origin_is_no_foot_that_stayed_on_it(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10", drive=hand_drive(own=lambda t: RELEASED))
    one = compared(tmp_path, measure="accelerator")
    assert [found.end for found in one.groups[0].every_end] == ["unusable"]
    assert any("without a time" in said for said in one.left_out)


def test_copies_and_repeated_participants_count_once(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q10", response_s=0.8)
    shutil.copytree(path, tmp_path / "Q10-copy.run")
    hand_record(tmp_path, "Q10", response_s=1.8, day=1)
    hand_record(tmp_path, "Q11", "no-alert", 1.0)
    one = compared(tmp_path)
    assert [group.n for group in one.groups] == [1, 1]
    assert sum("is a copy of another record" in said for said in one.left_out) == 1
    assert sum("Q10 has a further valid trial" in said for said in one.left_out) == 1


def test_a_blind_study_compared_before_its_rulings(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10", text=BLIND)
    hand_record(tmp_path, "Q11", "no-alert", 1.0, text=BLIND, operator=[ruling(TRIAL, "valid", "confirmed")])
    one = compared(tmp_path)
    assert (one.blind, one.unruled) == (True, 1)
    assert "Without a ruling in this blind study: 1 trial." in " ".join(cautions(one, 1))
    # the look is that of the audit file
    assert "PEEKING: 2 of 8 planned trials are in, and this is look 7" in " ".join(cautions(one, 7))


def test_origins_that_differ_between_study_files_are_said(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10")
    hand_record(tmp_path, "Q11", "no-alert", text=REPORT_STUDY.replace("horizon_s = 3.0", "horizon_s = 2.0"))
    assert any("not comparable" in said for said in cautions(compared(tmp_path), 1))


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ("horizon_s = 3.0", "horizon_s = 3.0\nbrake_threshold = 0.1"),
        ("horizon_s = 3.0", "horizon_s = 3.0\naccelerator_fall = 0.1"),
        ("horizon_s = 3.0", "horizon_s = 3.0\nbaseline_s = 1.0"),
    ],
)
def test_thresholds_that_differ_between_study_files_are_said(tmp_path: Path, was: str, becomes: str) -> None:
    hand_record(tmp_path, "Q10")
    hand_record(tmp_path, "Q11", "no-alert", text=REPORT_STUDY.replace(was, becomes))
    assert any("not comparable" in said for said in cautions(compared(tmp_path), 1))


def test_a_group_that_no_response_was_compared_with_is_not_said_to_be_tested(tmp_path: Path) -> None:
    loud = REPORT_STUDY.replace("[groups.no-alert]", '[groups.loud]\nalert = ["sound"]\nplanned = 4\n[groups.no-alert]')
    for number, (group, response_s) in enumerate((("chime", 0.8), ("no-alert", 1.0), ("chime", 1.2))):
        hand_record(tmp_path, f"Q1{number}", group, response_s, text=loud)
    early = [*HandDrive().markers, (FIRE_T + 0.4, "collision", "van", {})]
    hand_record(tmp_path, "Q20", "loud", text=loud, drive=hand_drive("loud", None, markers=early))
    one = compared(tmp_path)
    assert [group.n for group in one.groups] == [2, 1, 1]
    assert one.test.df == 1  # as survdiff of R has it: a group without an expected response has no degree of freedom
    assert any("The test is over 2 of the 3 groups with trials" in said for said in cautions(one, 1))


def test_a_curve_that_is_not_known_is_drawn_as_unknown_and_nobody_in_a_group_is_no_share(tmp_path: Path) -> None:
    late = hand_drive(response_s=None, markers=[*HandDrive().markers, *CONTACT])
    hand_record(tmp_path, "Q10", drive=late)
    hand_record(tmp_path, "Q11", response_s=0.8)
    page = comparison_lines(compared(tmp_path), 1)
    (strip,) = [line for line in page if line.startswith("median 0.75")]
    # contact at 2 s of 3 s, drawn over 60 columns: 20 of them are not known
    assert strip.endswith("?" * 20)
    assert strip.count("?") == 20
    assert any("? not known" in line for line in page)
    (row,) = [line for line in page[page.index(strip) :] if line.startswith("no-alert")]
    assert "%" not in row
    assert any("worst rank" in line and "nothing to compare" in line for line in page)
    shown = comparison_json(compared(tmp_path), 1)["groups"][1]["competing"]
    assert (shown["responded_by"]["share"], shown["contact_by_horizon"]["share"]) == (None, None)


def test_nobody_in_a_group_and_nobody_at_all(tmp_path: Path) -> None:
    assert compare_studies(gather(tmp_path)) == ()
    hand_record(tmp_path, "Q10")
    one = compared(tmp_path)
    assert one.test.statistic is None
    assert one.pairs == ()
    assert "nothing to compare" in words(one)
    with pytest.raises(WitnessError, match="no trigger 'gate-break' whose response is timed; there is gate-brake"):
        compared(tmp_path, trigger="gate-break")


def test_the_page_is_eighty_columns_wide_and_draws_every_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = three_alerts(tmp_path, monkeypatch)
    lines = comparison_lines(one, 1)
    assert [line for line in lines if len(line) > 80] == []
    assert sum("▔▔▔" in line for line in lines) == 3
    assert all(any(line.startswith(f"{name} ") for line in lines) for name in "ABC")
    # invented set with known values: medians, all groups, pairs
    text = words(one)
    assert "χ² = 12.4631, df 2, p = 0.002" in text
    assert "12.33 <.001 0.001" in text


def three_alerts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Comparison:
    """A comparison of the three invented alerts, without records."""
    groups = "".join(f'[groups.{name}]\nalert = ["sound"]\nplanned = 8\n' for name in "ABC")
    text = REPORT_STUDY.replace("horizon_s = 3.0", "horizon_s = 4.0")
    text = text[: text.index("[groups.chime]")] + groups + text[text.index("[signals") :]
    for name in "ABC":
        hand_record(tmp_path, f"Q1{'ABC'.index(name)}", name, text=text)
    found = gather(tmp_path)
    sets = dict(zip("ABC", (ALERT_A, ALERT_B, ALERT_C), strict=True))

    def usable(*_: Any, **__: Any) -> Any:
        pairs = []
        for run_, name in zip(found.runs, "ABC", strict=True):
            for t, event in zip(sets[name].t.tolist(), sets[name].event.tolist(), strict=True):
                outcome = "responded" if event else "no response"
                pairs.append((run_, trial(outcome, first_s=t if event else None, censored_at_s=None if event else t)))
        return pairs, []

    monkeypatch.setattr("monitor.reports.comparison.comparison._usable", usable)
    (one,) = compare_studies(found)
    return one


def test_the_strip_shows_who_has_not_responded_yet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = three_alerts(tmp_path, monkeypatch)
    lines = comparison_lines(one, 1)
    top = next(line for line in lines if line.startswith("A  ") and "▏" in line)
    ground = next(line for line in lines[lines.index(top) :] if "▔▔▔" in line)
    # 60 columns for 4 s: everybody waits up to 0.62 s, the tenth column begins at 0.60 s
    assert top[15:24] == "█████████"
    assert top[24] != "█"
    # the median 0.80 s is the thirteenth column
    assert ground.index("▲") - 15 == 12


def test_numbers_are_json_and_never_nan(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10", response_s=None)
    hand_record(tmp_path, "Q11", "no-alert", 1.0)
    document = json.loads(json.dumps(comparison_json(compared(tmp_path), 1), allow_nan=False))
    assert document["groups"][0]["median_s"] is None
    assert document["groups"][1]["curve"]["survival"] == [0.0]
    assert document["groups"][1]["curve"]["lower"] == [None]


def test_without_scipy_it_says_which_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy", None)
    hand_record(tmp_path, "Q10")
    hand_record(tmp_path, "Q11", "no-alert", 1.0)
    with pytest.raises(AnalysisMissing, match=r"pip install 'trialwitness\[analysis\]'"):
        compared(tmp_path)


# The audit


def test_by_ranks_where_everybody_was_waited_for_equally_long(tmp_path: Path) -> None:
    for number, response_s in enumerate((0.6, 0.7, 0.8, 0.9, None)):
        hand_record(tmp_path, f"Q1{number}", response_s=response_s)
    for number, response_s in enumerate((1.1, 1.3, 1.5, 1.8, None)):
        hand_record(tmp_path, f"Q2{number}", "no-alert", response_s)
    one = compared(tmp_path, test="ranks")
    # ranks: chime 1 2 3 4 and 9.5, the other 5 6 7 8 and 9.5; sums 19.5 and 35.5
    assert one.test.observed.tolist() == [19.5, 35.5]
    h, p = stats.kruskal([1, 2, 3, 4, 9], [5, 6, 7, 8, 9])
    assert one.test.statistic == pytest.approx(h)
    (pair,) = one.pairs
    assert pair.test.p == one.test.p != pytest.approx(p)  # two groups: counted, not by the chi-square distribution
    assert "Kruskal-Wallis by ranks" in words(one)
    assert comparison_json(one, 1)["test"]["exact"] is True

    hand_record(tmp_path, "Q30", "no-alert", drive=hand_drive("no-alert", None, markers=CONTACT))
    one = compared(tmp_path, test="ranks")
    assert (one.test.p, one.pairs) == (None, ())
    assert "was censored (contact, or cut short) before the last response" in words(one)


def test_each_look_is_entered_and_chained(tmp_path: Path) -> None:
    first = enter_look(tmp_path, "anna", "compare", {"trigger": "a"}, {"b.run": "22", "a.run": "11"})
    second = enter_look(tmp_path, "ben", "export", {}, {})
    assert (first.number, first.fault, second.number, second.fault) == (1, None, 2, None)
    lines = [json.loads(line) for line in (tmp_path / AUDIT_NAME).read_text().splitlines()]
    assert [(line["by"], line["command"], line["look"]) for line in lines] == [
        ("anna", "compare", 1),
        ("ben", "export", 2),
    ]
    assert lines[0]["records"] == {"a.run": "11", "b.run": "22"}
    assert lines[0]["before"] == "0" * 64
    assert lines[1]["before"] != "0" * 64


def test_a_look_taken_out_or_changed_shows(tmp_path: Path) -> None:
    for number in range(3):
        enter_look(tmp_path, f"anna{number}", "compare", {}, {})
    path = tmp_path / AUDIT_NAME
    whole = path.read_text()
    for content in (
        "".join(whole.splitlines(keepends=True)[1:]),
        whole.replace("anna1", "ben"),
        whole.replace("anna0", "ben"),
        whole + "torn",
    ):
        path.write_text(content)
        fault = enter_look(tmp_path, "anna", "compare", {}, {}).fault
        assert fault is not None
        assert "does not follow the line before it" in fault


def test_nothing_is_shown_that_cannot_be_entered(tmp_path: Path) -> None:
    (tmp_path / AUDIT_NAME).mkdir()
    with pytest.raises(WitnessError, match="so nothing is shown"):
        enter_look(tmp_path, "anna", "compare", {}, {})


# The command


def test_compare_asks_to_be_told_that_it_may_show_responses(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10")
    refused = call("compare", str(tmp_path))
    assert refused.returncode == 2
    assert "--unblind" in refused.stderr
    assert refused.stdout == ""
    assert not (tmp_path / AUDIT_NAME).exists()
    shown = call("compare", str(tmp_path), "--unblind", "--by", "anna", "--json")
    assert shown.returncode == 0, shown.stderr
    document = json.loads(shown.stdout)
    assert document["audit"]["look"] == 1
    assert document["comparisons"][0]["groups"][0]["n"] == 1
    assert json.loads((tmp_path / AUDIT_NAME).read_text())["by"] == "anna"
    assert call("compare", str(tmp_path), "--unblind", "--within", "nan").returncode == 2


def test_tally_and_compare_load_no_screen() -> None:
    code = (
        "import sys\n"
        "import monitor.commands.study.tally, monitor.commands.study.compare, monitor.reports.comparison.text\n"
        "import monitor.reports.tally.text, monitor.reports.export.export, monitor.reports.closeout.text\n"
        "print(sorted(name for name in sys.modules if name.split('.')[0] in ('textual', 'scipy', 'pandas')))"
    )
    import subprocess

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ)
    assert done.stdout.strip() == "[]"


def test_times_of_a_text_are_read_as_printed() -> None:
    assert times("2+ 1").event.tolist() == [True, False]
