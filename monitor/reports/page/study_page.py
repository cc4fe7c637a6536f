"""The page of a study: where it stands, the flow of participants, losses, the equipment, the methods, and, only where
somebody unblinded, the responses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from monitor.archive.gathering import Gathered, StudyRuns, count
from monitor.archive.looks import Look
from monitor.archive.summary import Checked, RunSummary, day_of
from monitor.record.reader import RecordReading
from monitor.reports.assigning.asked import BeforeLot, before_lot
from monitor.reports.closeout.sections import Table
from monitor.reports.comparison.comparison import Comparison
from monitor.reports.comparison.plan import Asked, analysis_of
from monitor.reports.comparison.words import cautions as analysts_cautions
from monitor.reports.comparison.words import conventions
from monitor.reports.forecast.forecast import LEVELS, Bookings, Forecast, chosen_trigger, forecast_studies
from monitor.reports.forecast.standing import Invited, invited_of
from monitor.reports.forecast.text import counted_sentences
from monitor.reports.page.curves import contact_curves, response_curves, shows_limits
from monitor.reports.page.document import cautions, figure, heading, page, paragraph, points, table
from monitor.reports.page.flow import branches_of, flow
from monitor.reports.page.methods import methods
from monitor.reports.page.weeks import Series, losses_by_week, run_chart
from monitor.reports.statistics.invitations import MOST
from monitor.reports.tally.tally import is_of
from monitor.study.loading import parse_study
from monitor.study.model import Study

LOST_RESOLUTION, DELAY_RESOLUTION = 0.01, 1.0
"""Per cent of frames, and milliseconds: less than this means nothing."""


def study_page(
    gathered: Gathered, comparisons: Sequence[Comparison], look: Look | None, study: Study | None = None
) -> str:
    """The document. `comparisons` are there only for who unblinded, and `look` is how that was entered; `study` is the
    file by which all records were judged, where it is not their own."""
    parts: list[str] = []
    forecasts = {one.study: one for one in forecast_studies(gathered, Bookings(None, date.today()), looks=1)}
    for one in gathered.studies:
        chosen = chosen_trigger(one, None)
        if chosen is None:
            continue
        alone = len(gathered.studies) == 1
        withdrawn = [gone for gone in gathered.withdrawn if is_of(gone, one, alone=alone)]
        invited = invited_of(one, chosen, withdrawn)
        used = study or _study_of(gathered, one)
        parts += [*_head(one, used), *_standing(forecasts[one.name])]
        before = before_lot(gathered.directory, one, withdrawn)
        parts += [
            *_flow(one, invited, before),
            *_losses(one, chosen),
            *_equipment(one, chosen),
            *_detection(one, chosen),
        ]
        shown = next((each for each in comparisons if each.study == one.name), None)
        if shown is not None and look is not None:
            parts += _responses(shown, look)
        parts += _methods(one, used, chosen, invited)
        parts += _records(one, chosen)
    if not parts:
        parts = [heading(1, "No run"), paragraph(f"{gathered.directory} holds no run that can be counted.")]
    parts.insert(1, cautions(gathered.faults()))
    title = " + ".join(one.name for one in gathered.studies) or "No run"
    return page(f"Study {title}", parts, f"Made from {count(len(gathered.runs), 'record')} in {gathered.directory}.")


def _study_of(gathered: Gathered, one: StudyRuns) -> Study:
    path = gathered.directory / one.runs[-1].record
    return parse_study(RecordReading(path).opening.study_text, f"study file in {path}")


def _head(one: StudyRuns, study: Study) -> list[str]:
    days = [day for day in (day_of(run) for run in one.runs) if day]
    when = f"{days[0]} to {days[-1]}" if days else "no day known"
    people = len({run.participant for run in one.runs})
    return [
        heading(1, study.title or one.name),
        paragraph(
            f"Study {one.name} · {count(len(one.runs), 'run')} of {count(people, 'participant')} · {when}", "under"
        ),
    ]


def _standing(one: Forecast) -> list[str]:
    rows = [
        (
            group.group,
            _number(group.planned),
            str(group.invited),
            str(group.valid),
            str(group.lost),
            str(group.waiting),
            *_invite(group.needed, group.points),
        )
        for group in one.groups
    ]
    sums = [str(sum(getattr(group, name) for group in one.groups)) for name in ("invited", "valid", "lost", "waiting")]
    rows.append(("all", "", *sums, *_invite(one.needed, one.points)))
    enough = tuple(f"{level:.0%}" for level in LEVELS)
    head = ("group", "planned", "in a session", "valid", "lost", "waiting", "needed", *enough)
    return [
        heading(2, f"Where the study stands: {one.trigger}"),
        table(Table(head, tuple(rows)), numbers=range(1, len(head))),
        *(paragraph(sentence) for sentence in counted_sentences(one)),
        paragraph(
            "The last columns: invitations still to make, enough with that chance, by each group's own losses so far "
            "(beta-negative-binomial).",
            "under",
        ),
    ]


def _flow(one: StudyRuns, invited: Sequence[Invited], before: BeforeLot | None) -> list[str]:
    picture = flow(branches_of(list(one.study.planned), invited), before)
    caption = "Participants by group, after CONSORT 2010. A participant lost for two reasons stands under both."
    return [heading(2, "Flow of participants"), figure(picture, caption)] if picture else []


def _losses(one: StudyRuns, trigger: str) -> list[str]:
    losses = [
        (date.fromisoformat(day), reason)
        for run in one.runs
        if (day := day_of(run))
        for trial in run.trials
        if trial.trigger == trigger and trial.effective != "valid"
        for reason in trial.reasons
    ]
    picture = losses_by_week(losses)
    caption = "Trials that do not count, by reason and week; the number is that of the trials."
    return [heading(2, "Losses by reason and week"), figure(picture, caption)] if picture else []


def _equipment(one: StudyRuns, trigger: str) -> list[str]:
    series = [each for each in _series(one, trigger) if len(each.values) > 1]
    if not series:
        return []
    how = paragraph(
        "Each point is a run. Solid line: median; dashed: median ± 3 standard deviations by the median moving range; "
        "ringed: beyond it; bar below: eight or more in a row on one side of it (NIST/SEMATECH e-Handbook, 6.3.2).",
        "under",
    )
    charts = (figure(run_chart(each), each.words()) for each in series)
    return [heading(2, "Equipment from run to run"), *charts, how]


def _series(one: StudyRuns, trigger: str) -> list[Series]:
    dated = [(date.fromisoformat(day), run) for run in one.runs if (day := day_of(run))]
    lost = [(day, 100.0 * run.lost / (run.frames + run.lost)) for day, run in dated if run.frames]
    fired = [
        (day, 1000.0 * trial.fire_delay_s)
        for day, run in dated
        for trial in run.trials
        if trial.trigger == trigger and trial.fire_delay_s is not None
    ]
    found = [_as_series("frames lost", "%", lost, LOST_RESOLUTION)]
    found.append(_as_series("trigger after its rule held", "ms", fired, DELAY_RESOLUTION))
    for modality in dict.fromkeys("+".join(alert) for alert in one.study.alerts.values() if alert):
        delays = [
            (day, 1000.0 * trial.alert_delay_s)
            for day, run in dated
            if "+".join(one.study.alerts.get(run.group, ())) == modality
            for trial in run.trials
            if trial.trigger == trigger and trial.alert_delay_s is not None
        ]
        found.append(_as_series(f"alert after the fire: {modality}", "ms", delays, DELAY_RESOLUTION))
    return found


def _as_series(name: str, unit: str, values: Sequence[tuple[date, float]], resolution: float) -> Series:
    return Series(name, unit, tuple(day for day, _ in values), tuple(value for _, value in values), resolution)


def _detection(one: StudyRuns, trigger: str) -> list[str]:
    """From what error of a channel each condition's check would have shown it, on the feeds of this study."""
    found: dict[tuple[str, str], list[Checked]] = {}
    for run in one.runs:
        for trial in run.trials:
            if trial.trigger == trigger:
                for each in trial.checked:
                    found.setdefault((each.condition, each.unit), []).append(each)
    rows = []
    for (condition, unit), every in found.items():
        # a trial whose limit cannot be told is worse than any other, and no less one of them
        limits = sorted(math.inf if each.noticed_from is None else each.noticed_from for each in every)
        checked = f"{sum(each.by_others for each in every)} of {len(every)}"
        rows.append((condition, checked, _limit(limits[len(limits) // 2], unit), _limit(limits[-1], unit)))
    if not rows:
        return []
    head = ("condition", "trials in which other channels tell it", "an error shows from", "at worst from")
    return [
        heading(2, "Detection limits"),
        table(Table(head, tuple(rows)), numbers=(1, 2, 3)),
        paragraph(
            "The least error of a condition's value that the other channels of the feed would have shown: the middle "
            "trial's, and the worst one's. What no other channel tells was believed as published; “–” where for a "
            "trial no limit can be told: nothing tells an error that was there all along, or its numbers are hidden.",
            "under",
        ),
    ]


def _limit(value: float, unit: str) -> str:
    return f"{value:.2g} {unit}".strip() if math.isfinite(value) else "–"


def _responses(one: Comparison, look: Look) -> list[str]:
    parts = [heading(2, "Responses"), cautions(analysts_cautions(one, look.number))]
    limits = " with their 95 % limits" if shows_limits(one) else ""
    parts.append(figure(response_curves(one), f"Kaplan-Meier curves{limits}; a stroke is a censored time."))
    contact = contact_curves(one)
    if contact:
        parts.append(figure(contact, "Contact as an end that competes with the response."))
    return [*parts, *_tests(one), points(conventions(one))]


def _tests(one: Comparison) -> list[str]:
    rows = [
        (
            group.group,
            str(group.n),
            _seconds(group.median_s),
            _interval(group.median_interval.low, group.median_interval.high, group.median_interval.method),
            f"{group.by_count} of {group.by_known}",
            str(group.collisions),
        )
        for group in one.groups
    ]
    head = ("group", "trials", "median (s)", "95 % interval", f"by {one.analysis.within_s:g} s", "contact")
    parts = [table(Table(head, tuple(rows)), numbers=(1, 2, 3, 4, 5))]
    said = [f"Left out: {text}" for text in one.left_out]
    if one.test.statistic is None:
        said.append(one.no_test or f"{one.analysis.test}: nothing to compare.")
    else:
        said.append(f"{one.analysis.test} over {one.test.df + 1} groups: p {_p(one.test.p)}.")
    rulings = one.rulings
    if rulings.ruled:
        alone = "nothing to compare" if rulings.test.statistic is None else f"p {_p(rulings.test.p)}"
        said.append(
            f"By the computed verdicts alone ({count(rulings.trials, 'trial')}; {rulings.overruled} of "
            f"{count(rulings.ruled, 'ruling')} said otherwise): {alone}."
        )
    said += [
        f"{pair.second} against {pair.first}: medians apart by {_seconds(pair.median_difference_s)} s, p "
        f"{_p(pair.test.p)}, after Holm p {_p(pair.p_holm)}."
        for pair in one.pairs
    ]
    if one.worst_rank is not None and one.worst_rank.statistic is not None:
        said.append(f"With a contact as the worst rank: p {_p(one.worst_rank.p)}.")
    return [*parts, points(said)]


def _methods(one: StudyRuns, study: Study, chosen: str, invited: Sequence[Invited]) -> list[str]:
    trigger = next((each for each in study.triggers if each.name == chosen), None)
    if trigger is None:
        return []
    written = methods(study, one, trigger, analysis_of(one, Asked(trigger=chosen)), invited)
    return [heading(2, "Methods"), *(paragraph(text) for text in written)]


def _records(one: StudyRuns, trigger: str) -> list[str]:
    rows = tuple(_record(run, trigger) for run in one.runs)
    head = ("record", "group", trigger, "digest, its first quarter")
    return [heading(2, "Records"), table(Table(head, rows), long=(2,))]


def _record(run: RunSummary, trigger: str) -> tuple[str, ...]:
    """Code, day and time stand in the record's name."""
    own = [trial for trial in run.trials if trial.trigger == trigger]
    verdicts = "; ".join(", ".join((trial.effective, *trial.reasons)) for trial in own) or "no trial"
    return (run.record, run.group, verdicts, run.digest[:16])


def _invite(needed: int | None, points: Sequence[int | None]) -> tuple[str, ...]:
    """Valid trials wanted and invitations for them; a point is dashed only where nothing is planned."""
    beyond = "–" if needed is None else f"> {MOST}"
    return (_number(needed), *(beyond if number is None else str(number) for number in points))


def _number(value: int | None) -> str:
    return "–" if value is None else str(value)


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _interval(low: float | None, high: float | None, method: str) -> str:
    return "–" if method == "none" else f"{_seconds(low)} to {'…' if high is None else f'{high:.2f}'}"


def _p(value: float | None) -> str:
    return "–" if value is None else "< .001" if value < 0.001 else f"= {value:.3f}"
