"""The study files that come with the program: the demo's numbers, and presets against their sources."""

from __future__ import annotations

import re
import tomllib

import pytest

from monitor.measures.names import MEASURES
from monitor.study.loading import load_study, parse_study
from monitor.study.model import Condition, During, Study, Trigger, Within
from monitor.study.reasons import BUILT_IN_REASONS
from tests.study.conftest import CONFIGS

G = 9.80665
MPH = 0.44704


def by_name(trigger: Trigger) -> dict[str, Condition]:
    return {condition.name: condition for condition in trigger.conditions}


def test_the_demos_study_is_the_one_that_the_simulation_drives(dusk_road: Study) -> None:
    gate, gust = dusk_road.triggers
    assert (gate.name, gate.surprise_class, gust.name, gust.surprise_class) == (
        "gate-brake",
        "rear-end",
        "side-gust",
        "gust",
    )
    assert {group.name: group.alert for group in dusk_road.groups.values()} == {
        "chime": ("sound",),
        "seat-pulse": ("vibration",),
        "light-strip": ("light",),
        "no-alert": (),
    }
    assert {group.planned for group in dusk_road.groups.values()} == {12}
    for trigger, station in ((gate, 700.0), (gust, 1300.0)):
        (term,) = trigger.fires_when
        assert (term.measure.text, term.band.at_least, term.edge) == ("station", station, "rising")
        assert trigger.expected_in("dusk-road") == 1
        assert trigger.expected_in("practice") == 0
    conditions = by_name(gate)
    assert [name for name, condition in conditions.items() if condition.required] == [
        "time gap",
        "own speed",
        "lane offset",
        "eyes off road",
        "van braking",
    ]
    speed_band = conditions["own speed"].band
    assert speed_band.at_least is not None
    assert speed_band.at_most is not None
    assert speed_band.at_least < 80 / 3.6 < speed_band.at_most
    assert conditions["van braking"].when == Within(1.0, 0.5)
    assert conditions["lane offset"].when == During(-3.0, 0.0)
    assert gate.task is not None
    assert gate.task.items is not None
    assert gate.task.spacing_s is not None
    # Six items half a second apart take three seconds (common practice, no source); the task lasts about that.
    assert gate.task.items * gate.task.spacing_s == pytest.approx(3.0)
    assert gust.alert is None


def test_the_demos_file_is_the_manual_and_explains_every_key() -> None:
    text = (CONFIGS / "dusk-road.toml").read_text(encoding="utf-8")
    files = (CONFIGS.parent / "tests/study/files").glob("everything*.toml")
    everything = [tomllib.loads(file.read_text(encoding="utf-8")) for file in files]

    def fixed_keys(value: object, names: bool) -> set[str]:
        if isinstance(value, list):
            return {key for one in value for key in fixed_keys(one, names)}
        if not isinstance(value, dict):
            return set()
        own = set() if names else set(value)
        declared = ("groups", "treatments", "roles", "points", "signals", "reasons", "scenarios")
        chosen = (*declared, "expected_by_scenario", "output_delay_s")
        return own | {key for name, one in value.items() for key in fixed_keys(one, not names and name in chosen)}

    for key in {key for one in everything for key in fixed_keys(one, names=False)}:
        assert re.search(rf"\b{key}\b", text), f"{key} is not explained"


def test_the_manual_lists_every_measure() -> None:
    text = (CONFIGS / "dusk-road.toml").read_text(encoding="utf-8")
    begin = text.index("#   measure   own car:")
    listed = set(re.findall(r"\b[a-z_]+\b", text[begin : text.index("#   band", begin)]))
    assert set(MEASURES) <= listed


def test_the_demos_file_still_loads_with_each_alternative_that_its_comments_show(dusk_road: Study) -> None:
    text = (CONFIGS / "dusk-road.toml").read_text(encoding="utf-8")
    # "#:" lines that open a section carry their keys along; the others are tried one at a time.
    shown = re.findall(r"^#: .*(?:\n#: .*)*", text, re.MULTILINE)
    assert len(shown) >= 7
    for block in shown:
        lines = [line.removeprefix("#: ") for line in block.splitlines()]
        tried = ["\n".join(lines)] if lines[0].startswith("[") else lines
        for lines_tried in tried:
            if lines_tried.startswith(("method", "file")):
                continue  # they exclude the other method, see below
            changed = text.replace(block, lines_tried)
            assert tomllib.loads(changed) != tomllib.loads(text)
            parse_study(changed, "dusk-road.toml")


def test_the_demos_study_may_have_an_allocation_list_instead() -> None:
    text = (CONFIGS / "dusk-road.toml").read_text(encoding="utf-8")
    begin = text.index("[assignment]")
    end = text.index("\n# ---", begin)
    shown = [line.removeprefix("#: ") for line in text[begin:end].splitlines() if line.startswith(("#: me", "#: fi"))]
    changed = text[:begin] + "\n".join(["[assignment]", *shown]) + text[end:]
    rule = parse_study(changed, "dusk-road.toml").assignment
    assert rule is not None
    assert (rule.method, rule.file) == ("list", "allocation.csv")


def test_presets_from_memory_say_so_when_loaded() -> None:
    for name in ("rear-end-preset", "lane-departure-preset"):
        study = load_study(CONFIGS / f"{name}.toml")
        assert study.blind
        assert any("from memory; confirm against the procedure" in caution for caution in study.cautions)


