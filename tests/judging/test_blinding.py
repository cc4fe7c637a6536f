"""What a blind record hides, whoever asks and by whichever study file it is judged, and what lifts that."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import msgpack
import numpy as np
import pytest

from monitor.commands.shared.printing import trial_lines
from monitor.feed.marker_kinds import KINDS
from monitor.judging.blinding import hidden_frames, hidden_spans, hide_times, hides, masked_from, reveals
from monitor.judging.document import session_json
from monitor.judging.session import Session
from monitor.measures.names import MEASURES
from monitor.record.entries import Entry, EntryKind, pack_map
from monitor.screens.dialogs.card import card_rows
from monitor.study.model import Measure, Study
from monitor.study.reasons import BUILT_IN_REASONS
from tests.judging.hand import STUDY, HandDrive, Mark, entries_of, opening_of, study_of
from tests.judging.test_hazard import MIDDLE, car

BLIND = STUDY.replace("[groups.chime]", "blind = true\n[groups.chime]", 1)
SECOND = """
[[trigger]]
name = "side-gust"
surprise_class = "gust"
[[trigger.condition]]
name = "speed"
measure = "speed"
at_least = 10.0
"""
TRIAL = "1/gate-brake/1"
GUST: Mark = (20.0, "trigger", "side-gust", {})
ALERT = (10.3, "alert_on", "alert", {"modality": "sound", "measured": True})


def braking(t: float) -> dict[str, float]:
    """The driver brakes 0.8 s after the fire, too lightly for it to be seen in the speed."""
    return {"brake": 0.14 if 10.8 <= t < 13.0 else 0.0, "accelerator": 0.3 if t < 10.7 else 0.0}


def blind_session(
    *operator: Mapping[str, Any], judged_by: str = BLIND, opened_with: Study | None = None, **more: Any
) -> Session:
    """The whole record of a drive that is opened with a blind study, judged by a file."""
    opened = opened_with or study_of(BLIND)
    session = Session(study_of(judged_by), opening_of(opened))
    drive = HandDrive(**{"own": braking, "end_t": 25.0, **more})
    session.take(entries_of(drive))
    for number, fields in enumerate(operator):
        whole = {"key": f"k{number}", "by": "anna", "wall": 1.7e9, **fields}
        session.take([Entry(EntryKind.OPERATOR, 90_000 + number, 0, 0, pack_map(whole))])
    return session


def ruling(verdict: str, **more: Any) -> dict[str, Any]:
    return {"type": "ruling", "trial": TRIAL, "verdict": verdict, "reason": "other", **more}


def test_a_record_that_was_opened_blind_stays_so_under_any_study_file() -> None:
    for text in (BLIND, STUDY):
        document = session_json(blind_session(judged_by=text), "r")
        (trial,) = document["trials"]
        assert (trial["response"], trial["response_hidden"]) == (None, True)
        assert trial["verdict"] == "valid"
        # how long the drive took tells how fast it went
        assert (document["feed"]["frames"], document["feed"]["duration_s"]) == (None, None)
        assert document["drives"][0]["ended_by"] is None
    open_ = session_json(blind_session(opened_with=study_of(STUDY), judged_by=STUDY), "r")
    assert open_["trials"][0]["response"]["brake_onset_s"] == pytest.approx(0.8, abs=0.02)
    assert open_["feed"]["duration_s"] == pytest.approx(25.0)


def test_a_record_is_blind_too_if_the_file_that_judges_says_so() -> None:
    (trial,) = blind_session(opened_with=study_of(STUDY), judged_by=BLIND).trials()
    assert trial.response_hidden
    assert trial.response is None


@pytest.mark.parametrize("text", ["", "[study", STUDY.replace("[study]", "[study]\nblynd = true")])
def test_a_study_text_that_does_not_load_any_more_counts_as_blind(text: str) -> None:
    lost = replace(study_of(STUDY), text=text)
    (trial,) = blind_session(opened_with=lost, judged_by=STUDY).trials()
    assert trial.response_hidden


@pytest.mark.parametrize(
    ("operator", "hidden"),
    [
        ([], True),
        ([ruling("undecided")], True),
        ([ruling("valid")], False),
        ([ruling("invalid")], False),
        ([ruling("valid"), ruling("undecided")], False),
        ([{"type": "reveal", "trial": TRIAL}], False),
        ([{"type": "reveal", "trial": "1/side-gust/1"}], True),
        ([{"type": "coding", "trial": TRIAL, "verdict": "valid"}], True),
        ([{"type": "note", "text": "ruled valid"}], True),
    ],
)
def test_an_entry_lifts_it_and_once_lifted_it_stays_so(operator: list[dict[str, Any]], hidden: bool) -> None:
    (trial,) = blind_session(*operator).trials()
    assert trial.response_hidden is hidden
    assert (trial.response is None) is hidden


def test_who_has_entered_a_look_gets_it_all() -> None:
    session = blind_session()
    (trial,) = session.trials(unblinded=True)
    assert trial.response is not None
    assert session.trials()[0].response is None, "and nobody else does, afterwards"


def test_a_later_trial_loses_its_times_and_keeps_its_verdict() -> None:
    text = BLIND + SECOND
    session = blind_session(judged_by=text, opened_with=study_of(text), markers=[ALERT, GUST])
    first, second = session_json(session, "r")["trials"]
    assert first["fired_at"] == 10.0
    open_ = session.trials(unblinded=True)[1]
    assert (second["fired_at"], second["wall"], second["stage"]) == (None, None, "final")
    assert (second["verdict"], open_.fired_at) == (open_.verdict, 20.0)
    assert second["conditions"][0]["value"] == 20.0
    # how well a value is checked depends on what was driven before
    assert {second["conditions"][0]["evidence"][name] for name in ("rebuilt", "differs", "noticed_from")} == {None}
    # once the first one is ruled on, its times are told; its own response is still hidden
    both = blind_session(ruling("valid"), judged_by=text, opened_with=study_of(text), markers=[ALERT, GUST])
    first, second = session_json(both, "r")["trials"]
    assert first["response"] is not None
    assert (second["fired_at"], second["response_hidden"]) == (20.0, True)


def test_which_vehicle_is_ahead_at_a_later_trial_is_hidden_as_who_ran_past_it_has_it_no_more() -> None:
    text = BLIND + SECOND
    session = blind_session(judged_by=text, opened_with=study_of(text), markers=[ALERT, GUST], brake_mps2=0.0)
    assert session.trials(unblinded=True)[1].role_id == {"lead": 1}
    assert [one["role_id"] for one in session_json(session, "r")["trials"]] == [{"lead": 1}, {}]


def test_a_ruled_trial_waits_for_another_whose_horizon_it_meets() -> None:
    text = BLIND + SECOND.replace("[[trigger.condition]]", "[trigger.response]\nhorizon_s = 3.0\n[[trigger.condition]]")
    at_once: Mark = (12.0, "trigger", "side-gust", {})
    session = blind_session(ruling("valid"), judged_by=text, opened_with=study_of(text), markers=[ALERT, at_once])
    first, second = session.trials()
    assert first.response is None, "the response to the gate is seen in what was driven after the gust, too"
    assert first.response_hidden
    assert second.response_hidden


def test_findings_of_what_came_after_the_fire_are_told_by_their_code_or_not_at_all() -> None:
    platform = '[signals.platform_x]\nsource = "platform"\nupper_limit = 0.5\n[[trigger]]'
    text = BLIND.replace("[[trigger]]", platform, 1)
    moved: dict[str, Any] = {"signals": lambda t: {"platform_x": 0.6 if t > 11.0 else 0.01 * t}}

    def codes(*operator: Mapping[str, Any], **more: Any) -> dict[str, tuple[str, float | None]]:
        session = blind_session(*operator, judged_by=text, opened_with=study_of(text), **more)
        return {one.code: (one.sentence, one.at) for one in session.trials()[0].findings}

    assert "platform-limit" in codes(ruling("valid"), **moved)
    assert "platform-limit" not in codes(**moved)
    cut = codes(end_t=10.6)
    assert cut["window-cut"] == (
        f"{BUILT_IN_REASONS['window-cut'].words}; when and how is hidden until the ruling.",
        None,
    )
    assert codes(ruling("valid"), end_t=10.6)["window-cut"][1] is not None


def test_every_row_of_the_three_tables_says_whether_it_reveals() -> None:
    study = study_of(BLIND + '[roles.van]\nid = 1\n[signals.lamp]\nsource = "scripted"\n')
    told = {name for name in MEASURES if not reveals(study, Measure("own", name, None, ""))}
    assert told == {"lane_width", "length", "width"}
    assert reveals(study, Measure("own", "a_channel_of_tomorrow", None, ""))
    assert reveals(study, Measure("role", "speed", "lead", "")), "which vehicle leads depends on own car's way"
    assert not reveals(study, Measure("role", "speed", "van", ""))
    assert reveals(study, Measure("signal", "eyes_on_road", None, ""))
    assert reveals(study, Measure("signal", "not_in_the_study", None, ""))
    assert not reveals(study, Measure("signal", "lamp", None, ""))
    assert {name for name, kind in KINDS.items() if not kind.reveals} == {"run_start", "trigger", "alert_on"}
    revealing = {code for code, reason in BUILT_IN_REASONS.items() if reason.reveals}
    assert {"window-cut", "platform-limit", "task-score"} <= revealing
    renamed = study_of(BLIND + '[reasons.window-cut]\nwords = "cut off"\n')
    assert renamed.reasons["window-cut"].reveals, "other words do not make it harmless"


def test_spans_frames_and_times() -> None:
    trials = blind_session().trials()
    (span,) = hidden_spans(trials, 1)
    assert (span.start_t, span.end_t) == (10.0, 13.0)
    assert masked_from(trials, 1) == 10.0
    assert masked_from(trials, 2) is None
    assert [hides((span,), t) for t in (None, 10.0, 10.01, 13.0, 13.01)] == [False, False, True, True, False]
    t = np.array([9.0, 10.0, 11.0, 13.0, 14.0])
    assert hidden_frames((span,), t).tolist() == [False, False, True, True, False]
    assert hidden_frames((span,), t, over_s=1.0).tolist() == [False, False, True, True, True]
    said = "Lost between 11.20 and 11.40 s, 0.20 s long, after 9.50 s."
    assert hide_times(said, 10.0) == "Lost between (hidden) and (hidden) s, 0.20 s long, after 9.50 s."


def test_nothing_of_it_is_anywhere_in_the_document() -> None:
    """Two drives that differ after the fire only give the same bytes."""

    def document(own: Any, end_t: float) -> str:
        return json.dumps(session_json(blind_session(own=own, end_t=end_t), "r"), sort_keys=True)

    assert document(braking, 25.0) == document(lambda t: {}, 31.0)


UNTOLD: dict[str, Any] = {"fire_t": None, "van_decel": lambda t: 5.0 if 10.0 < t < 13.0 else 0.0, "markers": []}
"""The rule of the trigger held, its hazard came, and no marker told of it."""


def test_the_response_to_a_fire_that_no_marker_told_of_is_hidden() -> None:
    session = blind_session(**UNTOLD)
    (trial,) = session.trials()
    assert (trial.fired_at, trial.verdict, trial.withheld) == (None, "undecided", True)
    (span,) = hidden_spans([trial], 1)
    assert (span.start_t, span.end_t) == pytest.approx((10.0, 13.0), abs=0.1)
    document = session_json(session, "r")
    assert (document["feed"]["frames"], document["drives"][0]["ended_by"]) == (None, None)
    lifted = blind_session({"type": "reveal", "trial": trial.id}, **UNTOLD)
    assert hidden_spans(lifted.trials(), 1) == ()
    no_hazard = blind_session(**{**UNTOLD, "van_decel": lambda t: 0.0})
    assert hidden_spans(no_hazard.trials(), 1) == ()


def test_nothing_told_of_a_fire_that_no_marker_told_of_depends_on_the_response() -> None:
    def document(own: Any, end_t: float) -> str:
        return json.dumps(session_json(blind_session(own=own, end_t=end_t, **UNTOLD), "r"), sort_keys=True)

    assert document(braking, 25.0) == document(lambda t: {}, 31.0)


def test_the_response_to_an_untold_fire_is_hidden_from_the_moment_when_its_hazard_shows() -> None:
    study = study_of(BLIND)
    session, hidden_at = Session(study, opening_of(study)), []
    for entry in entries_of(HandDrive(own=braking, **UNTOLD)):
        session.take([entry])
        if session.current is not None and hidden_spans(session.trials(), 1):
            hidden_at.append(session.current.log.newest_t)
    assert min(hidden_at) < 10.8, "before the driver brakes"


def blinded(*operator: Mapping[str, Any], text: str) -> Session:
    """A drive of which two markers are lost after the fire of one trigger, and the other one never fires."""
    session = Session(study_of(text), opening_of(study_of(text)))
    drive = Unrepeated(markers=[ALERT, ENDED, HIT], lost_markers=frozenset({4, 5}))
    session.take(entries_of(drive, operator=[{"key": f"k{n}", "by": "anna", **one} for n, one in enumerate(operator)]))
    return session


@pytest.mark.parametrize(
    ("text", "operator", "is_told"),
    [
        (STUDY, [], True),
        (BLIND, [], False),
        (BLIND, [ruling("undecided")], False),
        (BLIND, [ruling("valid")], True),
        (BLIND, [{"type": "reveal", "trial": TRIAL}], True),
        # its own ruling lifts nothing of what the other one's response is told by
        (BLIND, [{"type": "reveal", "trial": "1/late-gate/1"}, ruling("valid", trial="1/late-gate/1")], False),
    ],
)
def test_how_many_markers_were_lost_is_told_where_no_response_of_the_drive_is_hidden(
    text: str, operator: list[dict[str, Any]], is_told: bool
) -> None:
    """Of the trigger that never fired, in the words of a person and in the document."""
    session = blinded(*operator, text=text + NEVER_FIRED)
    trial = next(one for one in session.trials() if one.trigger == "late-gate")
    said = "2 of the drive's markers never arrived" if is_told else "Not all of the drive's markers arrived"
    assert [one.sentence.partition(";")[0] for one in trial.findings if one.code == "marker-lost"] == [said]
    document = json.dumps(session_json(session, "r"))
    assert said in document
    assert ("of the drive's markers never arrived" in document) is is_told


class Unrepeated(HandDrive):
    """Whose hellos repeat no marker: what is lost stays so."""

    def _hello(self, recent: list[dict[str, Any]]) -> dict[str, Any]:
        return super()._hello([])


class Delayed(HandDrive):
    """Whose fourth marker is sent 2.2 s late: in time for the verdict."""

    def messages(self) -> Iterator[tuple[float, list[bytes]]]:
        held: list[tuple[float, list[bytes]]] = []
        for t, frames in super().messages():
            if frames[0] == b"marker" and msgpack.unpackb(frames[1])["n"] == 4:
                held.append((t + 2.2, frames))
            elif frames[0] == b"hello" and held:
                continue  # which would repeat it
            else:
                while held and held[0][0] <= t:
                    yield t, held.pop()[1]
                yield t, frames


def between(from_t: float) -> Callable[[float], list[dict[str, Any]]]:
    """A small car in the middle between own car and van, in our lane from then on."""
    return lambda t: [car(7, MIDDLE, lane=1 if t >= from_t else 2, y=0.0 if t >= from_t else 3.5, t=t)]


ENDED: Mark = (11.0, "task_end", "grid", {})
HIT: Mark = (12.7, "collision", "van", {})
BUSY: Mark = (9.5, "task_item", "grid", {})
TWINS: dict[str, tuple[HandDrive, HandDrive, str]] = {
    "the one marker that is lost": (
        Unrepeated(markers=[ALERT, ENDED], lost_markers=frozenset({4})),
        Unrepeated(markers=[ALERT, HIT], lost_markers=frozenset({4})),
        "marker-lost",
    ),
    "one or two of them, after one before the fire": (
        Unrepeated(markers=[BUSY, ALERT, ENDED], lost_markers=frozenset({2, 5})),
        Unrepeated(markers=[BUSY, ALERT, ENDED, HIT], lost_markers=frozenset({2, 5, 6})),
        "marker-lost",
    ),
    "a marker that comes late": (
        Delayed(markers=[ALERT, ENDED]),
        Delayed(markers=[ALERT, HIT]),
        "marker-late",
    ),
    "since when somebody is between": (
        HandDrive(markers=[ALERT], more_vehicles=between(11.2)),
        HandDrive(markers=[ALERT], more_vehicles=between(12.4)),
        "lead-changed",
    ),
    "how many were lost, of a trigger that never fired": (
        Unrepeated(markers=[ALERT, ENDED], lost_markers=frozenset({4})),
        Unrepeated(markers=[ALERT, ENDED, HIT], lost_markers=frozenset({4, 5})),
        "marker-lost",
    ),
}
NEVER_FIRED = """
[[trigger]]
name = "late-gate"
surprise_class = "gate"
[[trigger.fires_when]]
measure = "station"
at_least = 500.0
edge = "rising"
"""


@pytest.mark.parametrize("what", TWINS)
def test_what_was_lost_or_late_after_the_fire_tells_nothing_of_the_driver(what: str) -> None:
    """Who responds leaves the task, who does not may hit the van: both send a marker, at another time."""
    first, second, code = TWINS[what]
    text = BLIND + NEVER_FIRED
    told, codes = [], set()
    for drive in (first, second):
        session = Session(study_of(text), opening_of(study_of(text)))
        session.take(entries_of(drive))
        codes |= {one.code for trial in session.trials(unblinded=True) for one in trial.findings}
        trials = session.trials()
        cards = ["".join(text for text, _ in row) for trial in trials for row in card_rows(trial, 120)]
        told.append((session_json(session, "r"), [line for trial in trials for line in trial_lines(trial)], cards))
    assert code in codes, "there is something to hide"
    assert told[0] == told[1]
