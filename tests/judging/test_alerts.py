"""The alert given against the one assigned: modality or combination, delay, duration, missing, doubled, wrong."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.judging.case.trial import Trial
from tests.judging.hand import FIRE_T, STUDY, HandDrive, Mark, found_codes, judged, live, study_of

TEXT = STUDY.replace(
    "[groups.no-alert]",
    '[groups.seat]\nalert = ["vibration"]\n[groups.both]\nalert = ["sound", "light"]\n[groups.no-alert]',
)


def on(after_s: float, modality: Any = "sound", **data: Any) -> Mark:
    return (FIRE_T + after_s, "alert_on", "alert", {"modality": modality, **data})


def off(after_s: float, modality: Any = "sound", **data: Any) -> Mark:
    return (FIRE_T + after_s, "alert_off", "alert", {"modality": modality, **data})


def given(*markers: Mark, group: str | None = "chime", text: str = TEXT, **more: Any) -> Trial:
    drive = HandDrive(markers=list(markers), group=group, end_t=18.0, **more)
    return judged(drive, study=study_of(text), group=group).trials()[0]


@pytest.mark.parametrize(
    ("markers", "group", "result", "codes", "verdict"),
    [
        ([on(0.3)], "chime", "as assigned", [], "valid"),
        ([], "no-alert", "none, as assigned", [], "valid"),
        ([], "chime", "missing", ["alert-missing"], "invalid"),
        ([on(0.3, "vibration")], "chime", "wrong", ["alert-wrong"], "invalid"),
        ([on(0.3)], "no-alert", "wrong", ["alert-wrong"], "invalid"),
        ([on(0.3), on(0.3, "light")], "chime", "wrong", ["alert-wrong"], "invalid"),
        ([on(0.6)], "chime", "as assigned", [], "valid"),  # the band 0.1–0.6 s is closed
        ([on(0.62)], "chime", "late", ["alert-late"], "undecided"),
        ([on(0.08)], "chime", "early", ["alert-early"], "undecided"),
        ([on(-0.4)], "chime", "early", ["alert-early"], "undecided"),
        ([on(0.3), on(0.9)], "chime", "doubled", ["alert-doubled"], "undecided"),
        # looked for one second beyond the band: what comes later is no alert of this trigger
        ([on(1.5)], "chime", "late", ["alert-late"], "undecided"),
        ([on(1.8)], "chime", "missing", ["alert-missing"], "invalid"),
        # combinations: by one marker or by one each
        ([on(0.3, ["sound", "light"])], "both", "as assigned", [], "valid"),
        ([on(0.3), on(0.32, "light")], "both", "as assigned", [], "valid"),
        ([on(0.3)], "both", "wrong", ["alert-wrong"], "invalid"),
        ([on(0.3), on(0.9, "light")], "both", "late", ["alert-late"], "undecided"),
        ([on(0.3, [])], "chime", "not known", ["alert-unknown"], "undecided"),
    ],
)
def test_what_was_given_against_what_is_assigned(
    markers: list[Mark], group: str, result: str, codes: list[str], verdict: str
) -> None:
    trial = given(*markers, group=group)
    assert (trial.alert.result, found_codes(trial), trial.verdict) == (result, codes, verdict)


@pytest.mark.parametrize(
    ("markers", "group", "sentence"),
    [
        (
            [on(0.3, "vibration")],
            "chime",
            "Group chime is assigned sound, but vibration was given at 10.30 s (+0.30 s from the fire).",
        ),
        ([], "both", "Group both is assigned sound with light, but no alert came until 1.60 s after the fire."),
        ([on(0.3)], "both", "Group both is assigned sound with light, but only sound was given."),
        ([on(0.3)], "no-alert", "Group no-alert is assigned no alert, but sound was given at 10.30 s (+0.30 s from"),
        ([on(0.9)], "chime", "The alert came 0.90 s after the fire (commanded), band 0.10–0.60 s."),
        ([on(0.9, measured=True)], "chime", "The alert came 0.90 s after the fire (measured), band 0.10–0.60 s."),
        ([on(0.3), on(0.9, "light")], "both", "The alert's light came 0.90 s after the fire (commanded), band"),
        ([on(0.3), on(1.1)], "chime", "The alert (sound) was given a second time at 11.10 s."),
    ],
)
def test_each_finding_names_what_value_band_and_when(markers: list[Mark], group: str, sentence: str) -> None:
    (finding,) = given(*markers, group=group).findings
    assert finding.sentence.startswith(sentence)


def test_commanded_or_measured_is_said() -> None:
    assert given(on(0.3)).alert.evidence == "commanded"
    assert given(on(0.3, measured=True)).alert.evidence == "measured"
    assert given(group="no-alert").alert.evidence is None
    mixed = given(on(0.3, measured=True), on(0.3, "light"), group="both")
    assert mixed.alert.evidence == "commanded"


def test_a_sensor_that_sees_the_command_is_no_second_alert() -> None:
    trial = given(on(0.30), on(0.34, measured=True))
    assert (trial.alert.result, found_codes(trial), trial.alert.evidence) == ("as assigned", [], "measured")
    assert trial.alert.at == pytest.approx(FIRE_T + 0.34)


def test_a_command_counts_with_the_output_delay_of_its_modality() -> None:
    text = TEXT.replace("latest_s = 0.6", "latest_s = 0.6\noutput_delay_s = { sound = 0.05, vibration = 0.20 }")
    trial = given(on(0.3), text=text)
    assert trial.alert.at == pytest.approx(FIRE_T + 0.35)
    assert given(on(0.3, measured=True), text=text).alert.at == pytest.approx(FIRE_T + 0.30)
    late = given(on(0.45, "vibration"), group="seat", text=text)
    assert (late.alert.result, found_codes(late)) == ("late", ["alert-late"])  # 0.45 + 0.20 s


def test_an_alert_that_no_sensor_saw_was_not_produced_where_the_study_has_sensors() -> None:
    text = TEXT.replace("latest_s = 0.6", "latest_s = 0.6\nmeasured = true")
    trial = given(on(0.3), text=text)
    assert (trial.alert.result, found_codes(trial), trial.verdict) == ("missing", ["alert-not-produced"], "invalid")
    assert found_codes(given(on(0.3), on(0.33, measured=True), text=text)) == []


@pytest.mark.parametrize(
    ("lasted", "codes"), [(0.2, ["alert-short"]), (0.3, []), (1.0, []), (2.0, []), (2.1, ["alert-long"])]
)
def test_the_alerts_duration_is_a_note(lasted: float, codes: list[str]) -> None:
    text = TEXT.replace("latest_s = 0.6", "latest_s = 0.6\nat_least_lasting_s = 0.3\nat_most_lasting_s = 2.0")
    trial = given(on(0.3), off(0.3 + lasted), text=text)
    assert (found_codes(trial), trial.verdict) == (codes, "valid")


def test_each_part_of_a_combination_ends_by_its_own_marker() -> None:
    text = TEXT.replace("latest_s = 0.6", "latest_s = 0.6\nat_least_lasting_s = 0.3")
    trial = given(on(0.3), on(0.3, "light"), off(0.4, "light"), off(0.9), group="both", text=text)
    (finding,) = trial.findings
    assert finding.sentence == "The alert's light lasted 0.10 s, at least 0.30 s is asked for."


def test_the_group_may_be_the_simulators() -> None:
    drive = HandDrive(group="no-alert", end_t=18.0)
    trial = judged(drive, study=study_of(TEXT), group=None).trials()[0]
    assert (trial.alert.expected, trial.alert.result) == ((), "wrong")


def test_an_unknown_group_leaves_it_open() -> None:
    for group in (None, "bells"):
        drive = HandDrive(group=None, end_t=18.0)
        trial = judged(drive, study=study_of(TEXT), group=group).trials()[0]
        assert (trial.alert.expected, trial.alert.result) == (None, "not known")
        assert (found_codes(trial), trial.verdict) == (["group-unknown"], "undecided")


@pytest.mark.parametrize(("group", "assigned"), [("chime", "sound"), ("no-alert", "no alert")])
def test_a_lost_marker_may_have_been_the_alert(group: str, assigned: str) -> None:
    # marker 3 never arrives: 40 others follow before the next hello
    others: list[Mark] = [(FIRE_T + 0.3 + 0.0001 * k, "other", "x", {}) for k in range(41)]
    trial = given(*others, group=group, lost_markers=frozenset({3}))
    assert trial.alert.result == "not known"
    assert set(found_codes(trial)) == {"alert-unknown", "marker-lost"}
    assert trial.verdict == "undecided"
    assert any(f"Group {group} is assigned {assigned}" in one.sentence for one in trial.findings)


def test_a_drive_that_ends_first_leaves_it_unknown() -> None:
    drive = HandDrive(markers=[], end_t=FIRE_T + 0.4)
    trial = judged(drive, study=study_of(TEXT)).trials()[0]
    assert trial.alert.result == "not known"
    assert "alert-unknown" in found_codes(trial)


def test_missing_is_said_only_when_nothing_can_come_any_more() -> None:
    # 0.6 s to the latest, 1.0 s of search, 2.0 s that a marker may be late
    for end, result in ((3.5, "open"), (3.7, "missing")):
        drive = HandDrive(markers=[], end_t=FIRE_T + end, ends=False)
        (trial,) = live(drive, study=study_of(TEXT)).trials()
        assert trial.alert.result == result


def test_a_trigger_without_a_rule_about_alerts_states_nothing() -> None:
    text = TEXT.replace("[trigger.alert]\nearliest_s = 0.1\nlatest_s = 0.6\n", "")
    trial = given(on(0.3), text=text)
    assert (trial.alert.result, found_codes(trial)) == ("not stated", [])
