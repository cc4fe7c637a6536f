"""The forecast: against scipy's distribution, against simulation, and against what a wider band really saves."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.archive.gathering import gather
from monitor.archive.looks import AUDIT_NAME, enter_look
from monitor.errors import WitnessError
from monitor.record.places import TOMBSTONE_NAME
from monitor.record.withdrawing import withdraw_record
from monitor.reports.forecast.forecast import LEVELS, Bookings, Forecast, forecast_studies
from monitor.reports.forecast.standing import LeftOut
from monitor.reports.forecast.text import forecast_json, forecast_lines
from monitor.reports.statistics.invitations import MOST, invitations, point, together
from tests.commands.running import call
from tests.judging.hand import HandDrive, study_of
from tests.lazily import Lazily
from tests.reports.making import REPORT_STUDY, hand_drive, hand_record
from tests.reports.test_lot_rule import PRACTICE, WAITS
from tests.reports.test_tally import TRIAL, ruling

stats = Lazily("scipy.stats")

BEGINS = date(2026, 12, 1)


def forecast(directory: Path, per_week: float | None = None, looks: int = 0, trigger: str | None = None) -> Forecast:
    (one,) = forecast_studies(gather(directory), Bookings(per_week, BEGINS), looks, trigger)
    return one


def gap_of(distance_m: float) -> HandDrive:
    """The van so far ahead until it brakes, at 20 m/s."""
    from tests.judging.hand import FIRE_T

    def x(t: float) -> float:
        braking = min(max(t - FIRE_T, 0.0), 4.0)
        return 100.0 + distance_m + (4.6 + 5.9) / 2 + 20.0 * min(t, FIRE_T) + 20.0 * braking - 2.5 * braking**2

    return hand_drive(van=lambda t: {"x": x(t), "station": x(t)})


# The distribution


@pytest.mark.parametrize(("needed", "valid", "lost"), [(1, 0, 0), (4, 12, 3), (12, 3, 9), (30, 40, 1), (9, 0, 7)])
def test_the_number_to_invite_is_scipys_beta_negative_binomial(needed: int, valid: int, lost: int) -> None:
    reference = stats.betanbinom(needed, valid + 0.5, lost + 0.5)
    chances = invitations(needed, valid, lost)
    failures = np.arange(200)
    assert chances[needed : needed + 200] == pytest.approx(reference.pmf(failures), abs=1e-12)
    assert (chances[:needed] == 0.0).all()
    for level in LEVELS:
        expected = needed + int(reference.ppf(level))
        assert point(chances, level) == (expected if expected <= MOST else None)


def test_nobody_more_is_needed_and_nothing_can_be_planned_by() -> None:
    assert point(invitations(0, 5, 5), 0.95) == 0
    # all of ten were lost: the 95 % point of what twelve more would take is beyond any plan
    assert point(invitations(12, 0, 10), 0.95) is None


def test_groups_together_are_the_sum_of_them() -> None:
    groups = [invitations(4, 12, 3), invitations(2, 8, 0), invitations(5, 9, 4)]
    summed = np.convolve(np.convolve(groups[0], groups[1])[: MOST + 1], groups[2])[: MOST + 1]
    assert together(groups) == pytest.approx(summed, abs=1e-12)
    assert together([groups[0]]) == pytest.approx(groups[0], abs=1e-12)


def covered(chances: Sequence[float], seen: int, wanted: int, rounds: int) -> dict[float, float]:
    """How often a study that stops at `wanted` valid trials needed no more invitations than were forecast."""
    source = np.random.default_rng(20_311)
    held = dict.fromkeys(LEVELS, 0)
    for _ in range(rounds):
        p = chances[0] if len(chances) == 1 else source.beta(chances[0], chances[1])
        valid = int(source.binomial(seen, p))
        needed = max(wanted - valid, 0)
        invited = needed + (int(source.negative_binomial(needed, p)) if needed else 0)
        distribution = invitations(needed, valid, seen - valid)
        for level in LEVELS:
            enough = point(distribution, level)
            held[level] += enough is None or invited <= enough
    return {level: number / rounds for level, number in held.items()}


def test_the_stated_chance_is_kept_where_studies_are_as_the_prior_has_them() -> None:
    # with the chance of a valid trial drawn from the prior the points hold at least as often as they say; the number is
    # whole, so that they hold somewhat more often (standard deviation at most 1.1 % of 2000 rounds)
    found = covered((0.5, 0.5), seen=16, wanted=24, rounds=2000)
    for level, share in found.items():
        assert level - 0.03 <= share <= level + 0.15, (level, share)


@pytest.mark.parametrize("p", [0.6, 0.75, 0.9])
def test_the_stated_chance_is_about_kept_at_one_true_chance(p: float) -> None:
    found = covered((p,), seen=24, wanted=48, rounds=2000)
    for level, share in found.items():
        assert level - 0.06 <= share <= level + 0.14, (level, share)


# What is counted


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Chime: 3 valid, 1 lost by the gap, 1 by the gap and the operator; no-alert: 2 valid, 1 withdrawn, 1 waits."""
    for number in range(3):
        hand_record(tmp_path, f"Q1{number}", day=number)
    hand_record(tmp_path, "Q13", drive=gap_of(39.0), day=3)
    hand_record(tmp_path, "Q14", drive=gap_of(45.0), day=4)
    for number in range(2):
        hand_record(tmp_path, f"Q2{number}", "no-alert", day=number)
    withdraw_record(hand_record(tmp_path, "Q22", "no-alert", day=2), "anna")
    hand_record(
        tmp_path, "Q23", "no-alert", day=5, drive=hand_drive("no-alert", lost_frames=frozenset(range(196, 204)))
    )
    return tmp_path


