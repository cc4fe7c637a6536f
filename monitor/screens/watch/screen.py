"""The watch screen with its keys: every action that `keymap` names."""

from __future__ import annotations

from dataclasses import replace

from textual.binding import Binding

from monitor.following.heading.trials import trial_now
from monitor.following.words import clock
from monitor.judging.case.trial import VIDEO_MARK, Note, Trial
from monitor.screens.dialogs.asking import ComfortSheet, EyesSheet, LeaveSheet, NoteSheet, RevealSheet
from monitor.screens.dialogs.card import CardSheet
from monitor.screens.dialogs.lists import HelpSheet, NotesSheet
from monitor.screens.dialogs.stopping import RetractSheet, StopAnswered, StopSheet
from monitor.screens.keymap import KEYS, action_name, offered
from monitor.screens.messages import ColoursAsked, PictureAsked
from monitor.screens.mouse import RowClicked
from monitor.screens.panels.side import trial_rows
from monitor.screens.watch.moving import Moving


class WatchScreen(Moving):
    """Keys and what they do. What is entered has the time of the key, not that of an Enter that came later."""

    # With priority a key acts before the next one is looked at: of a burst ("n", then words) none is taken for another.
    BINDINGS = [  # noqa: RUF012 (Textual's own way)
        Binding(key.key, key.action, key.word, show=False, priority=True) for key in KEYS
    ]

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that write do nothing on a screen that only reads, those of a replay only in one; and where nothing can
        be seen none acts but the one that leaves."""
        for key in KEYS:
            if action_name(key) == action:
                if self.is_too_small and action != "leave":
                    return False
                return offered(key, read_only=self.read_only, replay=self.replay)
        return super().check_action(action, parameters)

    def action_note(self) -> None:
        """Opens the note box; the note's time is now."""
        moment = self.moment()

        def written(text: str | None) -> None:
            if text is None:
                self.say("no note entered")
                self.draw()
                return
            self.enter(f"note at {clock(moment.at)}", {"type": "note", "text": text}, moment)

        self.app.push_screen(NoteSheet(moment), written)

    def _mark(self, code: str, text: str) -> None:
        moment = self.moment()
        self.enter(f"{text} at {clock(moment.at)}", {"type": "mark", "code": code, "text": text}, moment)

    def action_mark(self) -> None:
        """A quick mark, entered at once."""
        self._mark("look", "mark")

    def action_video_mark(self) -> None:
        """The common time mark for the room's video."""
        self._mark(VIDEO_MARK, "video mark")

    def action_unwell(self) -> None:
        """The participant is unwell and the drive was stopped; where a stop stands already, what lifts it."""
        stop = self.latest.stop
        if stop is None:
            self._mark("unwell", "unwell, stopped")
            return
        moment = self.moment()

        def answered(said: StopAnswered | None) -> None:
            if said is None:
                return
            if said.how == "lift":
                fields = {"type": "answer", "about": "stop", "answer": "lifted", "words": said.words}
                self.enter("stop lifted", fields, moment)
            else:
                fields = {"type": "retract", "what": stop.key, "words": said.words}
                self.enter("taken back", fields, moment)

        self.app.push_screen(StopSheet(stop), answered)

    def action_emergency(self) -> None:
        """The emergency stop was used."""
        self._mark("emergency-stop", "emergency stop used")

    def action_acknowledge(self) -> None:
        """The verdict that heads the screen, or stands second, was seen."""
        if self.asked_first():
            return
        said = self.to_be_seen(self.picture(self.latest))
        if said is None:
            self.say("no verdict on the screen waits to be seen")
            self.draw()
            return
        trial, word = said
        if not self.reading.has_read(said):
            self.say(f"{word} has only just come: a when it is read", "wait")
            self.draw()
            return
        if self.enter(f"seen: {trial}", {"type": "seen", "trial": trial, "word": word}, self.moment()):
            self.acknowledged |= {(trial, word)}
            self.draw()

    def on_row_clicked(self, event: RowClicked) -> None:
        """A click on a trial beside the ladder opens its card."""
        if self.hides_trials:
            return
        size = self.query_one("#side").size
        rows = trial_rows(self.latest.trials, len(self.latest.notes), size.width, size.height)
        place = event.y - 1
        if event.name == "side" and 0 <= place < len(rows):
            self._open_card(rows[place][0].id)

    def action_card(self) -> None:
        """Opens the newest trial's card."""
        if self.asked_first():
            return
        if not self.trials:
            self.nothing_to("show")
            return
        self._open_card(self.trials[-1].id)

    def _open_card(self, trial_id: str) -> None:
        card = CardSheet(
            lambda: tuple(replace(one, what_now=self._what_now(one)) for one in self.trials),
            lambda: self.latest.responses,
            may_rule=not self.read_only,
            may_reveal=not (self.read_only or self.replay),
        )
        card.at = next((at for at, trial in enumerate(self.trials) if trial.id == trial_id), card.at)

        def closed(wish: str | None) -> None:
            if wish == "rule":
                self.action_rule()
            elif wish == "reveal":
                self._reveal(card.trial)

        self.app.push_screen(card, closed)

    def _what_now(self, trial: Trial) -> str:
        """While somebody drives what a trial means for the drive; replacing it is a matter of close-out."""
        is_over = self.replay or self.latest.feed.state == "ended"
        return trial.what_now if is_over else trial_now(trial, self.latest)

    def _reveal(self, trial: Trial) -> None:
        moment = self.moment()

        def answered(sure: bool | None) -> None:
            if sure:
                self.enter(f"revealed {trial.id}", {"type": "reveal", "trial": trial.id}, moment)

        self.app.push_screen(RevealSheet(), answered)

    def action_eyes(self) -> None:
        """The operator's call about the eyes at the newest fire."""
        fired = [trial for trial in self.trials if trial.fired_at is not None]
        if not fired:
            self.nothing_to("say of the eyes")
            return
        moment, trial = self.moment(), fired[-1]

        def answered(on_road: bool | None) -> None:
            if on_road is not None:
                said = f"eyes {'on the road' if on_road else 'away'} at {trial.id}"
                self.enter(said, {"type": "eyes", "trial": trial.id, "value": on_road}, moment)

        self.app.push_screen(EyesSheet(trial), answered)

    def action_comfort(self) -> None:
        """The comfort rating."""
        moment = self.moment()

        def answered(rating: int | None) -> None:
            if rating is not None:
                self.enter(f"comfort {rating} at {clock(moment.at)}", {"type": "comfort", "rating": rating}, moment)

        self.app.push_screen(ComfortSheet(), answered)

    def action_list(self) -> None:
        """The list of notes."""
        may = not (self.read_only or self.replay)
        self.app.push_screen(NotesSheet(lambda: self.latest.notes, self._take_back if may else None))

    def _take_back(self, note: Note) -> None:
        moment = self.moment()

        def answered(words: str | None) -> None:
            if words is not None:
                self.enter("taken back", {"type": "retract", "what": note.key, "words": words}, moment)

        self.app.push_screen(RetractSheet(note), answered)

    def action_help(self) -> None:
        """Keys and marks."""
        self.app.push_screen(HelpSheet(read_only=self.read_only, replay=self.replay))

    def action_freeze(self) -> None:
        """Holds the view, or lets it go."""
        self.frozen = None if self.frozen else (self.latest, self._clock())
        self.draw()

    def action_calm(self) -> None:
        """Calm mode on or off."""
        self.say("calm mode: text only, once a second" if self.pace.switch_calm() else "calm mode is off")
        self.draw()

    def action_colours(self) -> None:
        """The next colours."""
        self.post_message(ColoursAsked())

    def action_picture(self) -> None:
        """Saves the screen as SVG."""
        self.post_message(PictureAsked(self.folder))

    def action_leave(self) -> None:
        """Closes the screen; asks first where it is the one that writes."""
        if self.read_only or self.replay:
            self.app.exit(0)
            return

        def answered(sure: bool | None) -> None:
            if sure:
                self.app.exit(0)

        self.app.push_screen(LeaveSheet(self.latest.recorder.unclosed), answered)
