"""What begins a drive, what makes a marker, what is lost or left out: samples in, messages of the feed out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from monitor.connect.channel_map.loading import parse_map
from monitor.connect.channel_map.mapped_drive import Translation
from monitor.connect.channel_map.values import Sample
from tests.connect.maps import map_text


class Taken:
    """An outlet that remembers."""

    def __init__(self) -> None:
        self.seq = 0
        self.drives: list[tuple[str, str | None, str | None, str | None]] = []
        self.sent: list[tuple[Any, ...]] = []

    def begin_drive(
        self, run: str, *, participant: str | None = None, group: str | None = None, scenario: str | None = None
    ) -> None:
        self.seq = 0
        self.drives.append((run, participant, group, scenario))

    def frame(
        self,
        t: float,
        own: Mapping[str, float],
        others: Mapping[str, Sequence[Any]],
        signals: Mapping[str, float | bool],
        wall: float | None,
    ) -> int:
        self.seq += 1
        self.sent.append(("frame", self.seq, t))
        return self.seq

    def marker(self, kind: str, name: str, t: float, data: Mapping[str, Any] | None = None) -> int:
        self.sent.append((kind, name, t, data))
        return len(self.sent)

    @property
    def markers(self) -> list[tuple[Any, ...]]:
        return [one for one in self.sent if one[0] not in ("frame", "run_start")]

    @property
    def frames(self) -> list[tuple[int, float]]:
        return [one[1:] for one in self.sent if one[0] == "frame"]


def translated(more: str, rows: Sequence[Mapping[str, Any]], **parts: str) -> tuple[Taken, Translation]:
    outlet = Taken()
    translation = Translation(parse_map(map_text(more=more, **parts)), outlet, lambda number: f"run-{number}")
    for row in rows:
        topic = row.get("topic", "")
        values = {"X": 0.0, "Y": 0.0, "H": 0.0, "V": 0.0, "A": 0.0, **row}
        translation.take(Sample(values, topic))
    return outlet, translation


def steps(**columns: Sequence[Any]) -> list[dict[str, Any]]:
    """A row for each step of a tenth of a second."""
    count = len(next(iter(columns.values())))
    return [{"T": index / 10, **{name: column[index] for name, column in columns.items()}} for index in range(count)]


def rule(kind: str, when: str, *more: str) -> str:
    return "\n".join(["[[marker]]", f'kind = "{kind}"', f'when = "{when}"', 'from = "E"', *more])


@pytest.mark.parametrize(
    ("when", "values", "times"),
    [
        # as the open scenario standard has it: no edge at the first evaluation
        ("rises", [1, 1, 0, 1, 1, 0, 2], [0.3, 0.6]),
        ("rises", [False, True, True], [0.1]),
        ("rises", [0, None, 1, "x", 0, 1], [0.2, 0.5]),
        ("falls", [1, 1, 0, 0, 1, 0], [0.2, 0.5]),
        ("counts up", [5, 5, 6, 8, 8, 0, 1], [0.2, 0.3, 0.3, 0.6]),
        ("counts up", [0, 1000], []),
    ],
)
def test_edges_and_counters(when: str, values: list[Any], times: list[float]) -> None:
    outlet, _ = translated(rule("other", when, 'name = "it"'), steps(E=values))
    assert [(one[1], one[2]) for one in outlet.markers] == [("it", t) for t in times]


def test_a_value_that_becomes_one_and_names_for_changes() -> None:
    values = ["IDLE", "RUN", "RUN", "IDLE", "RUN", "STOP"]
    outlet, _ = translated(rule("task_start", "becomes", 'becomes = "RUN"', 'name = "grid"'), steps(E=values))
    assert [one[2] for one in outlet.markers] == [0.1, 0.4]
    outlet, _ = translated(rule("other", "becomes", "becomes = 3", 'name = "it"'), steps(E=[0.0, 3.0, 3, 4, 3]))
    assert [one[2] for one in outlet.markers] == [0.1, 0.4]
    outlet, _ = translated(
        rule("trigger", "changes", 'names = { 11 = "gate-brake", 12 = "side-gust" }'),
        steps(E=[0, 11, 11, 12, 99, 0, 11.0]),
    )
    assert [(one[1], one[2]) for one in outlet.markers] == [
        ("gate-brake", 0.1),
        ("side-gust", 0.3),
        ("gate-brake", 0.6),
    ]


def test_name_and_time_from_the_source_and_the_alerts_data() -> None:
    more = rule(
        "alert_on", "rises", 'name_from = "N"', 'time_from = "at"', 'modality = ["sound", "light"]', "measured = true"
    )
    rows = steps(E=[0, 1], N=["a", "both"], at=[0, 95.0])
    outlet, _ = translated(more, [{**row, "T": row["T"] * 1000} for row in rows], time='from = "T"\nunit = "ms"')
    assert outlet.markers == [("alert_on", "both", 0.095, {"modality": ["sound", "light"], "measured": True})]


def test_a_marker_precedes_the_frame_that_it_came_with_and_a_run_start_is_added() -> None:
    outlet, translation = translated(rule("trigger", "rises", 'name = "gate-brake"'), steps(E=[0, 1, 1]))
    translation.finish()
    assert [one[0] for one in outlet.sent] == ["run_start", "frame", "trigger", "frame", "frame", "run_end"]
    assert translation.counts.markers == 3


def test_no_run_start_is_added_where_the_map_makes_one_and_no_second_run_end() -> None:
    more = rule("run_start", "rises") + "\n" + rule("run_end", "falls")
    outlet, translation = translated(more, steps(E=[0, 1, 1, 0]))
    translation.finish()
    assert [(one[0], one[2]) for one in outlet.sent if one[0] != "frame"] == [("run_start", 0.1), ("run_end", 0.3)]


def test_a_time_that_falls_begins_a_new_drive_and_a_little_one_is_out_of_order() -> None:
    rows = [{"T": t, "E": e} for t, e in ((0, 0), (1.0, 1), (0.5, 0), (1.1, 1), (0.0, 1), (0.1, 1), (0.2, 0), (0.3, 1))]
    outlet, translation = translated(rule("other", "rises", 'name = "it"'), rows)
    assert [run for run, *_ in outlet.drives] == ["run-1", "run-2"]
    assert outlet.frames == [(1, 0), (2, 1.0), (3, 1.1), (1, 0.0), (2, 0.1), (3, 0.2), (4, 0.3)]
    assert translation.counts.out_of_order == 1
    assert [one[2] for one in outlet.markers] == [1.0, 0.3]  # the second drive's first value has none before it


def test_a_pause_keeps_its_frames() -> None:
    outlet, _ = translated("", [{"T": t} for t in (0.0, 0.1, 0.1, 0.1, 0.2)])
    assert outlet.frames == [(1, 0.0), (2, 0.1), (3, 0.1), (4, 0.1), (5, 0.2)]


def test_another_run_number_is_a_new_drive_with_its_own_participant_and_group() -> None:
    more = '[run]\nchanges_with = "no"\nparticipant_from = "who"\ngroup_from = "kind"\nscenario = "dusk-road"\n'
    more += "[run.groups]\n1 = 'chime'\nNONE = 'no-alert'"
    rows: list[dict[str, object]] = [
        {"T": 0.0, "no": 1, "who": "Q01", "kind": 1},
        {"T": 0.1, "no": 1, "who": "Q01", "kind": 1},
        {"T": 0.2, "no": 2, "who": "Q02", "kind": "NONE"},
        {"T": 0.3, "no": 3, "who": None, "kind": 9},
    ]
    outlet, translation = translated(more, rows)
    assert outlet.drives == [
        ("run-1", "Q01", "chime", "dusk-road"),
        ("run-2", "Q02", "no-alert", "dusk-road"),
        ("run-3", None, None, "dusk-road"),
    ]
    assert translation.counts.drives == 3


def test_what_the_sources_counter_skips_is_lost_and_what_it_repeats_is_left_out() -> None:
    more = '[sequence]\nfrom = "n"\nwraps_at = 256'
    rows = [{"T": index / 10, "n": n} for index, n in enumerate((253, 254, 254, 1, 2, 0, 5))]
    outlet, translation = translated(more, rows)
    assert [seq for seq, _ in outlet.frames] == [1, 2, 5, 6, 9]
    assert (translation.counts.lost, translation.counts.out_of_order) == (4, 2)


def test_a_counter_that_begins_anew_says_nothing_of_losses() -> None:
    outlet, translation = translated(
        '[sequence]\nfrom = "n"', [{"T": i / 10, "n": n} for i, n in enumerate((9, 10, 4e6, 4e6 + 1))]
    )
    assert [seq for seq, _ in outlet.frames] == [1, 2, 3, 4]
    assert translation.counts.lost == 0


def test_what_makes_no_frame_is_counted_with_its_reason_and_stops_nothing() -> None:
    rows: list[dict[str, Any]] = [{"T": 0.0}, {"T": None}, {"T": "soon"}, {"T": 0.1}]
    outlet, translation = translated("", rows)
    assert len(outlet.frames) == 2
    assert (translation.counts.refused, translation.counts.last_refusal) == (2, "`T` is no time")


ZMQ = 'kind = "zmq"\nframe_topic = "state"'
EVENTS = """
[[marker]]
kind = "trigger"
when = "received"
topic = "event"
from = "code"
becomes = "FIRE"
name_from = "label"
time_from = "at"
"""


def test_messages_of_their_own_topic_are_markers() -> None:
    rows = [
        {"topic": "event", "code": "FIRE", "label": "too soon", "at": 0.0},
        {"topic": "state", "T": 1.0},
        {"topic": "event", "code": "FIRE", "label": "gate-brake", "at": 0.95},
        {"topic": "event", "code": "OTHER", "label": "x", "at": 0.96},
        {"topic": "weather", "T": 55.0},
        {"topic": "state", "T": 1.1},
    ]
    outlet, translation = translated(EVENTS, rows, source=ZMQ)
    assert outlet.markers == [("trigger", "gate-brake", 0.95, None)]
    assert outlet.frames == [(1, 1.0), (2, 1.1)]
    assert translation.counts.refused == 1
    assert translation.counts.last_refusal == "a message of the topic event came before the first frame"


def test_what_changed_over_frames_that_were_lost_changed_between_the_two_that_came() -> None:
    rows = steps(E=[0, 0, 1, 1, 0, 1], N=[1, 2, 6, 7, 8, 9])
    more = rule("trigger", "rises", 'name = "it"') + '\n[sequence]\nfrom = "N"\n'
    outlet, _ = translated(more, rows)
    assert [one[2:] for one in outlet.markers] == [(0.2, {"not_before": 0.1}), (0.5, None)]
    stated, _ = translated(more.replace('name = "it"', 'name = "it"\ntime_from = "T"'), rows)
    assert [one[3] for one in stated.markers] == [None, None], "its own time is known all the same"


@pytest.mark.parametrize(
    ("source", "more", "not_before"),
    [('kind = "zmq"', "", 0.1), ('kind = "zmq"', '\n[sequence]\nfrom = "N"\n', None), ('kind = "csv"', "", None)],
)
def test_a_source_that_numbers_no_frames_may_have_lost_some_where_its_time_steps(
    source: str, more: str, not_before: float | None
) -> None:
    rows = [{"T": t, "E": e, "N": n} for n, (t, e) in enumerate([(0.0, 0), (0.1, 0), (0.4, 1)])]
    outlet, _ = translated(rule("trigger", "rises", 'name = "it"') + more, rows, source=source)
    assert [one[3] for one in outlet.markers] == [None if not_before is None else {"not_before": not_before}]