def test_participants_by_what_came_of_them(study: Path) -> None:
    one = forecast(study, per_week=3.0)
    chime, none = one.groups
    assert (chime.invited, chime.valid, chime.lost, chime.waiting, chime.needed) == (5, 3, 2, 0, 1)
    assert (none.invited, none.valid, none.lost, none.waiting, none.needed) == (4, 2, 1, 1, 2)
    for group in one.groups:
        reference = stats.betanbinom(group.needed, group.valid + 0.5, group.lost + 0.5)
        assert group.points == tuple((group.needed or 0) + int(reference.ppf(level)) for level in LEVELS)
        assert group.chance == pytest.approx((group.valid + 0.5) / (group.valid + group.lost + 1))
    assert one.needed == 3
    # at three a week, the days that the points take
    for number, day in zip(one.points, one.done_by, strict=True):
        assert number is not None
        assert day is not None
        assert (day - BEGINS).days == -(-7 * number // 3)
    text = " ".join(" ".join(forecast_lines(one)).split())
    assert "Without a ruling: 1 trial, in none of these numbers." in text
    assert "at 3 participants a week, as given, from 01 Dec 2026 on." in text
    assert max(map(len, forecast_lines(one))) <= 80


def test_the_rate_of_the_last_weeks_where_none_is_given(study: Path) -> None:
    # 9 participants over 6 days, which count as one week; the withdrawn one on the day in the record's name
    one = forecast(study)
    assert one.per_week == pytest.approx(9.0)
    assert (one.withdrew, one.left_out) == (1, ())
    # where the name has another form, nobody knows the day, and that is said
    (gone,) = study.glob("Q22-*.run")
    gone.rename(study / "renamed.run")
    one = forecast(study)
    assert one.per_week == pytest.approx(8.0)
    assert one.left_out == (LeftOut(1, "rate", "came on a day not known"),)
    text = " ".join(" ".join(forecast_lines(one)).split())
    assert "Left out: 1 came on a day not known (not in the participants a week)." in text


def test_losses_are_ranked_by_what_they_cost(study: Path) -> None:
    one = forecast(study, per_week=2.0)
    gap, withdrew = one.losses
    assert (gap.reason, gap.participants, gap.alone) == ("time gap: not met", 2, 2)
    assert (withdrew.reason, withdrew.participants) == ("withdrew consent", 1)
    # had nobody been lost by the gap, chime would have 5 of 5
    now, spared = (point(together([invitations(1, 3 + more, 2 - more), invitations(2, 2, 1)]), 0.5) for more in (0, 2))
    assert now is not None
    assert spared is not None
    assert gap.to_come == now - spared
    assert gap.weeks == pytest.approx((2 + now - spared) / 2.0)


def test_what_a_wider_band_would_have_saved_is_what_it_saves(study: Path) -> None:
    one = forecast(study)
    assert one.bands is not None
    (band,) = one.bands
    # gaps of 39 and 45 m at 20 m/s: 1.95 and 2.25 s against at most 1.9 s
    assert (band.condition, band.edge, band.stands_at, band.unit) == ("time gap", "at_most", 1.9, "s")
    assert [edge for edge, _ in band.saves] == pytest.approx([1.95, 2.25])
    assert [saved for _, saved in band.saves] == [1, 2]
    for edge, saved in ((1.9501, 1), (2.2501, 2)):
        wider = study_of(REPORT_STUDY.replace("at_most = 1.9", f"at_most = {edge}"))
        valid = sum(trial.effective == "valid" for each in gather(study, wider).runs for trial in each.trials)
        assert valid == 5 + saved
    text = " ".join(" ".join(forecast_lines(one)).split())
    assert "time gap, at most 1.9 s: 1.95 saves 1, 2.25 saves 2" in text


def test_a_band_that_did_not_lose_the_trial_alone_would_have_saved_nothing(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01", drive=gap_of(45.0), operator=[ruling(TRIAL, "invalid", "confirmed")])
    hand_record(tmp_path, "Q02", drive=gap_of(41.0), operator=[ruling(TRIAL, "invalid", "participant-unwell")])
    hand_record(tmp_path, "Q03", drive=replace(gap_of(39.0), brake_mps2=3.0))
    one = forecast(tmp_path)
    assert one.bands is not None
    # the first was lost by the gap; the second also by what the operator saw, the third also by the van's braking
    (band,) = one.bands
    ((edge, saved),) = band.saves
    assert (band.condition, saved) == ("time gap", 1)
    assert edge == pytest.approx(2.25)


@pytest.mark.slow
def test_after_a_look_no_band_is_told(study: Path) -> None:
    enter_look(study, "anna", "compare", {}, {})
    done = call("forecast", str(study), "--from", "2026-12-01")
    assert done.returncode == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert "What wider bands would have saved is not said: the file of looks has 1 look at responses" in text
    assert "saves" not in text
    document = json.loads(call("forecast", str(study), "--json").stdout)
    assert document["forecasts"][0]["bands"] is None
    # where nobody can tell whether there was a look, it is as if there had been one
    (study / AUDIT_NAME).unlink()
    (study / AUDIT_NAME).mkdir()
    assert "the file of looks cannot be read" in " ".join(call("forecast", str(study)).stdout.split())


def test_nothing_of_the_responses_is_in_it(tmp_path: Path) -> None:
    texts = []
    for place, response_s in (("a", 0.6), ("b", None)):
        (tmp_path / place).mkdir()
        hand_record(tmp_path / place, "Q01", response_s=response_s)
        hand_record(tmp_path / place, "Q02", "no-alert", response_s)
        texts.append("\n".join(forecast_lines(forecast(tmp_path / place))))
    assert texts[0] == texts[1]


def test_a_study_that_is_done_and_one_without_a_plan(tmp_path: Path) -> None:
    text = re.sub(r"planned = 4", "planned = 1", REPORT_STUDY)
    hand_record(tmp_path, "Q01", text=text)
    hand_record(tmp_path, "Q02", "no-alert", text=text)
    assert "Every planned trial is in." in forecast_lines(forecast(tmp_path))
    with pytest.raises(WitnessError, match=r"No study in .* has a trigger 'gate-break'"):
        forecast(tmp_path, trigger="gate-break")
    (tmp_path / "other").mkdir()
    hand_record(tmp_path / "other", "Q01", text=text.replace("planned = 1", ""))
    one = forecast(tmp_path / "other")
    assert [group.needed for group in one.groups] == [None, None]
    assert (one.needed, one.points) == (None, (None,) * 3)
    assert all(group.points == (None,) * 3 for group in one.groups)
    page = forecast_lines(one)
    # that no number is planned is never read as that none is wanted
    (row,) = [line.split() for line in page if line.startswith("all")]
    assert row == ["all", "–", "1", "0", "–", "–", "–"]
    assert any("plans no number of trials" in line for line in page)
    document = forecast_json(gather(tmp_path / "other"), (one,))["forecasts"][0]
    assert (document["needed"], document["points"]) == (None, (None,) * 3)


def test_it_needs_no_scipy(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy", None)
    assert forecast(study).points[0] is not None


def test_wrong_usage_is_one_sentence(tmp_path: Path) -> None:
    assert "--per-week needs a number above 0." in call("forecast", str(tmp_path), "--per-week", "0").stderr
    assert "--from needs a day such as 2026-12-01." in call("forecast", str(tmp_path), "--from", "soon").stderr
    empty = call("forecast", str(tmp_path))
    assert (empty.returncode, "holds no run" in empty.stdout) == (0, True)


# Who is counted where: everybody once


def without(path: Path, *keys: str) -> None:
    """Takes keys out of a tombstone, as older programs wrote it."""
    tombstone = path / TOMBSTONE_NAME
    kept = {key: value for key, value in json.loads(tombstone.read_text()).items() if key not in keys}
    tombstone.write_text(json.dumps(kept))


def withdrawn(directory: Path, code: str, *missing: str, **more: Any) -> Path:
    path = hand_record(directory, code, **more)
    withdraw_record(path, "anna")
    without(path, *missing)
    return path


OTHER = REPORT_STUDY.replace('name = "hand"', 'name = "other"', 1)
STANDINGS: dict[str, tuple[Callable[[Path], object], str]] = {
    "valid": (lambda to: hand_record(to, "Q30"), "chime"),
    "lost": (lambda to: hand_record(to, "Q30", drive=gap_of(39.0)), "chime"),
    "waits": (
        lambda to: hand_record(to, "Q30", drive=hand_drive(lost_frames=frozenset(range(196, 204)))),
        "chime",
    ),
    "withdrew": (lambda to: withdrawn(to, "Q30"), "chime"),
    "withdrew twice": (lambda to: [withdrawn(to, "Q30", day=day) for day in (0, 1)], "chime"),
    "withdrew one of two": (lambda to: (withdrawn(to, "Q30"), hand_record(to, "Q30", day=1)), "chime"),
    "of a group not known": (lambda to: hand_record(to, "Q30", None, drive=hand_drive(None)), "chance"),
    "withdrew, of a group not known": (lambda to: withdrawn(to, "Q30", "group"), "chance"),
    "withdrew, of a study not known": (lambda to: withdrawn(to, "Q30", "study", "group"), "everything"),
    "withdrew, of another study": (lambda to: withdrawn(to, "Q30", text=OTHER), "other"),
}


@pytest.mark.parametrize("which", STANDINGS)
def test_everybody_is_counted_once_or_named_as_left_out(tmp_path: Path, which: str) -> None:
    hand_record(tmp_path, "Q01")
    hand_record(tmp_path, "Q02", text=OTHER)
    make, where = STANDINGS[which]
    make(tmp_path)
    found = gather(tmp_path)
    one, other = sorted(forecast_studies(found, Bookings(3.0, BEGINS), 0), key=lambda each: each.study)
    assert (one.study, other.study) == ("hand", "other")
    chime = next(group for group in one.groups if group.group == "chime")
    assert chime.invited == chime.valid + chime.lost + chime.waiting == 1 + (where == "chime")
    assert sum(group.invited for group in other.groups) == 1 + (where == "other")
    counted = {each.of: each.number for each in one.left_out}
    assert counted == ({where: 1} if where in ("chance", "everything") else {})
    assert one.group_not_known == (where == "chance")
    document = forecast_json(found, (one,))["forecasts"][0]
    assert [each["number"] for each in document["left_out"]] == [1] * len(counted)
    text = " ".join(" ".join(forecast_lines(one)).split())
    assert ("Left out: 1 " in text) == bool(counted)
    assert ("1 participant withdrew consent: lost in their groups" in text) == (which in ("withdrew", "withdrew twice"))


def test_who_has_no_lot_yet_is_named_as_left_out(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01", text=WAITS)
    hand_record(tmp_path, "Q02", None, text=WAITS, drive=PRACTICE)
    withdraw_record(hand_record(tmp_path, "Q03", None, text=WAITS, drive=PRACTICE), "anna")
    one = forecast(tmp_path)
    assert (sum(group.invited for group in one.groups), one.group_not_known) == (1, 0)
    assert {(each.number, each.of, each.why) for each in one.left_out} == {
        (1, "everything", "in a session, without a lot yet"),
        (1, "everything", "withdrew consent before they had a lot"),
    }


# Triggers that come often


OFTEN = REPORT_STUDY.replace('surprise_class = "rear-end"\n', 'expected = "any"\nvalid_at_least = 2\n')


def test_where_trials_are_planned_that_a_participant_gives_several_of_nothing_is_forecast(tmp_path: Path) -> None:
    hand_record(tmp_path, "Q01", text=OFTEN)
    one = forecast(tmp_path)
    assert (one.counts_participants, one.needed) == (False, None)
    text = " ".join(" ".join(forecast_lines(one)).split())
    assert "The study plans trials, of which a participant gives several: how many to invite is not forecast." in text
    assert "Every planned trial is in" not in text


def test_where_participants_are_planned_they_count_with_as_many_valid_trials_as_asked(tmp_path: Path) -> None:
    people = OFTEN.replace('name = "hand"\n', 'name = "hand"\nplanned_counts = "participants"\n')
    hand_record(tmp_path, "Q01", text=people)
    hand_record(tmp_path, "Q02", text=people)
    hand_record(tmp_path, "Q02", text=people, day=1)
    chime, _ = forecast(tmp_path).groups
    assert (chime.valid, chime.lost, chime.needed) == (1, 1, 3)
