"""One thing in the feed is untrue or missing, and the feed itself says so: neither "valid" nor "invalid" is said by it.

Each drive is written by hand; what truly happened is what `HandDrive` does by itself: a van 1.5 s ahead that brakes
with 5 m/s², own car at 20 m/s.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from operator import attrgetter
from typing import Any

import pytest

from monitor.following.coming.channels import case_at
from monitor.judging.case.trial import Trial
from monitor.judging.evidence.inputs import inputs_of, is_scaled
from monitor.judging.session import Session
from monitor.judging.settled import cut_bodies
from monitor.record.entries import Entry
from monitor.study.terms import Measure
from tests.judging.hand import (
    FIRE_T,
    SPEED,
    STUDY,
    HandDrive,
    entries_of,
    first_trial,
    found_codes,
    judged,
    opening_of,
    study_of,
)

BEFORE = STUDY.replace("[trigger.hazard]", "[trigger.before]\n[trigger.hazard]")


def undecided_by(trial: Trial, code: str) -> None:
    """A person is asked, and told why."""
    assert trial.verdict == "undecided", trial
    assert code in found_codes(trial), found_codes(trial)


def test_an_acceleration_that_moves_nothing_is_not_believed() -> None:
    """The van's accel says −6 while its speed and its place never change."""
    trial = first_trial(HandDrive(brake_mps2=0.0, van=lambda t: {"accel": -6.0 if t > FIRE_T else 0.0}, end_t=18.0))
    undecided_by(trial, "channels-disagree")
    braking = next(one for one in trial.conditions if one.name == "van braking")
    assert (braking.value, braking.result) == (-6.0, "undecided")
    assert braking.evidence is not None
    assert braking.evidence.by == ("lead speed",)
    assert braking.evidence.rebuilt == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("factor", [1.0 / 9.80665, -1.0])
def test_a_braking_in_g_or_with_the_other_sign_is_no_missing_hazard(factor: float) -> None:
    trial = first_trial(
        HandDrive(van=lambda t: {"accel": factor * -5.0 if FIRE_T < t < FIRE_T + 4.0 else 0.0}, end_t=18.0)
    )
    undecided_by(trial, "channels-disagree")
    assert "hazard-missing" not in found_codes(trial)
    assert trial.naive == "yes"


def test_an_acceleration_that_is_not_filled_and_accepted_is_no_doubt() -> None:
    text = STUDY + '[[accepted]]\nof = "others"\nchannel = "accel"\nkind = "not filled"\nby = "MK"\n'
    text = text.replace('"lead.accel"\nat_most = -4.0', '"lead.speed"\nat_most = 18.0')
    begin, stop = text.index("[trigger.hazard]"), text.index("[trigger.response]")
    text = text[:begin] + text[stop:]
    drive = HandDrive(van=lambda t: {"accel": 0.0}, end_t=18.0)
    unaccepted = first_trial(drive, text.split("[[accepted]]")[0])
    assert [(one.code, one.severity) for one in unaccepted.findings] == [("channels-disagree", "note")]
    assert first_trial(drive, text).findings == ()


def test_another_reference_of_the_lane_offset_is_accepted_until_it_changes() -> None:
    lane = '[[trigger.condition]]\nname = "lane offset"\nmeasure = "lane_offset"\nat_most = 0.1\n[trigger.alert]'
    road = {"x": [0.0, 2000.0], "y": [0.0, 0.0], "lane_width": 3.5, "lanes": 1}
    text = STUDY.replace("[trigger.alert]", lane, 1)
    accepted = text + '[[accepted]]\nof = "own"\nchannel = "lane_offset"\nkind = "offset"\nsize = 0.2\nby = "MK"\n'
    off = HandDrive(own=lambda t: {"lane_offset": 0.2}, road=road, end_t=18.0)
    undecided_by(first_trial(off, text), "channels-disagree")
    assert first_trial(off, accepted.replace("at_most = 0.1", "at_most = 0.3")).verdict == "valid"
    changed = HandDrive(own=lambda t: {"lane_offset": 0.2 if t < 8.0 else 0.6}, road=road, end_t=18.0)
    undecided_by(first_trial(changed, accepted.replace("at_most = 0.1", "at_most = 0.5")), "channels-disagree")