def test_every_condition_and_rule_of_a_preset_has_its_source_beside_it() -> None:
    for file in CONFIGS.glob("*-preset.toml"):
        text = file.read_text(encoding="utf-8")
        assert "ALL NUMBERS ARE FROM MEMORY" in text
        for section in re.findall(
            r"((?:^#.*\n)+)\[\[?trigger\.(?:condition|fires_when|alert|before|hazard)", text, re.M
        ):
            assert re.search(r"\[from memory|no source", section), section
        assert len(re.findall(r"^\[\[trigger\.condition\]\]", text, re.M)) == len(
            re.findall(r"^#.*\n\[\[trigger\.condition\]\]", text, re.M)
        )


def test_the_rear_end_preset_has_the_procedures_numbers() -> None:
    # NHTSA, Forward Collision Warning confirmation test, February 2013, test 2 (from memory).
    (trigger,) = load_study(CONFIGS / "rear-end-preset.toml").triggers
    conditions = by_name(trigger)
    for name in ("own speed", "lead speed"):
        band = conditions[name].band
        assert (band.at_least, band.at_most) == pytest.approx((44 * MPH, 46 * MPH), abs=1e-9)
        assert conditions[name].when == During(-3.0, 0.0)
    assert (conditions["gap"].band.at_least, conditions["gap"].band.at_most) == (27.5, 32.5)
    braking = conditions["lead braking"]
    assert (braking.band.at_least, braking.band.at_most) == pytest.approx((-0.33 * G, -0.27 * G), abs=1e-6)
    assert isinstance(braking.when, Within)
    assert braking.when.limit_s == 1.5
    assert conditions["lead overshoot"].band.at_least == pytest.approx(-0.375 * G, abs=1e-6)
    assert conditions["yaw rate"].band.at_most == pytest.approx(0.01745329, abs=1e-7)  # 1 degree per second
    assert conditions["lateral"].band.at_most == 0.6
    assert trigger.response is not None
    assert trigger.response.criterion is not None
    assert trigger.response.criterion.band.at_most == 2.4


@pytest.mark.parametrize(("decel", "gap", "instant"), [(0.3 * G, 30.0, 3.4458), (0.27 * G, 32.5, 3.8383)])
def test_no_alert_that_the_rear_end_bands_allow_is_late(decel: float, gap: float, instant: float) -> None:
    # both 45 mph, lead ramping to its deceleration in 1.5 s, own speed constant: gap over closing speed falls to 2.4 s
    # at t with gap − a/2·((t − 0.75)² + 1.5²/12) = 2.4·a·(t − 0.75), worked here for u = t − 0.75; the second row has
    # the least deceleration and the longest gap that the preset's own bands allow
    c = gap - decel * 1.5**2 / 24
    t = 0.75 - 2.4 + (2.4**2 + 2 * c / decel) ** 0.5
    (trigger,) = load_study(CONFIGS / "rear-end-preset.toml").triggers
    assert t == pytest.approx(instant, abs=1e-4)
    assert trigger.alert is not None
    assert t <= trigger.alert.latest_s < 3.8383 + 0.01
    assert trigger.response is not None
    assert trigger.response.horizon_s > t


def test_the_lane_departure_preset_has_the_procedures_numbers() -> None:
    # NHTSA, Lane Departure Warning confirmation test, February 2013 (from memory).
    (trigger,) = load_study(CONFIGS / "lane-departure-preset.toml").triggers
    conditions = by_name(trigger)
    assert (conditions["lateral speed"].band.at_least, conditions["lateral speed"].band.at_most) == (0.1, 0.6)
    speed = conditions["own speed"]
    assert (speed.band.at_least, speed.band.at_most) == pytest.approx((44 * MPH, 46 * MPH), abs=1e-9)
    assert isinstance(speed.when, During)
    assert -speed.when.start_s * 45 * MPH == pytest.approx(61.0, abs=0.1)
    (term,) = trigger.fires_when
    assert (term.band.at_most, term.edge) == (0.75, "rising")
    assert trigger.alert is not None
    assert trigger.alert.latest_s * 0.5 == pytest.approx(0.75 + 0.3)


def test_every_finding_code_of_the_design_has_a_reason_with_its_severity() -> None:
    void = """fired-early fired-twice fired-unexpected trigger-missed trigger-not-reached alert-wrong alert-missing
        braking-before-hazard task-missing display-stutter not-naive group-mismatch scenario-mismatch
        alert-before-fire comfort-high participant-unwell
        collision-before-fire condition-not-met paused-in-window hazard-missing""".split()
    doubtful = """fired-late alert-late alert-early alert-doubled alert-unknown accelerator-released-before task-late
        task-early task-ended-early task-items task-spacing lead-changed witness-gap window-cut marker-lost
        channel-frozen unit-implausible axis-implausible implausible-jump pedal-saturated slow-motion naive-unknown
        group-unknown participant-mismatch clock-drift channels-disagree body-changed alert-unaccounted braking-unsure
        timing-unsure clock-jumped sequence-reset signal-implausible pedals-not-measured""".split()
    note = "expected-it frame-late alert-short alert-long two-footed marker-late platform-limit confirmed other".split()
    for severity, codes in (("void", void), ("doubtful", doubtful), ("note", note)):
        for code in codes:
            assert BUILT_IN_REASONS[code].severity == severity, code


def test_reason_words_are_words_for_people() -> None:
    for code, reason in BUILT_IN_REASONS.items():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
        assert reason.code == code
        assert reason.words[0].isupper()
        assert not reason.words.endswith(".")
    assert len({reason.words for reason in BUILT_IN_REASONS.values()}) == len(BUILT_IN_REASONS)
