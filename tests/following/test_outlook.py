"""The outlook before a fire: what is said of the coming trial, the seconds left, and why; no masked response leaks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from monitor.following.building import Viewing, build_view
from monitor.following.coming.channels import ChannelWatch
from monitor.following.coming.outlook import HIDDEN, look_out
from monitor.following.coming.view import OutlookRow, OutlookView
from monitor.following.heading.table import over_the_ladder
from monitor.following.view import LiveView, RecorderView
from monitor.judging.session import Session
from monitor.simulation.plan import SimulationPlan
from tests.judging import simulated
from tests.judging.hand import FIRE_T, SPEED, STUDY, HandDrive, dips, entries_of, opening_of, study_of

RECORDING = RecorderView("recording", 400.0, 0, "")


@dataclass(frozen=True)
class Looked:
    """The outlook, and what stands over its ladder."""

    view: OutlookView
    word: str
    sentence: str

    @property
    def seconds_left(self) -> float | None:
        return self.view.seconds_left

    def row(self, name: str) -> OutlookRow:
        return next(one for one in self.view.rows if one.condition.name == name)


def session_until(drive: HandDrive, until_t: float, text: str = STUDY) -> Session:
    study = study_of(text)
    session = Session(study, opening_of(study))
    session.take(one for one in entries_of(drive, close=False) if one.monotonic_ns <= until_t * 1e9 + 1)
    return session


def looked(drive: HandDrive, until_t: float, text: str = STUDY) -> LiveView:
    """The view as of a time of the drive."""
    return build_view(
        session_until(drive, until_t, text), Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1)
    )


def at(drive: HandDrive, until_t: float, text: str = STUDY) -> Looked:
    view = looked(drive, until_t, text)
    head = over_the_ladder(view)
    assert view.outlook is not None
    assert head is not None
    return Looked(view.outlook, head.word, head.sentence.removeprefix("gate-brake: "))


def masked_at(drive: HandDrive, until_t: float, text: str = STUDY) -> OutlookView:
    session = session_until(drive, until_t, text)
    view = look_out(session, session.drives[0], masked=True)
    assert view is not None
    return view


@pytest.mark.parametrize("before_s", [7.0, 3.0, 1.0, 0.5])
def test_the_seconds_left_are_the_way_left_at_the_speed_now(before_s: float) -> None:
    view = at(HandDrive(), FIRE_T - before_s)
    assert view.seconds_left == pytest.approx(before_s, abs=1e-4)
    assert (view.word, view.view.trigger, view.sentence) == ("READY", "gate-brake", "every condition holds")


def test_what_fails_is_said_with_value_and_band() -> None:
    text = STUDY.replace("at_most = 1.9", "at_most = 1.4")  # the gap is 1.5 s
    view = at(HandDrive(), FIRE_T - 7.0, text)
    assert (view.word, view.sentence) == ("HOLD", "time gap will be 1.50 s, band 1.3 to 1.4 s")
    assert view.row("time gap").words == "0.10 s too long"
    # 2 m are too much, and the car may drive 21 m/s: at 2 m/s² and then 1 m/s faster than the van that takes 1.6 s
    # (the gap in seconds shrinks with the speed as well), so that it is lost from there on
    horizon = view.row("time gap").lost_in_s
    assert horizon is not None
    assert 7.0 - horizon == pytest.approx(0.85, abs=0.1)
    assert at(HandDrive(), FIRE_T - 1.2, text).word == "HOLD"
    assert at(HandDrive(), FIRE_T - 0.5, text).word == "LET IT RUN"


def test_a_gap_far_too_long_is_lost_as_soon_as_no_driving_can_close_it() -> None:
    text = STUDY.replace("at_most = 1.9", "at_most = 1.0").replace("at_least = 1.3", "at_least = 0.5")
    row = at(HandDrive(), FIRE_T - 9.0, text).row("time gap")
    # 1.5 s at 20 m/s; at 21 m/s, the fastest that still counts, 1.0 s are 21 m: 9 m at 1 m/s after half a second
    assert row.lost_in_s == pytest.approx(9.0 - 9.25, abs=0.1)
    assert at(HandDrive(), FIRE_T - 8.5, text).word == "LOSING"


def test_a_gap_that_comes_in_is_held_and_then_ready() -> None:
    # the van is 10 m further ahead at first and the gap closes by 1 m/s until the fire: 1.5 s there, 1.9 s from 2 s
    def van(t: float) -> dict[str, float]:
        more = max(FIRE_T - t, 0.0)
        place = 135.25 + SPEED * t + more
        return {"station": place, "x": place, "speed": SPEED - 1.0} if t < FIRE_T else {}

    coming = HandDrive(van=van)
    early = at(coming, 1.8)
    assert early.word == "HOLD"
    assert early.sentence == "time gap is 1.91 s, band 1.3 to 1.9 s, 1.50 foreseen"
    gap = early.row("time gap")
    assert (gap.trend, gap.words, gap.foreseen) == (1, "0.01 s too long, coming in, 1.50 foreseen", "fails")
    assert at(coming, FIRE_T - 1.0).word == "READY"


def test_what_has_failed_for_less_than_a_second_is_no_news() -> None:
    slow = HandDrive(own_speed=dips(18.5, 2.0, 30.0))
    assert at(slow, 2.9).word == "READY"
    assert at(slow, 3.2).word == "HOLD"


def test_a_gap_that_goes_out_is_held_before_it_is_out() -> None:
    away = HandDrive(van_decel=lambda t: -2.0 if 3.75 < t < 4.25 else 0.0)
    # at 8 s the gap is 1.7 s and grows by 0.05 s a second: 1.8 s at the fire at 10 s; with a band up to 1.75 s it fails
    text = STUDY.replace("at_most = 1.9", "at_most = 1.75")
    view = at(away, FIRE_T - 2.0, text)
    gap = view.row("time gap")
    assert gap.condition.result == "met"
    assert gap.trend == -1
    assert gap.words == "0.05 inside, leaving, 1.80 foreseen"
    assert (view.word, view.sentence) == ("HOLD", "time gap will be 1.80 s, band 1.3 to 1.75 s")


def foot(t: float) -> dict[str, float]:
    """A pedal that a foot is on."""
    return {"accelerator": 0.3 + 0.02 * math.sin(t)}


def test_what_was_out_of_a_window_cannot_come_right() -> None:
    # own speed must hold for 3 s before the fire; it was out 2 s before it
    slow = HandDrive(own_speed=dips(18.5, 7.95, 8.05, 0.3), own=foot)
    before = at(slow, 7.5)
    assert before.word == "READY"
    view = at(slow, 9.0)
    assert view.word == "LET IT RUN"
    assert view.sentence == "own speed has been out of its band, 19 to 21 m/s"


def test_a_share_of_the_window_may_be_out() -> None:
    text = STUDY.replace("during = [-3.0, 0.0]", "during = [-3.0, 0.0]\nshare = 0.8")
    slow = HandDrive(own_speed=dips(18.5, 7.5, 7.8), own=foot)
    assert at(slow, 9.5, text).word == "READY"
    slower = HandDrive(own_speed=dips(18.5, 7.2, 8.0), own=foot)
    assert at(slower, 9.5, text).word == "LET IT RUN"


EYES = '[[trigger.condition]]\nname = "eyes"\nmeasure = "eyes_on_road"\nat_most = 0.5\n[trigger.alert]'


def test_what_cannot_be_foreseen_is_named_as_still_to_come() -> None:
    text = STUDY.replace("[trigger.alert]", EYES)
    up = HandDrive(signals=lambda t: {"eyes_on_road": True})
    view = at(up, FIRE_T - 5.0, text)
    assert (view.word, view.sentence) == ("READY", "all else holds; still to come: eyes")
    assert at(up, FIRE_T - 0.8, text).word == "HOLD"
    assert at(up, FIRE_T - 0.8, text).sentence == "eyes is 1.00, band at most 0.5"


def test_a_condition_may_settle_late() -> None:
    text = STUDY.replace("at_most = 1.9", "at_most = 1.4\nsettles_at_s = 4.0")
    view = at(HandDrive(), FIRE_T - 5.0, text)
    assert (view.word, view.sentence) == ("READY", "all else holds; still to come: time gap")
    assert at(HandDrive(), FIRE_T - 3.5, text).word == "HOLD"


def test_a_gaze_signal_that_is_silent_is_told_and_one_that_never_was_is_called() -> None:
    text = STUDY.replace("[trigger.alert]", EYES.replace("eyes_on_road", "gaze_valid")).replace(
        "[signals.eyes_on_road]", '[signals.gaze_valid]\nsource = "driver"\n[signals.eyes_on_road]'
    )
    silent = HandDrive(signals=lambda t: {"gaze_valid": 0.0 if t < 4.0 else math.nan})
    assert at(silent, 4.5, text).word == "READY"
    told = at(silent, 5.5, text)
    assert (told.word, told.sentence) == ("LOSING", "eyes: not measured, band at most 0.5")
    never = HandDrive(signals=lambda t: {"eyes_on_road": math.nan})
    assert at(never, 5.5, STUDY.replace("[trigger.alert]", EYES)).word == "READY"


BEFORE = "[trigger.before]\nlook_back_s = 1.0\naccelerator_at_least = 0.02\n[trigger.hazard]"


def test_the_pedals_before_the_hazard_are_rungs() -> None:
    text = STUDY.replace("[trigger.hazard]", BEFORE)
    pressed = HandDrive(own=lambda t: {"brake": 0.1} if 5.0 < t < 5.3 or t > 9.2 else {})
    assert [row.condition.name for row in at(pressed, 4.0, text).view.rows] == [
        "time gap",
        "own speed",
        "brake pedal",
        "accelerator",
    ]
    assert at(pressed, 5.2, text).word == "READY"  # a foot that touches it five seconds before is off it in time
    view = at(pressed, 9.3, text)
    assert view.row("brake pedal").why == "brake pedal has been out of its band, at most 0.03"
    assert view.word == "LET IT RUN"
    assert view.sentence.startswith("The brake pedal was at 0.10 within 1.0 s before the fire")
    coasting = HandDrive(own=lambda t: {"accelerator": 0.0})
    assert at(coasting, 5.0, text).word == "HOLD"
    assert at(coasting, 9.9, text).sentence.startswith("accelerator")


def test_an_advisory_condition_holds_nothing_up() -> None:
    text = STUDY.replace("at_most = 1.9", "at_most = 1.4\nrequired = false")
    assert at(HandDrive(), FIRE_T - 5.0, text).word == "READY"


def test_conditions_after_the_fire_have_no_outlook() -> None:
    assert [row.condition.name for row in at(HandDrive(), 5.0).view.rows] == ["time gap", "own speed"]


def rule(measure: str, band: str, edge: str = "rising", more: str = "") -> str:
    old = 'measure = "station"\nat_least = 300.0\nedge = "rising"\n'
    return STUDY.replace(old, f'measure = "{measure}"\n{more}{band}\nedge = "{edge}"\n')


def test_a_rule_on_the_time_gap_is_foreseen_by_its_trend() -> None:
    # closing by 1 m/s from 40 m: the gap of 1.5 s (30 m) comes at 10 s
    def van(t: float) -> dict[str, float]:
        return {"station": 135.25 + SPEED * t + 10.0 - t, "speed": SPEED - 1.0, "accel": 0.0}

    text = rule("time_gap", "at_most = 1.5", more='role = "lead"\n')
    view = at(HandDrive(fire_t=None, markers=[], van=van), 6.0, text)
    assert view.seconds_left == pytest.approx(4.0, abs=0.05)


def test_a_rule_on_ttc_is_foreseen_by_its_trend() -> None:
    # closing by 4 m/s from 70 m: TTC is 17.5 s at first and falls by one second a second; 10.0 s come at 7.5 s
    def van(t: float) -> dict[str, float]:
        return {"station": 105.25 + 70.0 + 16.0 * t, "speed": 16.0, "accel": 0.0}

    text = rule("ttc", "at_most = 10.0", more='role = "lead"\n')
    view = at(HandDrive(fire_t=None, markers=[], van=van), 5.0, text)
    assert view.seconds_left == pytest.approx(2.5, abs=0.05)


def test_what_goes_the_other_way_has_no_time() -> None:
    def van(t: float) -> dict[str, float]:
        return {"station": 135.25 + SPEED * t + t, "speed": SPEED + 1.0}

    text = rule("time_gap", "at_most = 1.4", more='role = "lead"\n')
    assert at(HandDrive(fire_t=None, markers=[], van=van), 5.0, text).seconds_left is None


def test_a_delay_is_added_and_an_edge_that_was_passed_is_not_waited_for() -> None:
    assert at(HandDrive(), 5.0, rule("station", "at_least = 300.0", more="delay_s = 0.5\n")).seconds_left == (
        pytest.approx(5.5)
    )
    passed = rule("station", "at_least = 50.0")
    assert at(HandDrive(), 5.0, passed).seconds_left is None


def test_a_trigger_is_armed_first() -> None:
    armed = STUDY.replace(
        "[[trigger.fires_when]]",
        '[[trigger.armed_when]]\nmeasure = "station"\nat_least = 340.0\n[[trigger.fires_when]]',
    ).replace('at_least = 300.0\nedge = "rising"', "at_least = 300.0")
    assert at(HandDrive(fire_t=12.0), 5.0, armed).seconds_left == pytest.approx(7.0)


def test_a_trigger_that_should_have_fired_is_not_waited_for_any_more() -> None:
    never = HandDrive(fire_t=None, markers=[])
    assert looked(never, FIRE_T + 0.02).saved is None, "its marker is on the way"
    view = looked(never, FIRE_T + 0.5)
    assert view.outlook is None
    assert view.saved is not None
    assert view.saved.why == (
        "Not known yet whether anything showed: gate-brake should have fired 0 s ago and no marker has come."
    )


def test_after_the_fire_nothing_is_waited_for() -> None:
    assert looked(HandDrive(), FIRE_T + 0.5).outlook is None
    assert looked(HandDrive(), 30.0).outlook is None


def test_a_car_that_stands_has_no_time() -> None:
    standing = HandDrive(own=lambda t: {"speed": 0.0, "station": 200.0, "x": 200.0})
    assert at(standing, 5.0).seconds_left is None


def test_numbers_that_are_missing_do_not_break_it() -> None:
    nothing = HandDrive(own=lambda t: {"speed": math.nan, "station": math.nan, "lane_offset": math.nan})
    view = at(nothing, 5.0)
    assert view.word == "LOSING"
    assert view.row("own speed").words == "not measured"


@pytest.mark.slow
def test_channels_that_disagree_hold_the_trial_before_it_fires() -> None:
    text = STUDY.replace("at_least = 19.0\nat_most = 21.0", "at_least = 18.0\nat_most = 24.0")
    text = text.replace("at_least = 1.3\n", "at_least = 1.2\n").replace("at_most = 1.9\n", "at_most = 1.45\n")
    scaled = HandDrive(own=lambda t: {"speed": 1.1 * SPEED})
    view = at(scaled, FIRE_T - 1.0, text)
    assert view.word != "READY"
    assert "speed and x, y disagree" in view.sentence
    # it begins 2 s before the fire, and is on the screen as soon as it can be told
    late = HandDrive(own=lambda t: {"speed": SPEED if t < FIRE_T - 2.0 else 23.9})
    told = [t / 10.0 for t in range(70, 100) if "disagree" in at(late, t / 10.0, text).sentence]
    assert min(told) <= FIRE_T - 2.0 + 0.6


def test_a_body_that_jumps_is_on_the_screen_at_once() -> None:
    jumps = HandDrive(van=lambda t: {"x": HandDrive().place_of_van(t) + 6.0} if 8.0 < t < FIRE_T else {})
    assert at(jumps, 7.9).word == "READY"
    assert "jumped by 6.0 m" in at(jumps, 8.3).sentence


SINCE = """[[trigger.condition]]
name = "rested"
measure = "time_since"
event = "task_start"
at_least = 6.0
"""


def test_the_time_since_something_comes_by_itself_if_there_is_enough_of_it() -> None:
    text = STUDY.replace("[trigger.alert]", f"{SINCE}[trigger.alert]")
    early = at(HandDrive(markers=[(2.0, "task_start", "arrows", {})]), FIRE_T - 7.0, text)
    assert (early.word, early.row("rested").foreseen) == ("READY", "to come")
    assert early.sentence == "all else holds; still to come: rested"
    late = at(HandDrive(markers=[(4.5, "task_start", "arrows", {})]), FIRE_T - 4.0, text)
    assert late.row("rested").foreseen == "fails"
    assert late.word == "HOLD"


OFTEN = STUDY.replace('surprise_class = "rear-end"\n', 'expected = "any"\n')


def test_an_event_of_many_that_surprise_nobody_holds_nobody_up() -> None:
    text = OFTEN.replace("at_most = 1.9", "at_most = 1.4")
    view = at(HandDrive(), FIRE_T - 7.0, text)
    assert view.word == "LATER"
    assert view.sentence.endswith("comes as it comes; now out: time gap.")
    assert at(HandDrive(), FIRE_T - 0.5, text).word == "LATER"


# --- what a blind study hides -----------------------------------------------------------------------------------------


def test_a_masked_outlook_tells_nothing_of_speed_gap_or_time() -> None:
    # two drives that differ in what the driver does look the same
    def braking(t: float) -> dict[str, float]:
        return {"speed": SPEED - 4.0 * max(t - 3.0, 0.0)} if t < 6.0 else {"speed": 8.0}

    free, slow = (masked_at(drive, 5.5) for drive in (HandDrive(), HandDrive(own=braking)))
    assert (free.hidden, free.seconds_left) == (True, None)
    assert free == slow
    for row in free.rows:
        assert (row.condition.value, row.condition.state, row.words) == (None, "masked", HIDDEN)


def test_a_masked_outlook_shows_what_the_script_alone_decides() -> None:
    more = "".join(
        f'[[trigger.condition]]\nname = "{name}"\nmeasure = "{measure}"\nat_most = 40.0\n'
        for name, measure in (("lane", "lane_offset"), ("the van", "van.speed"), ("eyes", "eyes_on_road"))
    )
    study = STUDY.replace("[trigger.alert]", f"{more}[trigger.alert]") + "[roles.van]\nid = 1\n"
    rows = {one.condition.name: one.condition for one in masked_at(HandDrive(), 5.0, study).rows}
    assert rows["the van"].value == SPEED
    assert (rows["lane"].value, rows["eyes"].value) == (None, None)


# --- over whole simulated drives --------------------------------------------------------------------------------------


def walked(scenario: str, seed: int) -> Iterator[tuple[float, LiveView]]:
    """Seconds before the fire of gate-brake as it came, with the view then, from 12 s before it on."""
    plan = SimulationPlan(scenario=scenario, seed=seed, rate_hz=20.0, group="chime")
    entries = simulated.entries_of(plan)
    whole = Session(simulated.dusk_road(), simulated.opening_of(plan))
    whole.take(entries)
    fired_at = whole.trials()[0].fired_at
    assert fired_at is not None
    session, channels = Session(simulated.dusk_road(), simulated.opening_of(plan)), ChannelWatch()
    begin = 0
    for tenth in range(120, 2, -5):
        until = next(i for i, one in enumerate(entries) if one.monotonic_ns / 1e9 > fired_at - tenth / 10.0)
        session.take(entries[begin:until])
        begin = until
        view = build_view(session, Viewing(record="r", recorder=RECORDING, age_s=0.0, revision=1), channels=channels)
        assert view.t is not None
        yield fired_at - view.t, view


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_clean_drive_is_ready_all_the_way(seed: int) -> None:
    for before_s, view in walked("clean", seed):
        head = over_the_ladder(view)
        assert head is not None
        assert head.word == "READY", (before_s, head.sentence)
        assert head.seconds == pytest.approx(before_s, abs=0.15)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scenario", "told_from_s", "words"),
    [
        ("gap-too-long", 12.0, "time gap"),
        ("too-slow", 3.0, "own speed"),
        ("lane-straddle", 4.1, "lane offset"),
        ("platform-faded", 12.0, "motion platform stopped"),
        ("slow-motion", 12.0, "time ran slower"),
    ],
)
def test_a_drive_that_will_fail_is_told_in_time(scenario: str, told_from_s: float, words: str) -> None:
    for before_s, view in walked(scenario, 1):
        head = over_the_ladder(view)
        assert head is not None
        if before_s <= told_from_s:
            assert head.word in ("HOLD", "LOSING", "LET IT RUN"), (before_s, head)
            assert words in head.sentence
        if before_s < 3.0:
            assert head.word == "LET IT RUN", (before_s, head)
