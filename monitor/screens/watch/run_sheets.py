"""The sheets of the watch screen that go with a run from beginning to end: preflight, steps, rulings, close-out."""

from __future__ import annotations

from monitor.following.heading.trials import speaks, waiting
from monitor.following.view import Question, SheetLine
from monitor.judging.case.trial import Trial
from monitor.screens.dialogs.asking import EndSheet
from monitor.screens.dialogs.closing import CloseOutSheet
from monitor.screens.dialogs.handing_over import HandoverSheet, handover_page
from monitor.screens.dialogs.preflight import PreflightSheet
from monitor.screens.dialogs.ruling import RulingSheet
from monitor.screens.dialogs.steps import StepsSheet
from monitor.screens.dialogs.unclosed import UnclosedSheet
from monitor.screens.messages import RulingGiven
from monitor.screens.provider import EndingProvider
from monitor.screens.watch.day_sheets import DaySheets


class RunSheets(DaySheets):
    """What these sheets ask for is entered with the time of the key."""

    _preflight_shown = False
    _unclosed_shown = False
    _handover_shown = False

    def tick(self) -> None:
        """Takes the newest view; the first one with a preflight in it shows that."""
        super().tick()
        self._show_preflight_once()
        self._show_unclosed_once()
        self._show_handover_once()

    def _show_preflight_once(self) -> None:
        found = self.latest.preflight
        if found is None or self._preflight_shown or self.read_only or self.replay:
            return
        self._preflight_shown = True
        if not found.over:
            self._open_preflight(closes_itself=True)

    def _show_unclosed_once(self) -> None:
        unclosed = self.latest.recorder.unclosed
        if unclosed is None or self._unclosed_shown or self.read_only or self.replay:
            return
        self._unclosed_shown = True
        self._open_unclosed()

    def _show_handover_once(self) -> None:
        """Whoever comes back under another name than what was entered last has taken over: the page comes by itself."""
        view = self.latest
        if self._handover_shown or self.read_only or self.replay or not view.operator:
            return
        if self.app.screen is not self:
            return  # a page that waits for an answer comes first
        self._handover_shown = True
        if view.in_charge and view.in_charge != view.operator and view.closing_digest is None:
            self._hand_over(view.operator)

    def _open_unclosed(self) -> None:
        source = self.source if isinstance(self.source, EndingProvider) else None
        self.app.push_screen(UnclosedSheet(lambda: self.source.view().recorder.unclosed, source))

    def action_before(self) -> None:
        """Opens the preflight."""
        if self.latest.preflight is None:
            self.say("no preflight of this run")
            self.draw()
            return
        self._open_preflight(closes_itself=False)

    def _open_preflight(self, *, closes_itself: bool) -> None:
        answer = None if self.read_only else self._answer
        found = PreflightSheet(
            lambda: self.latest.preflight, lambda: self.latest.questions, answer, closes_itself=closes_itself
        )
        self.app.push_screen(found)

    def _answer(self, question: Question, said: str) -> None:
        fields = {"type": "answer", "about": question.about, "answer": said}
        more = {"simulator": question.simulator, "ours": question.ours}
        self.enter(f"{question.about}: answered", {**fields, **more}, self.moment())

    def action_steps(self) -> None:
        """Opens the run sheet."""
        if not self.latest.sheet:
            self.say("the study has no run sheet")
            self.draw()
            return
        self.app.push_screen(StepsSheet(lambda: self.latest.sheet, None if self.read_only else self._tick_off))

    def _tick_off(self, step: SheetLine) -> None:
        done = step.state != "done"
        said = f"step {step.name} {'done' if done else 'not done'}"
        self.enter(said, {"type": "step", "step": step.name, "done": done}, self.moment())

    @property
    def trials(self) -> tuple[Trial, ...]:
        """Trials that there is something to say of, as they are now."""
        return tuple(one for one in self.latest.trials if one.stage != "armed" or speaks(one))

    def action_rule(self) -> None:
        """Opens the ruling on the trial that has waited longest; where none waits, on the newest."""
        if self.asked_first():
            return
        if not self.trials:
            self.nothing_to("rule on")
            return
        waits = [self.latest.contested[0][0]] if self.latest.contested else [one.id for one in waiting(self.latest)]
        self.rule_on(next((one for one in self.trials if one.id in waits[:1]), self.trials[-1]))

    def rule_on(self, trial: Trial) -> None:
        """Opens the ruling on a trial; its time is now."""
        moment = self.moment()

        def given(ruling: RulingGiven | None) -> None:
            if ruling is None:
                self.say("no ruling entered")
                return
            fields = {"type": "ruling", "trial": ruling.trial, "verdict": ruling.verdict, "reason": ruling.reason}
            self.enter(f"ruling on {ruling.trial}", {**fields, "words": ruling.words}, moment)

        sheet = RulingSheet(self.trials, self.latest.reasons)
        sheet.at = next((at for at, one in enumerate(self.trials) if one.id == trial.id), sheet.at)
        self.app.push_screen(sheet, given)

    def confirm(self, trial: Trial) -> None:
        """Rules that a trial is what was computed."""
        fields = {"type": "ruling", "trial": trial.id, "verdict": trial.verdict, "reason": "confirmed", "words": ""}
        self.enter(f"confirmed {trial.id}", fields, self.moment())

    def action_close_out(self) -> None:
        """Opens the close-out; while no disk takes the end of the run, what can be done about that."""
        if self.latest.recorder.unclosed is not None and not self.read_only:
            self._open_unclosed()
            return
        if self.asked_first():
            return
        if self.read_only:
            self.app.push_screen(CloseOutSheet(lambda: self.latest))
            return
        sheet = CloseOutSheet(
            lambda: self.latest, confirm=self.confirm, overrule=self.rule_on, end_run=self.action_end_run
        )
        self.app.push_screen(sheet)

    def action_end_run(self) -> None:
        """Ends the run after the participant's code was typed."""

        def answered(sure: bool | None) -> None:
            if sure:
                self.source.end("ended by the operator")
                self.say("the run is ended")

        self.app.push_screen(EndSheet(self.latest.participant), answered)

    def action_handover(self) -> None:
        """Somebody else takes over."""
        self._hand_over("")

    def _hand_over(self, to: str) -> None:
        """Shows the page; `to` has come already. It is entered as it was shown."""
        moment = self.moment()
        by = self.in_charge or self.latest.in_charge
        page = handover_page(self.latest, moment.wall)

        def answered(to: str | None) -> None:
            if to is None:
                return
            if to == by:
                self.in_charge = to
                self.say(f"{to} has it already: nothing was entered")
            elif self.enter(f"handed over to {to}", {"type": "handover", "to": to, **page.fields}, moment):
                self.in_charge = to

        self.app.push_screen(HandoverSheet(page, by, to), answered)

    def nothing_to(self, what: str) -> None:
        """Says that there is no trial yet."""
        self.say(f"no trial yet to {what}")
        self.draw()