def test_a_van_whose_station_stands_is_not_nearer() -> None:
    """It stands for 0.6 s up to the fire while its x goes on: shown 0.9 s, true 1.5 s."""

    def van(t: float) -> dict[str, float]:
        return {"station": HandDrive().place_of_van(min(t, FIRE_T - 0.6))} if FIRE_T - 0.6 < t < FIRE_T + 0.1 else {}

    trial = first_trial(HandDrive(van=van, end_t=18.0))
    assert trial.verdict == "undecided"
    assert {"channel-frozen", "channels-disagree"} & set(found_codes(trial))
    assert trial.conditions[0].result == "undecided"


def test_an_own_station_that_stands_makes_no_early_fire() -> None:
    def own(t: float) -> dict[str, float]:
        return {"station": 100.0 + SPEED * min(t, FIRE_T - 1.0)} if t < FIRE_T + 3.0 else {}

    trial = first_trial(HandDrive(own=own, end_t=18.0))
    assert trial.verdict == "undecided"
    assert "fired-early" not in found_codes(trial)
    assert trial.timing.result == "not stated"


@pytest.mark.parametrize("scale", [0.85, 0.9, 1.1, 1.25])
def test_a_speed_that_its_own_way_contradicts_decides_nothing(scale: float) -> None:
    trial = first_trial(HandDrive(own=lambda t: {"speed": scale * SPEED}, end_t=18.0))
    undecided_by(trial, "channels-disagree")
    told = " ".join(one.sentence for one in trial.findings if one.code == "channels-disagree")
    assert f"{scale * SPEED:.2f} m/s" in told
    assert "20.00 m/s" in told


@pytest.mark.parametrize("length", [0.0, -4.6])
def test_a_body_without_a_length_has_no_gap_and_decides_nothing(length: float) -> None:
    trial = first_trial(HandDrive(van=lambda t: {"length": length}, end_t=18.0))
    assert (trial.conditions[0].state, trial.conditions[0].result, trial.verdict) == (
        "not measured",
        "undecided",
        "undecided",
    )


@pytest.mark.parametrize("gone", [math.nan, None])
def test_a_station_that_is_not_measured_is_no_early_fire(gone: float | None) -> None:
    def own(t: float) -> dict[str, Any]:
        return {"station": math.nan} if gone is None or t > FIRE_T - 0.5 else {}

    trial = first_trial(HandDrive(own=own, end_t=18.0))
    undecided_by(trial, "timing-unsure")
    assert trial.timing.result == "not stated"


def test_a_drive_without_stations_does_not_say_that_the_trigger_was_not_reached() -> None:
    drive = HandDrive(own=lambda t: {"station": math.nan}, fire_t=None, end_t=18.0)
    undecided_by(first_trial(drive), "timing-unsure")


@pytest.mark.parametrize("modality", ["sound", "light"])
@pytest.mark.parametrize("group", ["chime", "no-alert"])
def test_an_alert_that_no_trigger_accounts_for_is_found_wherever_it_stands(modality: str, group: str) -> None:
    right = [(10.3, "alert_on", "a", {"modality": "sound"})] if group == "chime" else []
    early = (4.0, "alert_on", "b", {"modality": modality})
    over = (5.0, "alert_off", "b", {"modality": modality})
    still_on = judged(HandDrive(group=group, markers=[early, *right], end_t=18.0), group=group).trials()[0]
    assert ("alert-before-fire" in found_codes(still_on), still_on.verdict) == (True, "invalid")
    ended = judged(HandDrive(group=group, markers=[early, over, *right], end_t=18.0), group=group).trials()[0]
    undecided_by(ended, "alert-unaccounted")


def beside(**said: float) -> Callable[[float], list[dict[str, Any]]]:
    """A car in the next lane, 12 m ahead, as the feed tells of it."""

    def at(t: float) -> list[dict[str, Any]]:
        place = 100.0 + SPEED * t + 12.0
        other = {"id": 7, "x": place, "y": 3.5, "heading": 0.0, "speed": SPEED, "accel": 0.0, "length": 4.0}
        return [{**other, "width": 1.8, "station": place, "lane": 2, **said}]

    return at


