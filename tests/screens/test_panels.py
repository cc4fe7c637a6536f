"""The line-drawn panels compared as text, without an app."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from rich.cells import cell_len

from monitor.following.coming.view import OutlookRow
from monitor.following.view import LiveView, RecorderView, StripView, TimelineMark, TransportView
from monitor.judging.case.trial import Finding, Note, Result, Timing
from monitor.screens.drawing.canvas import Canvas
from monitor.screens.drawing.layout import arrange
from monitor.screens.drawing.picture import Picture
from monitor.screens.panels.footing import draw_keys, draw_now, draw_transport
from monitor.screens.panels.health import draw_health
from monitor.screens.panels.numbers import draw_number
from monitor.screens.panels.outlook import draw_band_bar, draw_outlook
from monitor.screens.panels.road import draw_road, frame_for
from monitor.screens.panels.side import draw_side
from monitor.screens.panels.slab import draw_slab
from monitor.screens.panels.strips import GUTTER, columns_of, draw_strip
from monitor.screens.panels.timeline import draw_timeline, line_length
from monitor.screens.watch.drawn_screen import PANELS, DrawPanel
from monitor.study.band import Band
from tests.screens import conftest as kit

SIZES = ((60, 20), (80, 24), (100, 30), (120, 36), (200, 60))
ALLOWED = set("·…−–×≥≤²←→↑↓²°ø") | {chr(code) for code in (*range(0x2500, 0x25A0), *range(0x2800, 0x2900))}


def number(view: LiveView, place: int, width: int = 27, height: int = 8) -> Canvas:
    return draw_number(Picture(view), width, height, place=place)


def test_a_number_is_drawn_large_with_its_definition_band_mark_and_word() -> None:
    text = number(kit.live_view(), 0, 40).text().splitlines()
    assert text[0] == " TIME GAP s  bumper to bumper"
    assert text[1:4] == [" ▀▀▀█▄    ▄█▀▀   ▄██", "  ▄▄█▀    ██▀█▄   ██", " ██▄▄▄ ██ ▀█▄█▀  ▄██▄"]
    assert text[4] == " ╳ out of band 1.80 to 2.20 s"


@pytest.mark.parametrize(
    ("width", "line"),
    [(40, " ╳ out of band 1.80 to 2.20 s"), (27, " ╳ out of band 1.80–2.20"), (20, " ╳ out 1.80–2.20")],
)
def test_the_band_is_readable_at_every_width(width: int, line: str) -> None:
    assert number(kit.live_view(), 0, width).line(4).rstrip() == line


def test_a_number_in_its_band_says_so() -> None:
    assert "█ in band" in number(kit.live_view(), 1).text()


def test_a_time_that_is_as_good_as_none_has_no_digits() -> None:
    view = kit.live_view()
    far = replace(view.numbers[1], value=235.0)
    rows = number(replace(view, numbers=(view.numbers[0], far, *view.numbers[2:])), 1).text().splitlines()
    assert "O V E R   9 9   S" in rows[2]


@pytest.mark.parametrize(
    ("state", "place", "word"),
    [
        ("no data", 0, "N O T   M E A S U R E D"),
        ("no lead", 0, "N O   L E A D"),
        ("not closing", 1, "N O T   C L O S I N G"),
        ("stale", 2, "S T A L E"),
        ("blind", 1, "M A S K E D"),
    ],
)
def test_without_a_value_there_is_a_word_and_no_digit_above_the_band(state: str, place: int, word: str) -> None:
    rows = number(kit.states()[state], place).text().splitlines()
    assert word in rows[2]
    assert not any(char in "▀▄" for row in rows[1:4] for char in row)
    assert "in band" not in rows[4]


def test_without_a_value_the_result_stands_beside_the_band_all_the_same() -> None:
    assert number(kit.states()["not closing"], 1, 40).line(4).rstrip() == "╎ █ met at least 4.00 s"
    assert number(kit.states()["no lead"], 0, 40).line(4).rstrip() == " ▒ undecided 1.80 to 2.20 s"
    assert number(kit.states()["stale"], 0, 40).line(4).rstrip() == " ┊ no value 1.80 to 2.20 s"


def test_a_view_that_stands_still_shows_no_number_even_if_it_holds_one() -> None:
    canvas = draw_number(Picture(kit.live_view(), still_for_s=1.4), 27, 8, place=0)
    assert "S T A L E" in canvas.text()


def test_a_blind_view_shows_no_value_at_all() -> None:
    view = kit.states()["blind"]
    for width, height in SIZES:
        for name, region in arrange(width, height).regions.items():
            if name in ("health", "timeline", "keys", "side", "notes", "slab"):
                continue
            text = PANELS[name](Picture(view), region.width, region.height).text()
            for value in ("22.3", "1.12", "2.90", "24.0", "−0.31", "25.0", "21.9"):
                assert value not in text, (name, text)


def strip_view(values: list[float], band: Band | None) -> StripView:
    t = np.arange(len(values), dtype=np.float64)
    return StripView("time_gap", t, np.array(values, dtype=np.float64), band)


def strip_rows(values: list[float], band: Band | None, rows: int = 3, width: int = 26) -> list[str]:
    canvas = draw_strip((width, rows), strip_view(values, band), "s", 60.0)
    return [canvas.line(y) for y in range(rows)]


def traced(row: str) -> bool:
    return any(0x2801 <= ord(char) <= 0x28FF for char in row[GUTTER:])


@pytest.mark.parametrize(("value", "row"), [(2.5, 0), (2.0, 1), (1.5, 2)])
def test_a_strip_runs_above_in_or_below_the_rows_of_its_band(value: float, row: int) -> None:
    rows = strip_rows([value] * 60, Band(1.8, 2.2))
    assert [traced(one) for one in rows] == [place == row for place in range(3)]
    assert rows[0].startswith(" 2.20┬")
    assert rows[1].startswith("     ┃")
    assert rows[2].startswith(" 1.80┴")


@pytest.mark.parametrize(("value", "row"), [(1.79, 2), (1.81, 1), (2.19, 1), (2.21, 0)])
def test_a_value_just_beside_an_edge_is_on_the_right_side_of_it(value: float, row: int) -> None:
    rows = strip_rows([value] * 60, Band(1.8, 2.2))
    assert traced(rows[row])
    assert sum(traced(one) for one in rows) == 1


def test_a_band_with_one_edge_has_the_rest_of_the_rows_as_band() -> None:
    rows = strip_rows([5.0] * 60, Band(4.0, None))
    assert traced(rows[0]) or traced(rows[1])
    assert rows[2].startswith(" 4.00┴")
    rows = strip_rows([5.0] * 60, Band(None, 4.0))
    assert traced(rows[0])
    assert rows[0].startswith(" 4.00┬")


def test_a_strip_leaves_a_hole_where_nothing_was_measured() -> None:
    values = [2.0] * 20 + [float("nan")] * 20 + [2.0] * 20
    middle = strip_rows(values, Band(1.8, 2.2))[1][GUTTER:]
    cells = [0x2801 <= ord(char) <= 0x28FF for char in middle]
    assert cells[:6] == [True] * 6
    assert not any(cells[7:13])
    assert all(cells[14:19])


def test_without_a_band_a_far_ttc_does_not_flatten_the_rest() -> None:
    rows = strip_rows([600.0] * 30 + [8.0] * 15 + [20.0] * 15, None)
    assert float(rows[0][:GUTTER]) == pytest.approx(31.0, abs=2.0)
    assert float(rows[2][:GUTTER]) <= 8.0
    assert traced(rows[0])
    assert traced(rows[2])


def test_a_peak_inside_a_column_is_not_lost() -> None:
    t = np.arange(0.0, 60.0, 0.1)
    value = np.full(600, 2.0)
    value[300] = 9.0
    low, high = columns_of(t, value, 60.0, 40)
    assert np.nanmax(high) == 9.0
    assert np.nanmin(low) == 2.0


def test_a_strip_moves_on_only_when_a_column_is_whole() -> None:
    t = np.arange(0.0, 120.0, 0.1)
    value = np.sin(t)
    first = columns_of(t[t <= 100.6], value[t <= 100.6], 100.6, 40)
    later = columns_of(t[t <= 101.9], value[t <= 101.9], 101.9, 40)
    next_one = columns_of(t[t <= 102.1], value[t <= 102.1], 102.1, 40)
    np.testing.assert_array_equal(first[0], later[0])
    np.testing.assert_array_equal(later[0][1:], next_one[0][:-1])


def test_the_ladder_has_a_rung_for_each_condition() -> None:
    rows = draw_outlook(Picture(kit.live_view()), 54, 7).text().splitlines()
    assert rows[0].startswith(" NEXT gate-brake   HOLD  12 s left")
    assert rows[1].startswith(" time gap        2.61 s −0.41 ")
    assert rows[1].rstrip().endswith("╳ not met")
    assert rows[4].startswith(" lane offset    −0.12 m +0.28 ")
    assert rows[4].rstrip().endswith("█ met")


def test_conditions_that_do_not_fit_are_counted() -> None:
    text = draw_outlook(Picture(kit.live_view()), 54, 4).text().splitlines()
    assert [line.split()[0] for line in text[1:]] == ["time", "own", "+3"]
    assert text[3].strip() == "+3 more, all met"


def test_what_is_not_met_is_the_last_to_be_left_out() -> None:
    rows = kit.outlook(gap_s=2.0).rows
    eyes = replace(rows[4], condition=replace(rows[4].condition, value=0.2, result="not met"))
    advisory = replace(rows[0], condition=replace(rows[0].condition, name="yaw", result="not met", required=False))
    view = kit.live_view(outlook=replace(kit.outlook(), rows=(advisory, *rows[:4], eyes)))
    text = draw_outlook(Picture(view), 54, 4).text().splitlines()
    assert [line.split()[0] for line in text[1:]] == ["time", "eyes", "+4"]
    assert text[3].strip() == "+4 more, 1 not met"


def test_an_advisory_condition_stands_in_brackets() -> None:
    advisory = OutlookRow(kit.condition("closing speed over all", 1.0, 0.0, 2.0, "m/s", required=False), 0, "")
    view = kit.live_view(outlook=replace(kit.outlook(), rows=(advisory,)))
    assert draw_outlook(Picture(view), 54, 7).line(1).startswith(" (closing spe…) 1.0 m/s ")
    assert draw_outlook(Picture(view), 100, 7).line(1).startswith(" (closing speed over all)  1.0 m/s ")


def test_a_long_value_has_what_its_name_leaves_free() -> None:
    yaw = OutlookRow(kit.condition("yaw rate", 0.04, -0.04, 0.04, "rad/s", required=False), 0, "")
    assert " (yaw rate)  0.04 rad/s +0.00 " in draw_outlook(
        Picture(kit.live_view(outlook=replace(kit.outlook(), rows=(yaw,)))), 54, 7
    ).line(1)


def test_a_long_name_has_what_its_value_leaves_free() -> None:
    """And the bars of all rungs still begin in one column."""
    named = kit.condition("eyes on arrows", 1.0, 0.8, None, "")
    rows = (OutlookRow(named, 0, ""), OutlookRow(replace(named, value=None, state="stale"), 0, ""))
    view = kit.live_view(outlook=replace(kit.outlook(), rows=(*kit.outlook().rows[:1], *rows)))
    lines = draw_outlook(Picture(view), 54, 7).text().splitlines()[1:4]
    assert [line.split()[0:3] for line in lines[1:]] == [["eyes", "on", "arrows"], ["eyes", "on", "arrows"]]
    assert "arrows stale " in lines[2]
    assert len({line.index("─") for line in lines}) == 1


def bar(value: float | None, low: float | None, high: float | None, result: str) -> str:
    return draw_band_bar(15, kit.condition("x", value, low, high, "s", result), hidden=False).line(0)


def test_the_bar_shows_band_and_value() -> None:
    assert bar(None, 1.8, 2.2, "undecided") == "─────┣━━━┫─────"
    assert bar(2.0, 1.8, 2.2, "met") == "─────┣━█━┫─────"
    assert bar(2.4, 1.8, 2.2, "not met") == "─────┣━━━┫─█───"
    assert bar(9.0, 1.8, 2.2, "not met") == "─────┣━━━┫────▐"
    assert bar(-9.0, 1.8, 2.2, "not met") == "▌────┣━━━┫─────"
    assert bar(5.0, 4.0, None, "met") == "───────┣━█━━━━━"
    assert bar(0.2, None, 0.4, "met") == "━━━━█━━┫───────"


def test_rounding_never_puts_a_value_that_is_out_onto_the_band() -> None:
    assert bar(2.21, 1.8, 2.2, "not met") == "─────┣━━━┫█────"
    assert bar(1.79, 1.8, 2.2, "not met") == "────█┣━━━┫─────"


def test_the_road_is_drawn_to_scale() -> None:
    view = kit.live_view(scene=kit.scene(40.0))
    canvas = draw_road(Picture(view), 120, 9)
    assert view.scene is not None
    frame = frame_for(view.scene, 120, 9)
    row = next(canvas.line(y) for y in range(9) if "40.0 m" in canvas.line(y) and "├" in canvas.line(y))
    gap_cells = row.index("┤") - row.index("├") + 1
    assert gap_cells * frame.metres_per_cell == pytest.approx(40.0, abs=3 * frame.metres_per_cell)
    assert canvas.line(0).rstrip().endswith("lead delivery van, gap 40.0 m")


def test_a_drift_to_the_left_moves_own_car_up() -> None:
    def own_rows(offset_m: float) -> list[int]:
        scene = replace(kit.scene(None), vehicles=(), lane_offset_m=offset_m)
        canvas = draw_road(Picture(kit.live_view(scene=scene)), 120, 12)
        return [y for y in range(12) if "own" in canvas.roles[y]]

    assert min(own_rows(1.2)) < min(own_rows(0.0)) < min(own_rows(-1.2))


def test_the_right_lane_is_the_lowest() -> None:
    scene = replace(kit.scene(None), vehicles=(), lane_offset_m=0.0)
    right = draw_road(Picture(kit.live_view(scene=scene)), 120, 9)
    left = draw_road(Picture(kit.live_view(scene=replace(scene, own_lane=1))), 120, 9)
    rows = [min(y for y in range(9) if "own" in canvas.roles[y]) for canvas in (left, right)]
    assert rows[0] < rows[1]


def test_the_road_says_when_there_is_no_lead_or_no_picture() -> None:
    assert "no lead" in draw_road(Picture(kit.states()["no lead"]), 120, 9).text()
    assert "no picture of the road" in draw_road(Picture(kit.states()["stale"]), 120, 9).text()
    assert "masked" in draw_road(Picture(kit.states()["blind"]), 120, 9).text()


def test_calm_mode_draws_text_only() -> None:
    picture = Picture(kit.live_view(), calm=True)
    for name in ("slab", "first", "road"):
        text = PANELS[name](picture, 100, 9).text()
        assert not any(0x2801 <= ord(char) <= 0x28FF or char in "▀▄" for char in text), text
    assert "gap 58.2 m" in draw_road(picture, 100, 9).text()


@pytest.mark.parametrize(
    ("state", "word", "says"),
    [
        ("fired", "FIRED", "gate-brake: 4 of 5 conditions met, windows still open."),
        ("valid", "VALID", "gate-brake: All 5 conditions met, alert as assigned, fired on time."),
        ("invalid", "INVALID", "gate-brake: time gap 2.61 s, band 1.80 to 2.20 s: out by 0.41 s."),
        ("undecided", "UNDECIDED", "gate-brake: time gap not measured, band 1.80 to 2.20 s."),
    ],
)
def test_a_verdict_stays_in_the_heading_and_in_one_sentence(state: str, word: str, says: str) -> None:
    picture = Picture(kit.states()[state])
    head = picture.headings[0]
    assert head.word == word
    assert head.sentence.replace("\u00a0", " ") == says
    drawn = draw_slab(picture, 80, 3).text()
    assert "a seen" in drawn or state == "fired"
    assert " ".join(says.split()[:4]) in drawn


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("state", ["valid", "invalid", "undecided"])
def test_the_sentence_of_a_verdict_is_whole_at_every_width(state: str, width: int) -> None:
    picture = Picture(kit.states()[state])
    drawn = draw_slab(picture, width, 6 if width == 200 else 3)
    words = " ".join(" ".join(canvas_words(drawn)).replace("UNDECIDED", "").split())
    sentence = picture.headings[0].sentence.replace("\u00a0", " ")
    assert sentence in words or (width == 60 and sentence.partition(": out by")[0] in words)


def canvas_words(canvas: Canvas) -> list[str]:
    """The rows' words without the large letters."""
    return [
        "".join(char if char.isascii() or char == "–" else " " for char in canvas.line(y)) for y in range(canvas.height)
    ]


