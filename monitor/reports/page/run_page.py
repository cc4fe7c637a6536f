"""The page of one run: its time line, each trial with what it was judged by, the notes, and the digests."""

from __future__ import annotations

from monitor.judging.case.trial import Trial
from monitor.reports.closeout.closeout import (
    about_section,
    feed_section,
    handover_sections,
    note_sections,
    sheet_sections,
    trial_sections,
)
from monitor.reports.closeout.day import day_sections
from monitor.reports.closeout.sections import Table
from monitor.reports.export.drives import WholeRun
from monitor.reports.notebook import Run
from monitor.reports.page.document import cautions, chips, figure, heading, page, paragraph, section, table
from monitor.reports.page.time_line import DriveLine, time_line
from monitor.reports.page.trial_plot import trial_plot


def run_page(whole: WholeRun) -> str:
    """The document; `whole` has its frames. What a blind study hides is hidden here."""
    run = Run(whole, None)
    session = whole.session
    trials = session.trials()
    parts = [
        heading(1, f"Run of {run.participant}"),
        paragraph(f"{session.study.title or run.study} · group {run.group or 'not known'}", "under"),
        chips((trial.trigger, trial.effective) for trial in trials),
        cautions([f"the record is damaged. {what}" for what in whole.damage]),
        *_drives(run, whole),
    ]
    for trial in trials:
        parts += [section(one) for one in trial_sections(trial)]
        parts += _plot(run, whole, trial)
    parts += [
        section(one)
        for one in (
            feed_section(whole),
            *day_sections(session),
            *note_sections(whole),
            *handover_sections(whole),
            *sheet_sections(whole),
        )
    ]
    about = about_section(whole)
    if about.table is not None:
        parts += [heading(2, "Record"), table(about.table, long=(1,))]
    parts += [heading(2, "Digests"), table(_digests(whole), long=(1,))]
    return page(
        f"Run of {run.participant}", parts, f"Made from the record {whole.path.name}, {whole.state}, {whole.digest}."
    )


def _drives(run: Run, whole: WholeRun) -> list[str]:
    parts = []
    for drive in whole.drives:
        index = drive.log.index
        hidden_from = run.hidden_from(index)
        picture = time_line(
            DriveLine(
                drive=index,
                frames=run.frames(index),
                markers=[one for one in run.markers if one["drive"] == index],
                trials=[one for one in run.trials if one["drive"] == index],
                notes=run.notes if len(whole.drives) == 1 else [one for one in run.notes if one["drive"] == index],
                losses=[one for one in drive.losses if hidden_from is None or one.before_t < hidden_from],
                hidden_from=hidden_from,
            )
        )
        if picture:
            caption = "Own speed, and below it triggers with their verdicts, alerts, the task, notes by their numbers."
            parts.append(figure(picture, f"Drive {index}. {caption}"))
    return parts


def _plot(run: Run, whole: WholeRun, trial: Trial) -> list[str]:
    trigger = next((one for one in whole.session.study.triggers if one.name == trial.trigger), None)
    if trigger is None:
        return []
    picture = trial_plot(trial, trigger, run.frames(trial.drive), run.hidden_from(trial.drive))
    if not picture:
        return []
    caption = "Shaded: the band of each condition, over the time for which it is asked. Seconds from the fire."
    return [figure(picture, caption)]


def _digests(whole: WholeRun) -> Table:
    opening = whole.session.opening
    rows = [
        ("record, over every entry in order", whole.digest),
        ("rulings and notes after closing", whole.added.code or "none were entered"),
        ("study file in the record", opening.study_sha256),
        ("study file that judged", whole.session.study.sha256),
        *((f"version of {name}", version) for name, version in sorted(opening.versions.items())),
    ]
    return Table(("", ""), tuple(rows))
