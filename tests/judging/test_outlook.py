"""The outlook before a fire: READY, HOLD or ABORT, the seconds left, and why; nothing of it leaks a masked response."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import pytest

from monitor.following.outlook import HIDDEN, look_out
from monitor.following.view import OutlookView
from monitor.judging.session import Session
from monitor.simulation.plan import SimulationPlan
from tests.judging import simulated
from tests.judging.hand import FIRE_T, SPEED, STUDY, HandDrive, entries_of, opening_of, study_of


def looked(drive: HandDrive, until_t: float, text: str = STUDY, *, masked: bool = False) -> OutlookView | None:
    """The outlook as of a time of the drive."""
    study = study_of(text)
    session = Session(study, opening_of(study))
    session.take(one for one in entries_of(drive, close=False) if one.monotonic_ns <= until_t * 1e9 + 1)
    return look_out(session, session.drives[0], masked=masked)


def at(drive: HandDrive, until_t: float, text: str = STUDY, **more: bool) -> OutlookView:
    view = looked(drive, until_t, text, **more)
    assert view is not None
    return view


@pytest.mark.parametrize("before_s", [7.0, 3.0, 1.0, 0.5])
def test_the_seconds_left_are_the_way_left_at_the_speed_now(before_s: float) -> None:
    view = at(HandDrive(), FIRE_T - before_s)
    assert view.seconds_left == pytest.approx(before_s, abs=1e-4)
    assert (view.heading, view.trigger) == ("READY", "gate-brake")
    assert view.why == f"every condition holds, fires in {before_s:.0f} s"


def test_what_fails_is_said_with_value_band_and_time() -> None:
    text = STUDY.replace("at_most = 1.9", "at_most = 1.4")  # the gap is 1.5 s
    view = at(HandDrive(), FIRE_T - 7.0, text)
    assert (view.heading, view.why) == ("ABORT", "time gap will be 1.50 s, band 1.3 to 1.4 s, fires in 7 s")
    row = next(one for one in view.rows if one.condition.name == "time gap")
    assert row.words == "0.10 s too long"
    long_before = at(replace(HandDrive(), fire_t=None), FIRE_T - 9.9, text.replace("300.0", "600.0"))
    assert long_before.heading == "HOLD"


def test_a_gap_that_comes_in_is_held_and_then_ready() -> None:
    # the van is 10 m further ahead at first and the gap closes by 1 m/s until the fire: 1.5 s there, 1.9 s from 2 s
    def van(t: float) -> dict[str, float]:
        more = max(FIRE_T - t, 0.0)
        place = 135.25 + SPEED * t + more
        return {"station": place, "x": place, "speed": SPEED - 1.0} if t < FIRE_T else {}

    coming = HandDrive(van=van)
    early = at(coming, 1.8)
    assert early.heading == "HOLD"
    assert early.why == "time gap is 1.91 s, band 1.3 to 1.9 s, 1.50 foreseen, fires in 8 s"
    gap = next(one for one in early.rows if one.condition.name == "time gap")
    assert (gap.trend, gap.words) == (1, "0.01 s too long, coming in, 1.50 foreseen")
    assert at(coming, 0.5).heading == "HOLD"  # too little of the past to tell
    assert at(coming, FIRE_T - 1.0).heading == "READY"


def test_a_gap_that_goes_out_is_held_before_it_is_out() -> None:
    def van(t: float) -> dict[str, float]:
        return {"station": 135.25 + SPEED * t + 1.0 * (t - 4.0), "speed": SPEED + 1.0} if 4.0 < t < FIRE_T else {}

    # at 8 s the gap is 1.7 s and grows by 0.05 s a second: 1.8 s at the fire at 10 s; with a band up to 1.75 s it fails
    text = STUDY.replace("at_most = 1.9", "at_most = 1.75")
    view = at(HandDrive(van=van), FIRE_T - 2.0, text)
    gap = next(one for one in view.rows if one.condition.name == "time gap")
    assert gap.condition.result == "met"
    assert gap.trend == -1
    assert gap.words == "0.05 inside, leaving, 1.80 foreseen"
    assert (view.heading, view.why) == ("ABORT", "time gap will be 1.80 s, band 1.3 to 1.75 s, fires in 2 s")
    assert at(HandDrive(van=van), FIRE_T - 3.2, text).heading == "HOLD"


def test_what_was_out_of_a_window_cannot_come_right() -> None:
    # own speed must hold for 3 s before the fire; it was out 2 s before it
    slow = HandDrive(own=lambda t: {"speed": 18.5} if abs(t - 8.0) < 0.05 else {})
    before = at(slow, 7.9)
    assert before.heading == "READY"
    view = at(slow, 9.0)
    assert view.heading == "ABORT"
    assert view.why == "own speed has been out of its band, 19 to 21 m/s, fires in 1 s"


def test_a_share_of_the_window_may_be_out() -> None:
    text = STUDY.replace("during = [-3.0, 0.0]", "during = [-3.0, 0.0]\nshare = 0.8")
    slow = HandDrive(own=lambda t: {"speed": 18.5} if 7.5 < t < 8.0 else {})
    assert at(slow, 9.5, text).heading == "READY"
    slower = HandDrive(own=lambda t: {"speed": 18.5} if 7.2 < t < 8.0 else {})
    assert at(slower, 9.5, text).heading == "ABORT"


def test_what_cannot_be_foreseen_is_waited_for() -> None:
    eyes = '[[trigger.condition]]\nname = "eyes"\nmeasure = "eyes_on_road"\nat_most = 0.5\n[trigger.alert]'
    text = STUDY.replace("[trigger.alert]", eyes)
    up = HandDrive(signals=lambda t: {"eyes_on_road": True})
    assert at(up, FIRE_T - 5.0, text).why == "all else holds; waits for eyes, fires in 5 s"
    assert at(up, FIRE_T - 5.0, text).heading == "READY"
    assert (at(up, FIRE_T - 0.8, text).heading, at(up, FIRE_T - 0.8, text).why) == (
        "HOLD",
        "eyes does not hold yet, fires in 1 s",
    )


def test_an_advisory_condition_holds_nothing_up() -> None:
    text = STUDY.replace("at_most = 1.9", "at_most = 1.4\nrequired = false")
    assert at(HandDrive(), FIRE_T - 5.0, text).heading == "READY"


def test_conditions_after_the_fire_have_no_outlook() -> None:
    assert [row.condition.name for row in at(HandDrive(), 5.0).rows] == ["time gap", "own speed"]


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
        pytest.approx(5.5, abs=1e-4)
    )
    passed = rule("station", "at_least = 50.0")
    assert at(HandDrive(), 5.0, passed).seconds_left is None


def test_a_trigger_is_armed_first() -> None:
    armed = STUDY.replace(
        "[[trigger.fires_when]]",
        '[[trigger.armed_when]]\nmeasure = "station"\nat_least = 340.0\n[[trigger.fires_when]]',
    ).replace('at_least = 300.0\nedge = "rising"', "at_least = 300.0")
    assert at(HandDrive(fire_t=12.0), 5.0, armed).seconds_left == pytest.approx(7.0, abs=1e-4)


def test_a_trigger_that_should_have_fired_is_said() -> None:
    view = at(HandDrive(fire_t=None, markers=[]), FIRE_T + 0.5)
    assert (view.heading, view.seconds_left) == ("HOLD", None)
    assert view.why == "should have fired at 10.00 s, 0.5 s ago: no marker has come"


def test_after_the_fire_nothing_is_waited_for() -> None:
    assert looked(HandDrive(), FIRE_T + 0.5) is None
    assert looked(HandDrive(), 30.0) is None


def test_a_car_that_stands_has_no_time() -> None:
    standing = HandDrive(own=lambda t: {"speed": 0.0, "station": 200.0, "x": 200.0})
    assert at(standing, 5.0).seconds_left is None


def test_numbers_that_are_missing_do_not_break_it() -> None:
    nothing = HandDrive(own=lambda t: {"speed": math.nan, "station": math.nan, "lane_offset": math.nan})
    view = at(nothing, 5.0)
    assert view.heading in ("HOLD", "READY")
    assert next(one for one in view.rows if one.condition.name == "own speed").words == "not measured"


# --- what a blind study hides -----------------------------------------------------------------------------------------


def test_a_masked_outlook_tells_nothing_of_speed_gap_or_time() -> None:
    # two drives that differ in what the driver does look the same
    def braking(t: float) -> dict[str, float]:
        return {"speed": SPEED - 4.0 * max(t - 3.0, 0.0)} if t < 6.0 else {"speed": 8.0}

    free, slow = (at(drive, 5.5, masked=True) for drive in (HandDrive(), HandDrive(own=braking)))
    assert (free.heading, free.seconds_left, free.why) == ("HIDDEN", None, HIDDEN)
    assert free == slow
    for row in free.rows:
        assert (row.condition.value, row.condition.state, row.words) == (None, "masked", HIDDEN)


def test_a_masked_outlook_shows_what_the_script_alone_decides() -> None:
    more = "".join(
        f'[[trigger.condition]]\nname = "{name}"\nmeasure = "{measure}"\nat_most = 40.0\n'
        for name, measure in (("lane", "lane_offset"), ("the van", "van.speed"), ("eyes", "eyes_on_road"))
    )
    study = STUDY.replace("[trigger.alert]", f"{more}[trigger.alert]") + "[roles.van]\nid = 1\n"
    rows = {one.condition.name: one.condition for one in at(HandDrive(), 5.0, study, masked=True).rows}
    assert rows["the van"].value == SPEED
    assert (rows["lane"].value, rows["eyes"].value) == (None, None)


# --- over whole simulated drives --------------------------------------------------------------------------------------


def headings(scenario: str, seed: int) -> Iterator[tuple[float, OutlookView]]:
    """Seconds before the fire of gate-brake as it came, with the outlook then, from 12 s before it on."""
    plan = SimulationPlan(scenario=scenario, seed=seed, rate_hz=20.0, group="chime")
    entries = simulated.entries_of(plan)
    whole = Session(simulated.dusk_road(), simulated.opening_of(plan))
    whole.take(entries)
    fired_at = whole.trials()[0].fired_at
    assert fired_at is not None
    session = Session(simulated.dusk_road(), simulated.opening_of(plan))
    begin = 0
    for tenth in range(120, 2, -5):
        until = next(i for i, one in enumerate(entries) if one.monotonic_ns / 1e9 > fired_at - tenth / 10.0)
        session.take(entries[begin:until])
        begin = until
        view = look_out(session, session.drives[0])
        assert view is not None
        yield tenth / 10.0, view


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_clean_drive_is_ready_all_the_way(seed: int) -> None:
    for before_s, view in headings("clean", seed):
        assert view.heading == "READY", (before_s, view.why)
        assert view.seconds_left == pytest.approx(before_s, abs=0.15)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scenario", "words"),
    [("gap-too-long", "time gap will be 2."), ("too-slow", "own speed"), ("lane-straddle", "lane offset")],
)
def test_a_drive_that_will_fail_is_called_off_in_time(scenario: str, words: str) -> None:
    for before_s, view in headings(scenario, 1):
        assert view.heading != "READY" or (scenario == "lane-straddle" and before_s > 4.0), (before_s, view.why)
        if before_s < (9.5 if scenario == "gap-too-long" else 3.0):
            assert view.heading == "ABORT", (before_s, view.why)
            assert words in view.why


def test_channels_that_disagree_hold_the_trial_before_it_fires() -> None:
    text = STUDY.replace("at_least = 19.0\nat_most = 21.0", "at_least = 18.0\nat_most = 24.0")
    text = text.replace("at_least = 1.3\n", "at_least = 1.2\n").replace("at_most = 1.9\n", "at_most = 1.45\n")
    scaled = HandDrive(own=lambda t: {"speed": 1.1 * SPEED})
    view = at(scaled, FIRE_T - 1.0, text)
    assert view.heading == "HOLD"
    assert "speed and x, y disagree" in view.why
    # it begins 2 s before the fire, and is on the screen as soon as it can be told
    late = HandDrive(own=lambda t: {"speed": SPEED if t < FIRE_T - 2.0 else 23.9})
    told = [t / 10.0 for t in range(70, 100) if "disagree" in at(late, t / 10.0, text).why]
    assert min(told) <= FIRE_T - 2.0 + 0.6


def test_a_body_that_jumps_is_on_the_screen_at_once() -> None:
    jumps = HandDrive(van=lambda t: {"x": HandDrive().place_of_van(t) + 6.0} if 8.0 < t < FIRE_T else {})
    assert at(jumps, 7.9).heading == "READY"
    assert "jumped by 6.0 m" in at(jumps, 8.3).why