def test_what_is_second_stands_below_and_who_waits_is_counted() -> None:
    view = replace(kit.states()["stale"], trials=kit.states()["invalid"].trials, outlook=None)
    drawn = draw_slab(Picture(view), 100, 3).text()
    assert "No frame for 0.6 s." in drawn
    assert "then INVALID: gate-brake" in drawn
    assert "1 waiting" in drawn
    assert "STALE" in draw_health(Picture(view), 80, 1).text()


def test_a_heading_is_never_held_and_what_is_held_says_so() -> None:
    picture = Picture(kit.states()["hold"], frozen_for_s=12.3)
    assert picture.headings[0].word == "HOLD"
    title = draw_outlook(picture, 80, 6).line(0)
    assert "HELD 12 s" in title
    assert "HOLD" not in title


def test_a_picture_that_stands_still_is_not_believed() -> None:
    picture = Picture(kit.states()["ready"], still_for_s=2.0)
    assert picture.headings[0].word == "NO FEED"
    assert picture.over_the_ladder is None
    assert "READY" not in draw_outlook(picture, 80, 6).line(0)


def test_the_state_line_holds_who_feed_and_recorder() -> None:
    line = draw_health(Picture(kit.live_view()), 80, 1).line(0)
    assert line == " Q07 seat-pulse · drive 1 · 3:12     █ LIVE 60 Hz lost 0 age 0.0 s  █ rec 6.8 h "
    lost = draw_health(Picture(kit.states()["frames lost"]), 120, 1).line(0)
    assert "▒ LIVE 58.7 Hz lost 214 dup 3 bad 1 age 0.0 s" in lost