def test_a_lane_number_that_is_wrong_makes_no_lead_of_a_car_beside() -> None:
    """By lane and station it is the lead, 0.4 s ahead; its place is in the next lane."""
    trial = first_trial(HandDrive(more_vehicles=beside(lane=1), end_t=18.0))
    undecided_by(trial, "channels-disagree")
    assert {one.result for one in trial.conditions if one.name != "own speed"} == {"undecided"}
    told = next(one.sentence for one in trial.findings if one.code == "channels-disagree")
    assert told.startswith("By lane and station the vehicle ahead is the vehicle 7, and its place is 3.5 m left")
    assert first_trial(HandDrive(more_vehicles=beside(), end_t=18.0)).verdict == "valid"


def test_a_vehicle_whose_heading_is_wrong_still_goes_where_it_goes() -> None:
    """The van is said to head across the road: its speed counts along the way that it moved."""
    text = STUDY.replace("[trigger.alert]", CLOSING, 1)
    road = {"x": [0.0, 2000.0], "y": [0.0, 0.0], "lane_width": 3.5, "lanes": 1}
    trial = first_trial(HandDrive(van=lambda t: {"heading": 1.5}, road=road, end_t=18.0), text)
    closing = next(one for one in trial.conditions if one.name == "closing")
    assert (closing.result, trial.verdict) == ("undecided", "undecided")
    assert closing.value == pytest.approx(20.0 - 20.0 * math.cos(1.5), abs=0.01)


CLOSING = """
[[trigger.condition]]
name = "closing"
measure = "closing_speed"
role = "lead"
at_least = -2.0
at_most = 2.0
[trigger.alert]"""


def test_a_hazard_that_came_without_its_marker_is_no_missed_trigger() -> None:
    """The rule held, the van braked, and no marker told of it; a van that did not brake was not triggered."""
    drive = HandDrive(fire_t=None, van_decel=lambda t: 5.0 if FIRE_T < t < FIRE_T + 3.0 else 0.0, end_t=22.0)
    undecided_by(first_trial(drive), "fire-untold")
    assert found_codes(first_trial(HandDrive(fire_t=None, brake_mps2=0.0, markers=[], end_t=22.0))) == [
        "trigger-missed"
    ]


def brakes_once(t: float) -> float:
    return 5.0 if FIRE_T < t < FIRE_T + 3.0 else 0.0


def calm(t: float) -> float:
    return 0.0


RULE = """[[trigger.fires_when]]
measure = "station"
at_least = 300.0
edge = "rising"
"""
STUDY_WITHOUT_RULE = STUDY.replace(RULE, "")
NOT_SENT: dict[str, dict[str, float]] = {
    "accel not filled": {"accel": 0.0},
    "accel not sent": {"accel": math.nan},
    "speed not sent": {"speed": math.nan},
    "neither lane nor station": {"lane": math.nan, "station": math.nan},
    "whichever is ahead": {"lane": math.nan, "station": math.nan, "x": math.nan, "y": math.nan},
}


@pytest.mark.parametrize("text", [STUDY, STUDY_WITHOUT_RULE], ids=["with a rule", "without one"])
@pytest.mark.parametrize("van", NOT_SENT.values(), ids=NOT_SENT)
def test_a_hazard_whose_marker_never_came_is_told_by_whatever_is_sent(van: dict[str, float], text: str) -> None:
    """A channel that is not there says nothing against it: invalid would be wrong and sure."""
    assert (text is STUDY) == ("fires_when" in text)
    came = first_trial(HandDrive(fire_t=None, van=lambda t: van, van_decel=brakes_once, markers=[], end_t=22.0), text)
    undecided_by(came, "fire-untold")
    not_come = first_trial(HandDrive(fire_t=None, van=lambda t: van, van_decel=calm, markers=[], end_t=22.0), text)
    assert (not_come.verdict, found_codes(not_come)) == ("invalid", ["trigger-missed"])


