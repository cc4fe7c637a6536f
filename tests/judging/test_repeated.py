"""Triggers that surprise nobody and come often: one trial each fire, one each miss, whatever happens to the others."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.judging.case.trial import Trial
from monitor.judging.document import trial_json
from monitor.judging.session import Session
from tests.judging.hand import HandDrive, dips, entries_of, found_codes, judged, live, opening_of, study_of

STUDY = """
[study]
name = "often"
participant_pattern = "Q[0-9]+"
[groups.chime]
alert = ["sound"]
[signals.pulse]
source = "scripted"
[[trigger]]
name = "slows"
expected = "any"
refractory_s = 2.0
grace_s = 1.0
[[trigger.fires_when]]
measure = "pulse"
at_least = 0.5
edge = "rising"
[[trigger.condition]]
name = "own speed"
measure = "speed"
at_least = 19.0
at_most = 21.0
[trigger.hazard]
within_s = 1.0
[trigger.hazard.onset]
measure = "pulse"
at_least = 0.5
"""
EVENTS = (4.0, 8.0, 12.0, 16.0, 20.0)


def pulse(*at: float) -> Any:
    """A signal that is 1 for half a second from each of these times on."""
    return lambda t: {"pulse": 1.0 if any(one - 1e-9 <= t < one + 0.5 for one in at) else 0.0}


def fires(*at: float) -> list[tuple[float, str, str, dict[str, Any]]]:
    return [(t, "trigger", "slows", {}) for t in at]


def often(fired: tuple[float, ...], held: tuple[float, ...] = EVENTS, **more: Any) -> HandDrive:
    return HandDrive(
        **{"rate_hz": 20.0, "end_t": 25.0, "fire_t": None, "markers": fires(*fired), "signals": pulse(*held), **more}
    )


def told(trials: tuple[Trial, ...]) -> list[tuple[str, str, str, float | None]]:
    return [(one.id, one.verdict, one.timing.result, one.fired_at or one.timing.expected_at) for one in trials]


def test_each_fire_is_a_valid_trial_and_nobody_is_spent() -> None:
    session = judged(often(EVENTS), study=study_of(STUDY))
    trials = session.trials()
    assert told(trials) == [(f"1/slows/{n}", "valid", "on time", t) for n, t in enumerate(EVENTS, 1)]
    assert [(one.naive, one.surprises, one.findings) for one in trials] == [("yes", False, ())] * 5
    assert [trial_json(one)["surprises"] for one in trials] == [False] * 5
    assert session.shown() == []  # nothing that a later run would have to know


def test_earlier_exposures_do_not_matter_to_it() -> None:
    earlier = [{"surprise_class": "*", "naive": "no", "record": "x", "trial": "1/a/1", "why": "told"}]
    session = judged(often(EVENTS), study=study_of(STUDY), exposures=earlier, exposures_known=False)
    assert {one.verdict for one in session.trials()} == {"valid"}


def test_a_missed_one_is_a_trial_of_its_own_and_moves_no_other() -> None:
    trials = judged(often((4.0, 8.0, 16.0, 20.0)), study=study_of(STUDY)).trials()
    assert told(trials) == [
        ("1/slows/1", "valid", "on time", 4.0),
        ("1/slows/2", "valid", "on time", 8.0),
        ("1/slows/3", "invalid", "missed", 12.0),
        ("1/slows/4", "valid", "on time", 16.0),
        ("1/slows/5", "valid", "on time", 20.0),
    ]
    assert found_codes(trials[2]) == ["trigger-missed"]


def test_one_too_many_moves_no_other() -> None:
    trials = judged(often((4.0, 8.0, 10.5, 12.0, 16.0, 20.0)), study=study_of(STUDY)).trials()
    assert [one[1:3] for one in told(trials)] == [
        ("valid", "on time"),
        ("valid", "on time"),
        ("invalid", "early"),
        ("invalid", "on time"),  # 1.5 s after the one too many: within the refractory time
        ("valid", "on time"),
        ("valid", "on time"),
    ]
    assert found_codes(trials[2]) == ["fired-early", "hazard-missing"]
    assert "its own rule did not begin to hold within 1 s of it" in trials[2].findings[0].sentence
    assert found_codes(trials[3]) == ["fired-too-soon"]
    assert trials[3].findings[0].sentence == (
        "slows fired 1.50 s after its fire at 10.50 s; its refractory time is 2.00 s."
    )


def test_a_fire_answers_the_nearest_time_of_the_rule_alone() -> None:
    # both are within the grace time of the one fire
    text = STUDY.replace("grace_s = 1.0", "grace_s = 3.0")
    trials = judged(often((10.5,), (8.0, 10.5)), study=study_of(text)).trials()
    assert sorted(one[2:] for one in told(trials)) == [("missed", 8.0), ("on time", 10.5)]


def test_two_markers_of_one_instant_are_one_event() -> None:
    trials = judged(often((4.0, 4.0, 8.0), (4.0, 8.0)), study=study_of(STUDY)).trials()
    assert [one[1:3] for one in told(trials)] == [("valid", "on time"), ("invalid", "double"), ("valid", "on time")]
    assert trials[1].findings[0].sentence == "slows fired again at 4.00 s; another marker says so of this instant."


@pytest.mark.parametrize(("second", "results"), [(6.0, ["on time"] * 2), (5.95, ["on time", "early"])])
def test_the_refractory_time_is_over_at_its_very_end(second: float, results: list[str]) -> None:
    trials = judged(often((4.0, second), (4.0, second)), study=study_of(STUDY)).trials()
    assert [one.timing.result for one in trials] == results


def test_a_rule_of_a_signal_that_is_never_sent_can_not_be_told() -> None:
    drive = HandDrive(rate_hz=20.0, end_t=25.0, fire_t=None, markers=fires(*EVENTS))
    trials = judged(drive, study=study_of(STUDY)).trials()
    assert {(one.verdict, one.timing.result) for one in trials} == {("undecided", "not stated")}
    assert "timing-unsure" in found_codes(trials[0])
    assert "pulse had no value at" in next(one.sentence for one in trials[0].findings if one.code == "timing-unsure")


def test_the_rule_does_not_hold_within_the_refractory_time() -> None:
    held = (*EVENTS[:2], 9.5, *EVENTS[2:])  # 9.5 is 1.5 s after 8.0: no fire is expected
    trials = judged(often(EVENTS, held), study=study_of(STUDY)).trials()
    assert [one[1:3] for one in told(trials)] == [("valid", "on time")] * 5


def test_late_and_early_are_told_each_against_its_own_time() -> None:
    trials = judged(often((4.0, 8.6, 12.0, 15.4, 20.0)), study=study_of(STUDY)).trials()
    assert [one.timing.result for one in trials] == ["on time", "late", "on time", "early", "on time"]
    assert [one.timing.delay_s for one in trials] == pytest.approx([0.0, 0.6, 0.0, -0.6, 0.0])


def test_a_number_that_is_expected_is_filled_up_at_the_end() -> None:
    text = STUDY.replace('expected = "any"', "expected = 7")
    trials = judged(often((4.0, 8.0, 16.0, 20.0)), study=study_of(text)).trials()
    assert [one[1:3] for one in told(trials)] == [
        ("valid", "on time"),
        ("valid", "on time"),
        ("invalid", "missed"),
        ("valid", "on time"),
        ("valid", "on time"),
        ("invalid", "not reached"),
        ("invalid", "not reached"),
    ]


def test_more_than_expected_is_one_too_many() -> None:
    text = STUDY.replace('expected = "any"', "expected = 3")
    trials = judged(often(EVENTS), study=study_of(text)).trials()
    assert [one.timing.result for one in trials] == ["on time"] * 3 + ["double"] * 2
    assert [found_codes(one) for one in trials[3:]] == [["fired-twice"], ["fired-twice"]]
    assert "3 times are expected in this drive" in trials[3].findings[0].sentence
    assert trials[3].what_now == "Go on: this fire was one more than the 3 of this drive, and does not count."


def test_a_drive_that_should_fire_none_of_them() -> None:
    text = STUDY.replace("[groups.chime]", '[scenarios]\npractice = "none"\n[groups.chime]').replace(
        "refractory_s", "expected_by_scenario = { practice = 0 }\nrefractory_s"
    )
    assert judged(often((), scenario="practice"), study=study_of(text)).trials() == ()
    (fired,) = judged(often((8.0,), scenario="practice"), study=study_of(text)).trials()
    assert found_codes(fired) == ["fired-unexpected"]


def test_while_the_drive_goes_on_the_next_one_is_waited_for_and_is_no_trial() -> None:
    session = live(often(EVENTS, ends=False), study=study_of(STUDY))
    assert len(session.trials()) == 5
    assert [track.is_waiting for track in session.drives[0].tracks["slows"]] == [False] * 5 + [True]
    ended = judged(often(EVENTS), study=study_of(STUDY))
    assert len(ended.drives[0].tracks["slows"]) == 5


def test_a_condition_is_asked_of_each_on_its_own() -> None:
    drive = often(EVENTS, own_speed=dips(23.0, 7.4, 8.6, 0.5))
    trials = judged(drive, study=study_of(STUDY)).trials()
    assert [one.conditions[0].result for one in trials] == ["met", "not met", "met", "met", "met"]


def test_a_marker_that_comes_when_it_was_given_up_fills_its_own_place() -> None:
    entries = entries_of(often(EVENTS))
    places = [index for index, one in enumerate(entries) if b"marker" in one.payload[:20] and b"slows" in one.payload]
    late = entries.pop(places[1])
    entries.insert(places[1] + round(4.5 * 21), late)
    session = Session(study_of(STUDY), opening_of(study_of(STUDY)))
    session.take(
        [
            type(one)(one.kind, number, number * 10**6, number * 10**6, one.payload)
            for number, one in enumerate(entries, 1)
        ]
    )
    trials = session.trials()
    assert [(one.id, one.fired_at, one.timing.result) for one in trials][1] == ("1/slows/2", 8.0, "on time")
    assert len(trials) == 5


def test_what_now_is_about_the_events_to_come() -> None:
    text = STUDY.replace('expected = "any"', "expected = 5")
    trials = judged(often((4.0, 8.0, 16.0, 20.0)), study=study_of(text)).trials()
    assert trials[2].what_now == "Go on: number 3 of slows is lost; 2 of 5 are still to come."
    drive = often(EVENTS, own_speed=dips(23.0, 7.4, 8.6, 0.5))
    assert judged(drive, study=study_of(STUDY)).trials()[1].what_now == (
        "Go on: number 2 of slows is lost; the next one counts again."
    )


# --- treatments within a participant ----------------------------------------------------------------------------------

WITHIN = (
    STUDY.replace(
        '[groups.chime]\nalert = ["sound"]',
        '[treatments.chime]\nalert = ["sound"]\n[treatments.silent]\nalert = []\n'
        '[groups.AB]\norder = ["chime", "silent"]\n[groups.BA]\norder = ["silent", "chime"]\neach = 2',
    )
    .replace('expected = "any"', "expected = 5")
    .replace("[trigger.hazard]", "[trigger.alert]\nlatest_s = 0.6\n[trigger.hazard]")
)


def given(**alerts: float) -> list[tuple[float, str, str, dict[str, Any]]]:
    return [(t, "alert_on", "a", {"modality": "sound", "measured": True}) for t in alerts.values()]


def within(group: str, alerts: tuple[float, ...], named: dict[float, str] | None = None) -> tuple[Trial, ...]:
    drive = often(EVENTS, group=group)
    drive.markers = [
        *((t, "trigger", "slows", {"treatment": named[t]} if named and t in named else {}) for t in EVENTS),
        *((t + 0.3, "alert_on", "a", {"modality": "sound", "measured": True}) for t in alerts),
    ]
    return judged(drive, study=study_of(WITHIN), group=group).trials()


def test_each_trial_has_the_treatment_that_the_order_gives() -> None:
    trials = within("AB", (4.0, 12.0, 20.0))
    assert [one.treatment for one in trials] == ["chime", "silent", "chime", "silent", "chime"]
    assert [one.verdict for one in trials] == ["valid"] * 5
    assert trial_json(trials[1])["treatment"] == "silent"
    assert [one.treatment for one in within("BA", (12.0, 16.0))] == ["silent", "silent", "chime", "chime", "silent"]


def test_an_alert_of_another_treatment_is_told() -> None:
    trials = within("AB", (4.0, 8.0, 20.0))
    assert [one.verdict for one in trials] == ["valid", "invalid", "invalid", "valid", "valid"]
    assert found_codes(trials[1]) == ["alert-wrong"]
    assert (
        trials[1].findings[0].sentence.startswith("Number 2 of order AB (silent) is assigned no alert, but sound was")
    )
    assert found_codes(trials[2]) == ["alert-missing"]


def test_a_treatment_that_the_marker_names_is_held_against_the_order() -> None:
    trials = within("AB", (4.0, 12.0, 20.0), {4.0: "chime", 8.0: "chime"})
    assert [found_codes(one) for one in trials[:2]] == [[], ["treatment-mismatch"]]
    assert trials[1].verdict == "invalid"


def test_the_alert_of_a_missed_event_is_accounted_for() -> None:
    drive = often((4.0, 8.0, 16.0, 20.0), group="AB")
    drive.markers += given(first=4.3, missed=12.3, last=20.3)
    trials = judged(drive, study=study_of(WITHIN), group="AB").trials()
    assert [one.verdict for one in trials] == ["valid", "valid", "invalid", "valid", "valid"]


def test_an_alert_of_no_event_spoils_the_next_one_alone() -> None:
    drive = often(EVENTS, group="AB")
    drive.markers += given(first=4.3, stray=10.0, third=12.3, last=20.3)
    trials = judged(drive, study=study_of(WITHIN), group="AB").trials()
    assert [found_codes(one) for one in trials] == [[], [], ["alert-before-fire"], [], []]
    # one that is known to be still on spoils every one of them until it ends
    drive.markers.append((17.0, "alert_off", "a", {"modality": "sound"}))
    drive.markers.sort(key=lambda one: one[0])
    trials = judged(drive, study=study_of(WITHIN), group="AB").trials()
    assert [found_codes(one) for one in trials] == [[], [], ["alert-before-fire"], ["alert-before-fire"], []]


def test_a_missed_event_keeps_its_place_in_the_order() -> None:
    drive = often((4.0, 12.0, 16.0, 20.0), group="AB")
    drive.markers += [(t + 0.3, "alert_on", "a", {"modality": "sound"}) for t in (4.0, 12.0, 20.0)]
    trials = judged(drive, study=study_of(WITHIN), group="AB").trials()
    assert [(one.treatment, one.verdict) for one in trials] == [
        ("chime", "valid"),
        ("silent", "invalid"),
        ("chime", "valid"),
        ("silent", "valid"),
        ("chime", "valid"),
    ]