def test_the_state_line_says_what_is_not_on_disk_yet() -> None:
    saving = kit.live_view(recorder=RecorderView("saving", 412.0, 2, ""))
    assert "▒ saving 2 6.8 h" in draw_health(Picture(saving), 80, 1).line(0)
    assert "╳ rec LOST, 2 unsaved" in draw_health(Picture(kit.states()["recorder lost"]), 80, 1).line(0)


def test_the_state_line_names_the_kind_of_screen() -> None:
    assert "READ-ONLY · Q07" in draw_health(Picture(kit.live_view(), read_only=True), 120, 1).line(0)
    assert "CALM" in draw_health(Picture(kit.live_view(), calm=True), 120, 1).line(0)
    assert "BLIND" in draw_health(Picture(kit.states()["blind"]), 80, 1).line(0)


def test_the_time_line_has_every_mark_in_its_place() -> None:
    canvas = draw_timeline(Picture(kit.states()["valid"]), 120, 3)
    line = canvas.line(1)
    left = line.index("0:00") + 5
    cells = line.index("5:00") - left - 1
    assert line[left + int(95.0 / 300 * cells)] == "░"
    assert line[left + int(204.2 / 300 * cells)] == "T"
    assert line[left + int(42.0 / 300 * cells)] == "N"
    assert "gate-brake" in canvas.line(0)
    assert "T trigger 1" in canvas.line(2)