def test_an_alert_that_ended_had_begun() -> None:
    ended = [(11.1, "alert_off", "a", {"modality": "sound"})]
    undecided_by(first_trial(HandDrive(markers=ended, end_t=18.0)), "alert-unknown")
    assert found_codes(first_trial(HandDrive(markers=[], end_t=18.0))) == ["alert-missing"]


def test_a_car_that_is_moved_aside_at_speed_has_no_lead_of_its_own() -> None:
    moved = HandDrive(own=lambda t: {"y": 3.5} if t > 4.0 else {}, end_t=18.0)
    undecided_by(first_trial(moved), "implausible-jump")


@pytest.mark.parametrize(("channel", "value"), [("length", 590.0), ("width", 200.0)])
def test_a_body_in_centimetres_has_no_size(channel: str, value: float) -> None:
    trial = first_trial(HandDrive(van=lambda t: {channel: value}, end_t=18.0))
    assert trial.verdict in ("undecided", "valid")
    assert trial.conditions[0].result == ("undecided" if channel == "length" else "met")


def test_a_profile_that_is_only_noise_is_doubtful() -> None:
    """The braking is held at 5 m/s²; its channel is off by 3 m/s² from frame to frame."""
    text = STUDY.replace("[trigger.response]", "level_mps2 = 5.0\nlevel_tolerance_mps2 = 1.5\n[trigger.response]")

    def van(t: float) -> dict[str, float]:
        off = 3.0 * math.sin(1e4 * t)
        return {"accel": (-5.0 if FIRE_T < t < FIRE_T + 4.0 else 0.0) + off}

    trial = first_trial(HandDrive(van=van, end_t=18.0), text)
    assert trial.verdict == "undecided"
    assert {one.severity for one in trial.findings if one.code == "hazard-profile"} <= {"doubtful"}


@pytest.mark.parametrize("out", ["all along", "at random"])
def test_eyes_that_no_person_has_are_no_evidence(out: str) -> None:
    text = STUDY.replace(
        "[trigger.alert]",
        '[[trigger.condition]]\nname = "eyes"\nmeasure = "eyes_on_road"\nat_most = 0.5\n[trigger.alert]',
    )

    def signals(t: float) -> dict[str, bool]:
        if out == "all along":
            return {"eyes_on_road": False}
        return {"eyes_on_road": round(t * 60) % 7 > 2 and abs(t - FIRE_T) > 0.2}

    trial = first_trial(HandDrive(signals=signals, end_t=18.0), text)
    undecided_by(trial, "signal-implausible")
    assert next(one for one in trial.conditions if one.name == "eyes").result == "undecided"
    assert first_trial(HandDrive(end_t=18.0), text).verdict == "valid"


def test_a_condition_that_nothing_can_check_says_so_and_may_demand_it() -> None:
    lane = '[[trigger.condition]]\nname = "lane offset"\nmeasure = "lane_offset"\nat_most = 0.6\n[trigger.alert]'
    text = STUDY.replace("[trigger.alert]", lane, 1)
    trial = first_trial(HandDrive(end_t=18.0), text)
    told = next(one for one in trial.conditions if one.name == "lane offset").evidence
    assert told is not None
    assert (told.by, told.rebuilt, told.noticed_from, trial.verdict) == ((), None, None, "valid")
    needed = first_trial(HandDrive(end_t=18.0), text.replace("at_most = 0.6", "at_most = 0.6\nneeds_evidence = true"))
    assert needed.verdict == "undecided"


def test_a_clean_drive_carries_evidence_and_no_doubt() -> None:
    trial = first_trial(HandDrive(end_t=18.0))
    assert (trial.verdict, trial.findings) == ("valid", ())
    gap = trial.conditions[0].evidence
    assert gap is not None
    assert {"x, y", "station", "accel"} <= set(gap.by)
    assert gap.differs == pytest.approx(0.0, abs=1e-6)
    assert gap.noticed_from is not None
    assert 0.0 < gap.noticed_from < 0.1


