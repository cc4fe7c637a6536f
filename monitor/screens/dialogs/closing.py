"""Close-out: each trial confirmed or overruled, what is unresolved, the end of the run, and its digest to keep."""

from __future__ import annotations

from collections.abc import Callable

from monitor.following.view import LiveView, SheetLine
from monitor.following.words import trial_time, verdict_sentences, verdict_word
from monitor.judging.case.trial import Trial
from monitor.screens.dialogs.choosing import ChoosingSheet
from monitor.screens.dialogs.sheet import Row
from monitor.screens.drawing.canvas import clean, fit, wrap
from monitor.screens.drawing.marks import OPEN, VERDICT_MARKS, VERDICT_TONES

GROUP = 8
"""Letters of the digest in a group, as people copy it by hand."""


def in_groups(digest: str) -> str:
    """The digest in groups of eight letters."""
    return " ".join(digest[at : at + GROUP] for at in range(0, len(digest), GROUP))


def unresolved(view: LiveView) -> list[str]:
    """What is not settled yet, a sentence each."""
    out = []
    if view.closing_digest is None and view.feed.state != "ended":
        out.append("The drive has not ended.")
    if view.stop is not None:
        out.append(f"STOP stands: {view.stop.words}.")
    out += [
        f"{one.about}: the simulator says {one.simulator}, ours is {one.ours}; nobody has answered."
        for one in view.questions
        if not one.answer
    ]
    out += [f"{one.about}: {one.answer}; a note may say why." for one in view.questions if one.answer]
    out += [f"{trial}: {said}." for trial, said in view.contested]
    for trial in view.trials:
        if trial.stage == "armed":
            out.append(f"{trial.id} has not fired.")
        elif trial.stage == "fired":
            out.append(f"{trial.id} is still being judged.")
        elif trial.effective == "undecided":
            out.append(f"{trial.id} is {'ruled' if trial.ruling else 'computed as'} undecided: it is your call.")
        elif trial.ruling is None:
            out.append(f"{trial.id} is neither confirmed nor overruled.")
    out += view.day.open
    settled = settled_steps(view)
    left = [step.name for step in view.sheet if step not in settled]
    if left:
        out.append(f"Not ticked off on the run sheet: {', '.join(left)}.")
    if view.recorder.unsaved:
        out.append(f"{view.recorder.unsaved} entries are not on disk yet.")
    if view.recorder.state in ("lost", "restarting", "not recording"):
        out.append(view.recorder.sentence or f"The recorder: {view.recorder.state}.")
    return out


def settled_steps(view: LiveView) -> list[SheetLine]:
    """The steps of the run sheet that are done, or that a companion stands for."""
    companions = {one.name for one in view.day.companions}
    return [step for step in view.sheet if step.state == "done" or step.name in companions]