@pytest.mark.parametrize(("t", "length"), [(None, 60), (59.0, 60), (61.0, 120), (3601.0, 5400), (30000.0, 57600)])
def test_the_time_line_grows_in_steps(t: float | None, length: int) -> None:
    assert line_length(t, ()) == length


def test_trials_and_notes_stand_beside_the_ladder() -> None:
    text = draw_side(Picture(kit.states()["invalid"]), 40, 8).text()
    assert "╳ invalid   gate-brake" in text
    assert "3:24.2" in text
    assert "yawns" in text


@pytest.mark.parametrize("message", ["no note entered", "emergency stop used at 0:42.0: saving"])
def test_what_a_key_did_cuts_off_no_end_of_what_is_to_be_done(message: str) -> None:
    view = kit.states()["invalid"]
    said = Picture(view).headings[0].now
    assert cell_len(said) > 74  # it takes two rows
    rows = draw_now(Picture(view, message=message), 80, 2).text()
    assert "…" not in rows
    assert " ".join(rows.replace("NOW", "").split()) == f"{said} {message}"
    long = draw_now(Picture(view, message="a word of more than the rest of its row can take, " * 2), 80, 2)
    assert long.line(1).strip().startswith("a word of more")


@pytest.mark.parametrize("width", [80, 120, 200])
def test_what_now_is_said_below_and_never_cut(width: int) -> None:
    lost = draw_now(Picture(kit.states()["invalid"]), width, 2).text()
    assert (
        lost.split("  ")[0].strip().startswith("NOW gate-brake is lost; it cannot be rerun here; drive on, side-gust")
    )
    assert "counts." in lost
    said = draw_now(Picture(kit.states()["invalid"], message="note at 3:12.4: saving"), width, 2)
    assert "note at 3:12.4: saving" in said.line(1)
    assert "it cannot be rerun here" in said.line(0)
    for name, view in kit.states().items():
        assert "…" not in draw_now(Picture(view), width, 2).line(0), name


