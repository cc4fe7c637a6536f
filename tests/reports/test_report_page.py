"""The pages as documents: self-contained, nothing hidden shown, nothing taken for markup, every figure in its place."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, timedelta
from importlib import resources
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.archive.gathering import Gathered, Withdrawn, gather
from monitor.archive.looks import AUDIT_NAME, Look
from monitor.archive.summary import NO_GROUP
from monitor.record.addendum import append_addendum
from monitor.record.withdrawing import withdraw_record
from monitor.reports.comparison.comparison import compare_studies
from monitor.reports.comparison.plan import Asked
from monitor.reports.export.drives import read_whole
from monitor.reports.forecast.forecast import Bookings, forecast_studies
from monitor.reports.forecast.standing import invited_of
from monitor.reports.page.curves import kind_of_line
from monitor.reports.page.flow import branches_of
from monitor.reports.page.run_page import run_page
from monitor.reports.page.study_page import study_page
from monitor.reports.page.svg import Picture, Scale, around
from monitor.reports.page.weeks import Series
from tests.commands.running import call
from tests.judging.hand import FIRE_T, HandDrive, study_of
from tests.reports.making import BLIND, REPORT_STUDY, hand_drive, hand_record
from tests.reports.test_tally import TRIAL, damage, ruling, too_long_gap

PLANNED = REPORT_STUDY + '\n[analysis]\nmeasure = "brake"\nreference = "no-alert"\n'


def words(page: str) -> str:
    """The page's text outside of pictures, in one line."""
    body = re.sub(r"<svg.*?</svg>", "", page[page.index("<main>") :], flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


def pictures(page: str) -> dict[str, ElementTree.Element]:
    """The pictures by title; each must be well-formed XML."""
    found = [ElementTree.fromstring(one) for one in re.findall(r"<svg.*?</svg>", page, re.DOTALL)]
    return {(one.findtext("title") or ""): one for one in found}


def texts(picture: ElementTree.Element) -> list[str]:
    return [one.text or "" for one in picture.iter("text")]


@pytest.fixture
def study(tmp_path: Path) -> Path:
    for number, response_s in enumerate((0.6, 0.8, 1.0)):
        hand_record(tmp_path, f"Q1{number}", response_s=response_s, day=number, text=PLANNED)
    hand_record(tmp_path, "Q13", drive=too_long_gap(), day=8, text=PLANNED)
    hand_record(tmp_path, "Q20", "no-alert", 1.2, day=0, text=PLANNED)
    hand_record(tmp_path, "Q21", "no-alert", None, day=1, text=PLANNED)
    withdraw_record(hand_record(tmp_path, "Q22", "no-alert", day=2, text=PLANNED), "anna")
    return tmp_path


# A run


def test_a_page_is_one_file_that_asks_for_nothing(tmp_path: Path, study: Path) -> None:
    pages = [run_page(read_whole(next(study.glob("Q10*")))), study_page(gather(study), (), None)]
    for page in pages:
        assert page.startswith("<!doctype html>")
        assert "default-src 'none'" in page
        assert not re.search(r"<script|<link|<img|<iframe|@import|url\(|\ssrc=|\shref=|\son\w+=", page)
        assert pictures(page)


def test_a_run_has_its_verdicts_conditions_pictures_and_digests(tmp_path: Path) -> None:
    note = {"type": "note", "text": "a dog on the road", "drive": 1, "at": 4.0}
    path = hand_record(tmp_path, "Q07", drive=too_long_gap(), operator=[note, ruling(TRIAL, "invalid", "confirmed")])
    whole = read_whole(path)
    page = run_page(whole)
    text = words(page)
    assert f"{TRIAL}: INVALID" in text
    assert "time gap not met 2.25 s 1.3 to 1.9 -0.35 s" in text
    assert "uled invalid by anna" in text
    assert "a dog on the road" in text
    assert whole.digest in text
    assert whole.session.study.sha256 in text
    shown = pictures(page)
    assert set(shown) == {"Time line of drive 1", f"Trial {TRIAL}, invalid"}
    plot = texts(shown[f"Trial {TRIAL}, invalid"])
    assert {"fire", "alert +0.30 s", "release +0.75 s", "brake +0.80 s", "time gap (s)", "not met"} <= set(plot)
    assert "gate-brake invalid" in texts(shown["Time line of drive 1"])


def test_a_trials_plot_is_drawn_to_scale(tmp_path: Path) -> None:
    page = run_page(read_whole(hand_record(tmp_path, "Q07")))
    plot = pictures(page)[f"Trial {TRIAL}, valid"]
    # from 6 s before the fire to 3 s after it, over 840 units from 96: the fire at 96 + 840 · 6/9
    (fire,) = [one for one in plot.iter("line") if one.get("class") == "fire"]
    assert float(fire.get("x1") or 0) == pytest.approx(96 + 840 * 6 / 9)
    marks = sorted(float(one.get("x1") or 0) for one in plot.iter("line") if one.get("class") == "mark")
    assert marks == pytest.approx([96 + 840 * (6 + at) / 9 for at in (0.3, 0.75, 0.8)], abs=0.01)
    # the band of the own speed's condition reaches from 3 s before the fire to the fire
    bands = [one for one in plot.iter("rect") if one.get("class") == "band"]
    assert any(
        float(one.get("x") or 0) == pytest.approx(96 + 840 * 3 / 9)
        and float(one.get("width") or 0) == pytest.approx(840 * 3 / 9, abs=0.01)
        for one in bands
    )


def test_lost_frames_part_the_line_and_are_shaded(tmp_path: Path) -> None:
    drive = hand_drive(lost_frames=frozenset(range(196, 204)))
    page = run_page(read_whole(hand_record(tmp_path, "Q07", drive=drive)))
    plot = pictures(page)[f"Trial {TRIAL}, undecided"]
    (lost,) = [one for one in plot.iter("rect") if one.get("class") == "lost"]
    assert float(lost.get("x") or 0) == pytest.approx(96 + 840 * (6 + 195 / 20 - FIRE_T) / 9, abs=0.01)
    assert all((one.get("d") or "").count("M") == 2 for one in plot.iter("path"))
    assert any(one.get("class") == "loss" for one in pictures(page)["Time line of drive 1"].iter("rect"))


def test_what_a_blind_study_hides_is_on_no_picture(tmp_path: Path) -> None:
    contact = [(10.3, "alert_on", "alert", {"modality": "sound", "measured": True}), (12.0, "collision", "van", {})]
    pages = []
    for place, response_s in (("a", 0.6), ("b", None)):
        (tmp_path / place).mkdir()
        markers = contact if response_s is None else contact[:1]
        drive = hand_drive(response_s=response_s, markers=markers)
        path = hand_record(tmp_path / place, "Q07", text=BLIND, drive=drive)
        page = run_page(read_whole(path))
        assert "hidden until the ruling" in page
        assert "The response is hidden until the trial is ruled on" in words(page)
        pages.append(re.sub(r"[0-9a-f]{16,64}", "", page))
    # a quick response and a contact give the same page but for the digests
    assert pages[0] == pages[1]
    append_addendum(next((tmp_path / "a").glob("*.run")), ruling(TRIAL, "valid", "confirmed"))
    shown = run_page(read_whole(next((tmp_path / "a").glob("*.run"))))
    assert "brake +0.60 s" in shown


@pytest.mark.parametrize("text", ["<script>alert(1)</script>", "\x1b[31m&amp;", '"><svg onload=x>', "</main>"])
def test_nothing_that_was_entered_is_markup(tmp_path: Path, text: str) -> None:
    path = hand_record(tmp_path, "Q07", operator=[{"type": "note", "text": text, "drive": 1, "at": 4.0}])
    page = run_page(read_whole(path))
    assert "<script" not in page
    assert "\x1b" not in page
    assert page.count("</main>") == 1
    assert "onload=x>" not in page
    assert "&lt;" in page or "&amp;amp;" in page


def test_damage_and_a_drive_without_frames_are_said_and_nothing_breaks(tmp_path: Path) -> None:
    path = hand_record(tmp_path, "Q07")
    damage(path, 0.8, 3000)
    assert "Caution: the record is damaged." in words(run_page(read_whole(path)))
    empty = hand_record(tmp_path, "Q08", drive=hand_drive(lost_frames=frozenset(range(1000))))
    assert pictures(run_page(read_whole(empty))) == {}


# A study


def test_a_study_has_its_flow_losses_equipment_and_methods(study: Path) -> None:
    page = study_page(gather(study), (), None)
    text = words(page)
    shown = pictures(page)
    assert set(shown) >= {
        *("Flow of participants", "Lost trials by reason and week"),
        *("frames lost", "trigger after its rule held", "alert after the fire: sound"),
    }
    flow = texts(shown["Flow of participants"])
    assert {"in a session: 7", "allocated 4", "allocated 3", "1 · time gap: not met", "1 · withdrew consent"} <= set(
        flow
    )
    assert flow.count("analysed 3") == 1
    assert flow.count("analysed 2") == 1
    assert "time gap: not met 1" in texts(shown["Lost trials by reason and week"])
    assert (
        "A trial of gate-brake was valid if its conditions were met (time gap 1.3 to 1.9 s at the fire; own speed"
        in text
    )
    limits = text[text.index("Detection limits") :]
    assert re.search(r"time gap 6 of 6 0\.\d+ s 0\.\d+ s", limits), limits[:400]
    assert "Of 7 participants in a session 5 gave a valid trial, 2 were lost." in text
    assert "The comparison was fixed in the study file: brake onset up to 3 s by the log-rank test" in text
    assert "Responses" not in text
    assert "Kaplan-Meier" not in text
    assert "median" not in re.sub(r"Solid line: median[^(]*", "", text)  # of the equipment's run charts


def test_a_trial_whose_limit_cannot_be_told_is_the_worst_one(study: Path) -> None:
    """One of six: the middle trial's limit stands, and at worst none is promised."""
    found = gather(study)
    (one,) = found.studies
    place = next(place for place, run in enumerate(one.runs) if any(trial.checked for trial in run.trials))
    trials = tuple(
        replace(trial, checked=tuple(replace(each, noticed_from=None) for each in trial.checked))
        for trial in one.runs[place].trials
    )
    runs = (*one.runs[:place], replace(one.runs[place], trials=trials), *one.runs[place + 1 :])
    text = words(study_page(replace(found, studies=(replace(one, runs=runs),)), (), None))
    limits = text[text.index("Detection limits") :]
    assert re.search(r"time gap 6 of 6 0\.\d+ s –", limits), limits[:400]


def test_nothing_of_the_responses_is_on_a_page_that_nobody_unblinded(tmp_path: Path) -> None:
    pages = []
    for place, response_s in (("a", 0.6), ("b", None)):
        (tmp_path / place).mkdir()
        for number in range(2):
            hand_record(tmp_path / place, f"Q1{number}", response_s=response_s, day=number)
            hand_record(tmp_path / place, f"Q2{number}", "no-alert", response_s, day=number)
        page = study_page(gather(tmp_path / place), (), None)
        pages.append(re.sub(r"[0-9a-f]{16,64}", "", page.replace(str(tmp_path / place), "")))
    assert pages[0] == pages[1]


def test_responses_are_there_for_who_unblinded(study: Path) -> None:
    found = gather(study)
    page = study_page(found, compare_studies(found), Look(study, 3, None))
    text = words(page)
    assert "this is look 3 at responses" in text
    curve = texts(pages_picture(page, "Share without a response yet, by time"))
    assert {"chime", "no-alert", "waited for"} <= set(curve)
    assert "chime 3 0.80" in text
    done = call("report", str(study), "--out", str(study / "page.html"), "--unblind", "--by", "anna", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["look"] == 1
    look = json.loads((study / AUDIT_NAME).read_text())
    assert (look["command"], look["by"]) == ("report", "anna")


VERDICT = st.sampled_from(["valid", "invalid", "undecided"])
RUN = st.tuples(
    st.integers(0, 6),
    st.sampled_from(["chime", "no-alert", NO_GROUP]),
    st.lists(VERDICT, max_size=3),
    st.integers(0, 9),
)


@pytest.fixture(scope="module")
def one_run(tmp_path_factory: pytest.TempPathFactory) -> Gathered:
    directory = tmp_path_factory.mktemp("one")
    hand_record(directory, "Q10", text=PLANNED)
    return gather(directory)


@settings(max_examples=80, deadline=None)
@given(
    runs=st.lists(RUN, min_size=1, max_size=14),
    gone=st.lists(st.sampled_from(["chime", "no-alert", "loud", None]), max_size=4),
)
def test_the_flows_numbers_add_up_whatever_the_study_was(
    one_run: Gathered, runs: list[tuple[int, str, list[str], int]], gone: list[str | None]
) -> None:
    (template,) = one_run.studies[0].runs
    (trial,) = template.trials
    made = tuple(
        replace(
            template,
            participant=f"Q{who}",
            group=group,
            digest=str(copy),
            trials=tuple(
                replace(trial, verdict=verdict, effective=verdict, reasons=("a", "b")) for verdict in verdicts
            ),
        )
        for who, group, verdicts, copy in runs
    )
    withdrawn = tuple(Withdrawn(f"{n}.run", "2026-11-02", "hand", group, ()) for n, group in enumerate(gone))
    study = replace(one_run.studies[0], runs=made)
    found = replace(one_run, studies=(study,), withdrawn=withdrawn)
    invited = invited_of(study, "gate-brake", withdrawn)
    branches = branches_of(list(study.study.planned), invited)
    first_copies = {copy: who for who, _, _, copy in reversed(runs)}
    assert sum(branch.allocated for branch in branches) == len(set(first_copies.values())) + len(gone)
    for branch in branches:
        assert branch.allocated == branch.lost_participants + branch.waiting + branch.valid
        assert sum(number for _, number in branch.lost) >= branch.lost_participants
    # the table above it has the same people, by group, and says of whom it has not
    (forecast,) = forecast_studies(found, Bookings(None, date(2026, 12, 1)), looks=1)
    table = {one.group: (one.invited, one.lost, one.waiting, one.valid) for one in forecast.groups}
    drawn = {one.group: (one.allocated, one.lost_participants, one.waiting, one.valid) for one in branches}
    assert {name: numbers for name, numbers in drawn.items() if name != NO_GROUP} == table
    assert forecast.group_not_known == drawn.get(NO_GROUP, (0,))[0]
    # and so has the comparison, group by group
    (compared,) = compare_studies(found)
    counted = {one.group: one.valid for one in compared.groups}
    assert counted == {name: drawn[name][3] for name in counted}


def test_whose_group_is_not_known_is_told_beside_the_table(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10", text=PLANNED)
    hand_record(tmp_path, "Q11", None, text=PLANNED, drive=hand_drive(group=None))
    text = words(study_page(gather(tmp_path), (), None))
    assert "Left out: 1 in a session, of a group not known" in text


def test_the_methods_claim_one_study_file_only_where_there_was_one(tmp_path: Path) -> None:
    other = PLANNED.replace("horizon_s = 3.0", "horizon_s = 3.0\nbrake_threshold = 0.1")
    hand_record(tmp_path, "Q10", text=PLANNED)
    hand_record(tmp_path, "Q11", text=other, day=1)
    digests = [study_of(text).sha256 for text in (PLANNED, other)]
    text = words(study_page(gather(tmp_path), (), None))
    assert f"file with the SHA-256 digest {digests[1]}, by which 1 run was judged" in text
    assert f"the others were judged by {digests[0]} (1 run)" in text
    one_file = words(study_page(gather(tmp_path, study=study_of(other)), (), None, study_of(other)))
    assert f"The study file has the SHA-256 digest {digests[1]}." in one_file


def test_the_methods_of_treatments_within_participants_claim_no_comparison(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q10", text=PLANNED)
    found = gather(tmp_path)
    (one,) = found.studies
    within = replace(one.study, treatments={"loud": 4, "soft": 4})
    runs = tuple(replace(run, study=within) for run in one.runs)
    text = words(study_page(replace(found, studies=(replace(one, runs=runs),)), (), None))
    assert "compares none of them" in text
    assert "log-rank" not in text


def test_what_a_test_did_not_find_or_could_not_do_is_said_and_so_is_what_was_left_out(tmp_path: Path) -> None:
    overruled = ruling(TRIAL, "invalid", "operator-error")
    for number, response_s in enumerate((0.8, 1.0)):
        hand_record(tmp_path, f"Q1{number}", response_s=response_s, text=PLANNED)
        hand_record(tmp_path, f"Q2{number}", "no-alert", response_s, text=PLANNED)
    found = gather(tmp_path)
    (one,) = compare_studies(found)
    assert one.test.statistic == 0.0  # the same times in both groups
    assert "log-rank over 2 groups: p = 1.000." in words(study_page(found, (one,), Look(tmp_path, 1, None)))
    hand_record(tmp_path, "Q10", response_s=1.5, text=PLANNED, day=1)
    hand_record(tmp_path, "Q12", response_s=0.5, text=PLANNED, day=1, operator=[overruled])
    found = gather(tmp_path)
    text = words(study_page(found, compare_studies(found), Look(tmp_path, 1, None)))
    assert "Left out: Q10 has a further valid trial" in text
    assert re.search(r"By the computed verdicts alone \(5 trials; 1 of 1 ruling said otherwise\): p = 0\.\d+", text)
    early = hand_drive(response_s=None, markers=[*HandDrive().markers, (FIRE_T + 0.7, "collision", "van", {})])
    hand_record(tmp_path, "Q13", drive=early, text=PLANNED)
    found = gather(tmp_path)
    by_ranks = compare_studies(found, Asked(test="ranks"))
    assert "There is no test by ranks" in words(study_page(found, by_ranks, Look(tmp_path, 1, None)))


def pages_picture(page: str, title: str) -> ElementTree.Element:
    return pictures(page)[title]


@pytest.mark.slow
def test_the_command_of_a_run_of_a_study_and_wrong_usage(study: Path, tmp_path: Path) -> None:
    record, out = next(study.glob("Q10*")), tmp_path / "run.html"
    done = call("report", str(record), "--out", str(out))
    assert (done.returncode, done.stdout) == (0, f"{out}: written\n")
    assert call("report", str(record), "--out", str(out)).returncode == 2
    assert "is there already" in call("report", str(record), "--out", str(out)).stderr
    assert "--unblind is for a study" in call("report", str(record), "--out", "x.html", "--unblind").stderr
    assert call("report", str(study), "--out", str(tmp_path / "study.html")).returncode == 0
    assert not (study / AUDIT_NAME).exists()
    (tmp_path / "none").mkdir()
    assert call("report", str(tmp_path / "none"), "--out", str(tmp_path / "none.html")).returncode == 0
    assert "holds no run that can be counted" in (tmp_path / "none.html").read_text()
    assert call("report", str(tmp_path / "nowhere"), "--out", str(tmp_path / "x.html")).returncode == 2


# What pictures are made of


def series(values: list[float], resolution: float = 0.5) -> Series:
    days = tuple(date(2026, 11, 2) + timedelta(days=day) for day in range(len(values)))
    return Series("alert", "ms", days, tuple(values), resolution)


def test_a_run_chart_marks_what_is_beyond_its_limits_and_what_shifted() -> None:
    # by hand: median 300, median of the moving ranges 1 1 1 1 2 2 2 9 10 is 2, so 300 ± 3.145 · 2
    values = [300.0, 301.0, 299.0, 300.0, 302.0, 300.0, 309.0, 299.0, 300.0, 299.0]
    one = series(values)
    assert one.limits is not None
    assert one.limits == pytest.approx((293.71, 306.29))
    assert one.off() == [place for place, value in enumerate(values) if not one.limits[0] <= value <= one.limits[1]]
    # eight above the median after eight below it; one on the median neither breaks nor makes it
    drift = series([300.0] * 4 + [301.0] * 8 + [303.0] + [305.0] * 8 + [306.0] * 4)
    assert drift.shifts() == [(0, 11), (13, 24)]
    assert "12 runs in a row below the median from 02 Nov to 13 Nov" in drift.words()
    assert series([300.0 + 1e-9 * place for place in range(20)]).shifts() == []
    still = series([0.0, 0.0, 0.0, 0.6, 0.0, 0.0]).limits
    assert still is not None
    assert still[0] == 0.0
    assert "too few" in series([1.0, 2.0]).words()


def test_scales_have_round_ticks_inside_them() -> None:
    assert Scale(0.0, 5.0, 0.0, 100.0).ticks(5) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    assert Scale(-0.62, 0.62, 0.0, 1.0).ticks(3) == [-0.5, 0.0, 0.5]
    assert Scale(3.0, 3.0, 0.0, 1.0).ticks() == [3.0]
    assert around([]) == (0.0, 1.0)
    assert around([1.0, float("nan")], least_span=2.0) == pytest.approx((-0.12, 2.12))


def test_a_line_is_broken_where_a_value_is_not_there() -> None:
    picture = Picture(10.0)
    picture.path([(0.0, 1.0), (1.0, float("nan")), (2.0, 1.0), (3.0, 2.0)], "own")
    assert picture.parts == ['<path class="own" d="M0 1M2 1L3 2"/>']


def test_a_blind_studys_responses_are_worked_out_after_the_look_is_entered(tmp_path: Path) -> None:
    records = tmp_path / "records"
    records.mkdir()
    for number in range(2):
        hand_record(records, f"Q1{number}", response_s=0.6 + 0.2 * number, text=BLIND)
        hand_record(records, f"Q2{number}", "no-alert", 1.0 + 0.2 * number, text=BLIND)
    out = tmp_path / "page.html"
    done = call("report", str(records), "--out", str(out), "--unblind", "--by", "anna")
    assert done.returncode == 0, done.stderr
    assert "look 1" in done.stdout
    assert "chime 2 0.55" in words(out.read_text())
    assert json.loads((records / AUDIT_NAME).read_text())["command"] == "report"


def test_no_two_groups_have_the_same_line() -> None:
    style = resources.files("monitor.reports.page").joinpath("style.css").read_text()
    kinds = [kind_of_line(index) for index in range(32)]
    assert len(set(kinds)) == 32
    dashes = [re.search(rf"\.{one.split()[1]} {{ stroke-dasharray: ([^;]+);", style) for one in kinds[:8]]
    assert len({found[1] for found in dashes if found}) == 8
    assert all(f".{one.split()[0]} {{ stroke: " in style for one in kinds)


def test_a_band_of_two_parts_is_drawn_as_two(tmp_path: Path) -> None:
    text = REPORT_STUDY.replace("at_least = 19.0\nat_most = 21.0\n", "outside = [10.0, 18.0]\n")
    page = run_page(read_whole(hand_record(tmp_path, "Q07", text=text)))
    plot = pictures(page)[f"Trial {TRIAL}, valid"]
    bands = [one for one in plot.iter("rect") if one.get("class") == "band"]
    wide = [one for one in bands if float(one.get("width") or 0) == pytest.approx(840 * 3 / 9, abs=0.01)]
    assert len(wide) == 2