class CloseOutSheet(ChoosingSheet):
    """Without its calls it only shows. Once the record is closed it takes no ruling any more and shows the digest."""

    least_rows = 20
    takes_notes = True

    def __init__(
        self,
        view: Callable[[], LiveView],
        *,
        confirm: Callable[[Trial], None] | None = None,
        overrule: Callable[[Trial], None] | None = None,
        end_run: Callable[[], None] | None = None,
    ) -> None:
        super().__init__()
        self._view = view
        self._confirm = confirm
        self._overrule = overrule
        self._end_run = end_run
        self._said = ""
        self._asked: set[str] = set()
        """Trials confirmed here, until the view says so."""
        self._choose_next()

    @property
    def _trials(self) -> list[Trial]:
        return [trial for trial in self._view().trials if trial.stage != "armed"]

    @property
    def _is_open(self) -> bool:
        return self._view().closing_digest is None and self._confirm is not None

    @property
    def heading(self) -> str:
        """How far it is."""
        trials = self._trials
        ruled = sum(trial.ruling is not None for trial in trials)
        closed = "" if self._view().closing_digest is None else "   the record is CLOSED"
        return f"CLOSE-OUT   {ruled} of {len(trials)} trials ruled on{closed}"

    @property
    def foot(self) -> str:
        """The keys that do something now."""
        if self._said:
            return self._said
        if self._view().closing_digest is not None:
            return "y copies the digest   Esc closes"
        return "↑↓ choose   c confirm   o overrule   e end the run   Esc closes" if self._is_open else "Esc closes"

    def _choose_next(self) -> None:
        trials = self._trials
        order = [*range(self.at, len(trials)), *range(min(self.at, len(trials)))]
        waiting = [at for at in order if trials[at].ruling is None and trials[at].id not in self._asked]
        self.at = waiting[0] if waiting else self.at
        self._moved = True

    def head(self, width: int) -> list[Row]:
        """The digest, once there is one."""
        view = self._view()
        digest = view.closing_digest
        if digest is None:
            return [] if self._trials else [[("no trial", "dim")]]
        words = "Closing digest. Write it down elsewhere: by it anyone can tell whether the record was changed."
        rows: list[Row] = [[(line, "dim")] for line in wrap(words, width, 3)]
        rows += [[(line, "strong")] for line in wrap(in_groups(digest), width, 8)]
        rows.append([("Now leave this screen (q), and seal the record with:", "dim")])
        command = f"trialwitness seal {clean(view.record)}"
        return [*rows, *([(command[at : at + width], "strong")] for at in range(0, len(command), width)), []]

    def blocks(self, width: int) -> list[list[Row]]:
        """A trial's verdict and what was ruled; below it why."""
        return [self._trial(trial, width) for trial in self._trials]

    def _trial(self, trial: Trial, width: int) -> list[Row]:
        open_one = verdict_word(trial) == "FIRED"
        mark = OPEN if open_one else VERDICT_MARKS[trial.verdict]
        computed = "being judged" if open_one else trial.verdict
        role = "wait" if open_one else VERDICT_TONES[trial.verdict]
        what = f"{fit(clean(trial.id), 18)} {trial_time(trial):<11} "
        ruled, ruled_role = _ruled(trial)
        if trial.ruling is None and trial.id in self._asked:
            ruled = "confirmed: saving"
        ruled = fit(ruled, max(0, width - 14 - len(what))).rstrip()
        row: Row = [(f"{mark} {computed:<12}", role), (what, "strong"), (ruled, ruled_role)]
        why = fit(clean(verdict_sentences(trial)[0]), max(0, width - 2)).rstrip()
        return [row, [("  ", "plain"), (why, "dim")]]

    def tail(self, width: int) -> list[Row]:
        """What is unresolved."""
        found = unresolved(self._view())
        if not found:
            return [[], [("Nothing is unresolved.", "good")]]
        rows: list[Row] = [[], [("UNRESOLVED", "wait")]]
        for sentence in found:
            lines = wrap(clean(sentence), max(10, width - 2), 3)
            rows += [[("  " if y else "▒ ", "wait"), (line, "strong")] for y, line in enumerate(lines)]
        return rows

    def press(self, key: str, character: str | None) -> bool:
        """Confirm, overrule, end, copy."""
        self._said = ""
        trials = self._trials
        chosen = trials[self.at] if trials else None
        digest = self._view().closing_digest
        if character == "y" and digest is not None:
            self.app.copy_to_clipboard(digest)
            self._said = "copied, where the terminal lets programs copy; compare what you paste   Esc closes"
        elif not self._is_open:
            return False
        elif character == "c" and chosen is not None and self._confirm is not None:
            self._confirm_one(chosen)
        elif character == "o" and chosen is not None and self._overrule is not None:
            self._overrule(chosen)
        elif character == "e" and self._end_run is not None:
            self._end_run()
        else:
            return False
        self.redraw()
        return True

    def _confirm_one(self, trial: Trial) -> None:
        assert self._confirm is not None
        if trial.stage == "fired":
            self._said = "Not yet: it is still being judged"
            return
        self._asked.add(trial.id)
        self._confirm(trial)
        self._said = f"{clean(trial.id)} confirmed as {trial.verdict}   c o e Esc"
        self._choose_next()


def _ruled(trial: Trial) -> tuple[str, str]:
    ruling = trial.ruling
    if ruling is None:
        return "not ruled", "wait"
    if ruling.verdict == trial.verdict:
        return f"confirmed by {clean(ruling.by)}", "plain"
    return f"ruled {ruling.verdict}, {clean(ruling.reason)}", VERDICT_TONES[ruling.verdict]