def test_between_fire_and_verdict_the_trial_is_being_judged() -> None:
    view = kit.live_view(trials=(kit.trial("undecided", "fired", what_now=""),))
    assert "NOW gate-brake is being judged" in draw_now(Picture(view), 100, 2).line(0)


def test_a_gap_too_short_for_its_label_is_in_the_title() -> None:
    view = kit.live_view(scene=kit.scene(4.2))
    assert "lead 4.20 m" in draw_road(Picture(view), 26, 7).line(0)
    assert "lead delivery van, gap 4.20 m" in draw_road(Picture(view), 120, 9).line(0)


def test_a_replay_has_its_line() -> None:
    at = TransportView(192.4, 430.0, 4.0, True)
    line = draw_transport(Picture(kit.live_view(), transport=at), 80, 1).line(0)
    assert line.startswith(" REPLAY RUNS, 4 times  3:12.4 of 7:10 ")
    reading = replace(at, sentence="reading 40 %")
    assert "reading 40 %" in draw_transport(Picture(kit.live_view(), transport=reading), 80, 1).line(0)


@pytest.mark.parametrize("replay", [True, False])
@pytest.mark.parametrize("width", [80, 120, 200])
def test_every_key_is_on_the_screen(width: int, replay: bool) -> None:
    height = arrange(width, {80: 24, 120: 36, 200: 60}[width], replay=replay).regions["keys"].height
    transport = TransportView(0.0, 10.0, 1.0, False) if replay else None
    text = draw_keys(Picture(kit.live_view(), transport=transport), width, height).text()
    for word in (
        "rule",
        "card",
        "hold",
        "calm",
        "quit",
        "help",
        *(
            ("run", "loop", "pace")
            if replay
            else (
                "seen",
                "e-stop",
                "end",
            )
        ),
    ):
        assert word in text