@pytest.mark.slow
def test_invalid_is_not_said_before_its_evidence_has_been_looked_at() -> None:
    """As of any entry: what is once called invalid stays so."""
    from monitor.judging.session import Session
    from tests.judging.hand import entries_of, opening_of

    study = study_of(STUDY.replace("at_most = 21.0", "at_most = 19.5"))
    session = Session(study, opening_of(study))
    said = []
    for entry in entries_of(HandDrive(own=lambda t: {"speed": 1.1 * SPEED}, end_t=18.0)):
        session.take([entry])
        said += [one.verdict for one in session.trials()]
    assert "invalid" not in said


SHORT_S, SHORT_FROM_T = 2.0, 20.0


@pytest.mark.parametrize(("who", "share"), [("van", 0.97), ("van", 1.04), ("own", 0.95)])
def test_whose_station_came_apart_all_along_is_asked_of_that_body(who: str, share: float) -> None:
    """Of the van's scaled station the own car, whose station is right, knows nothing."""
    begin_m = {"own": 100.0, "van": 100.0 + 30.0 + 4.5}[who]
    fault: dict[str, Any] = {who: lambda t: {"station": share * (begin_m + SPEED * t)}}
    session = judged(HandDrive(fire_t=None, ends=False, end_t=24.0, van_decel=calm, markers=[], **fault))
    drive = session.drives[0]
    case = case_at(session.occasion(drive, "gate-brake", 1), 0.0)
    bodies = cut_bodies(case, "lead", case.fired_at)
    assert bodies is not None
    inputs = inputs_of(Measure("pair", "distance_gap", "lead", "m"), bodies, case.fired_at - 1.0, case.fired_at)
    assert inputs is not None
    told = [one for one in inputs.others["gap"] if one.disagrees and one.telling and one.telling.channel == "station"]
    drifts = (share - 1.0) * SPEED * 0.75 * SHORT_S
    change = drifts if told[0].telling is not None and told[0].telling.change * drifts > 0.0 else -drifts
    assert {one.whose for one in told} == {"lead" if who == "van" else ""}
    assert all(is_scaled(one, bodies) for one in told)
    # a window that is short enough to have another one before it in the run-up, and drifted by as much
    short = [
        replace(one, telling=replace(one.telling, seconds=SHORT_S, from_t=SHORT_FROM_T, change=change))
        for one in told
        if one.telling
    ]
    assert all(is_scaled(one, bodies) for one in short)


WITHOUT_A_VALUE = (9.5, 9.6)


def filled_with(who: str, channel: str, value: float) -> HandDrive:
    """A drive in which a channel has this value for a tenth of a second."""

    def told(of: str) -> Callable[[float], dict[str, float]]:
        return lambda t: {channel: value} if of == who and WITHOUT_A_VALUE[0] <= t < WITHOUT_A_VALUE[1] else {}

    return HandDrive(own=told("own"), van=told("van"), end_t=16.0)


@cache
def without_a_value(who: str, channel: str) -> Trial:
    return first_trial(filled_with(who, channel, math.nan))


@pytest.mark.parametrize("filled", [math.inf, 1.7976931348623157e308, -1.7976931348623157e308, 3.4028235e38, 1e30])
@pytest.mark.parametrize(("who", "channel"), [("own", "speed"), ("own", "x"), ("van", "speed"), ("van", "station")])
def test_a_number_that_stands_for_none_is_not_measured(who: str, channel: str, filled: float) -> None:
    """The largest float32 and float64 fill some feeds where there is no value: judged as a speed, they break every
    band. Frames by themselves and in a table come to the same."""
    absent = without_a_value(who, channel)
    assert absent.verdict != "invalid"
    entries = entries_of(filled_with(who, channel, filled))
    assert trials_by([entries])[0] == absent
    # by themselves those that have it and a quarter of a second about them: each that is taken alone costs 0.6 ms
    first, last = (
        bisect_left(entries, (t + about) * 1e9, key=attrgetter("monotonic_ns"))
        for t, about in zip(WITHOUT_A_VALUE, (-0.25, 0.25), strict=True)
    )
    singly = [[entry] for entry in entries[first:last]]
    assert trials_by([entries[:first], *singly, entries[last:]])[0] == absent


def trials_by(blocks: list[list[Entry]]) -> tuple[Trial, ...]:
    session = Session(study_of(), opening_of(study_of()))
    for block in blocks:
        session.take(block)
    return tuple(session.trials())