def test_no_panel_draws_anything_but_text_boxes_blocks_and_braille() -> None:
    for view in kit.states().values():
        for width, height in SIZES:
            for name, region in arrange(width, height, slow_used=view.slow_used).regions.items():
                picture = Picture(view)
                canvas = PANELS[name](picture, region.width, region.height)
                strange = {char for char in canvas.text() if not char.isascii()} - ALLOWED
                assert not strange, (name, strange)


def test_a_trial_that_never_fired_is_listed_with_why_it_is_lost() -> None:
    missed = Finding("trigger-missed", "void", "Never fired: what fires it held and no marker came.", 204.2)
    timing = Timing(204.2, None, None, "missed")
    trial = kit.trial("invalid", "armed", fired_at=None, timing=timing, findings=(missed,), conditions=())
    text = draw_side(Picture(kit.live_view(trials=(trial,))), 70, 12).text()
    assert "TRIALS 1" in text
    assert "invalid" in text
    assert "no marker came" in text
    waits = kit.trial("undecided", "armed", fired_at=None)
    assert "TRIALS 0" in draw_side(Picture(kit.live_view(trials=(waits,))), 70, 12).text()


@pytest.mark.parametrize(("result", "words"), [("met", "met outside"), ("not met", "not met outside")])
def test_a_value_that_must_be_outside_of_a_band_is_never_said_to_be_in_it(result: Result, words: str) -> None:
    number = replace(kit.numbers()[2], band=Band(None, None, outside=(-0.5, 0.5)), result=result)
    text = draw_number(Picture(kit.live_view(numbers=(number,))), 40, 5, place=0).text()
    assert f"{words} −0.50" in text
    assert "in band" not in text


def test_every_panel_can_be_drawn_at_any_size() -> None:
    second: DrawPanel = partial(draw_number, place=2)
    for draw in (*PANELS.values(), second):
        for width, height in ((0, 0), (1, 1), (7, 2), (23, 3), (300, 80)):
            canvas = draw(Picture(kit.live_view()), width, height)
            assert all(len(row) == width for row in canvas.chars)


@pytest.mark.parametrize("width", [80, 120, 200])
@pytest.mark.parametrize("state", ["hold", "stale", "no data", "frames lost"])
def test_a_replay_never_says_live(width: int, state: str) -> None:
    view = replace(kit.states()[state], recorder=RecorderView("replay", None, 0, ""))
    line = draw_health(Picture(view, transport=TransportView(1.0, 10.0, 1.0, True)), width, 1).text()
    assert "LIVE" not in line
    assert "RECORD" in line
    assert "age" not in line


def test_names_from_outside_cannot_break_a_panel() -> None:
    hostile = "\x1b[31m" + "x" * 300 + "\n\u202e霧"
    scene = kit.scene()
    vehicles = tuple(replace(one, name=hostile) for one in scene.vehicles)
    view = kit.live_view(
        participant=hostile,
        group=hostile,
        scene=replace(scene, vehicles=vehicles),
        notes=(Note(1.0, 1, 0.0, hostile, hostile),),
        timeline=(TimelineMark(1.0, "note", hostile),),
    )
    for width, height in SIZES:
        for name, region in arrange(width, height).regions.items():
            canvas = PANELS[name](Picture(view), region.width, region.height)
            assert "\x1b" not in canvas.text()
            assert "\n" not in "".join(canvas.line(y) for y in range(canvas.height))


def test_where_there_is_room_a_lost_trial_has_its_reason_below_it() -> None:
    view = kit.states()["invalid"]
    text = PANELS["side"](Picture(view), 80, 14).text()
    assert "time gap 2.61 s, band 1.80 to 2.20 s: out by 0.41 s." in text.replace("\u00a0", " ")
    assert "NOTES 3" in text
    narrow = PANELS["side"](Picture(view), 40, 14).text()
    assert "out by" not in narrow
    many = replace(view, trials=view.trials * 9)
    rows = PANELS["side"](Picture(many), 80, 14).text().splitlines()
    assert any("NOTES" in row for row in rows)


@pytest.mark.parametrize(("word", "other"), [("behind", "stale"), ("stale", "behind")])
def test_panels_and_state_line_say_of_an_old_picture_what_the_heading_says(word: str, other: str) -> None:
    view = kit.states()["ready"]
    late = {"behind_s": 3.2} if word == "behind" else {"state": "stale", "age_s": 3.2}
    picture = Picture(replace(view, feed=replace(view.feed, **late)))
    panels = {
        "number": draw_number(picture, 40, 8, place=0),
        "ladder": draw_outlook(picture, 100, 8),
        "state line": draw_health(picture, 100, 1),
        "heading": draw_slab(picture, 100, 3),
    }
    for name, drawn in panels.items():
        said = drawn.text().lower().replace(" ", "")
        assert other not in said, name
        assert word in said or name == "heading", name
    assert picture.headings[0].word == word.upper()
