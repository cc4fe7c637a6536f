"""The watch screen with its keys: every action that `keymap` names."""

from __future__ import annotations

from textual.binding import Binding

from monitor.judging.case.trial import Trial
from monitor.screens.dialogs.asking import ComfortSheet, EyesSheet, LeaveSheet, RevealSheet
from monitor.screens.dialogs.card import CardSheet
from monitor.screens.dialogs.lists import HelpSheet, NotesSheet
from monitor.screens.dialogs.note import NoteBox
from monitor.screens.drawing.words import clock
from monitor.screens.keymap import KEYS, offered
from monitor.screens.messages import ColoursAsked, NoteDropped, NoteWritten, PictureAsked
from monitor.screens.mouse import RowClicked
from monitor.screens.panels.side import rows_for_trials, trials_shown
from monitor.screens.provider import TransportProvider
from monitor.screens.watch.run_sheets import RunSheets

SLOWEST, FASTEST = 0.1, 60.0
SEEK_S = 10.0


class WatchScreen(RunSheets):
    """Keys and what they do. What is entered has the time of the key, not that of an Enter that came later."""

    # With priority a key acts before the next one is looked at: of a burst ("n", then words) none is taken for another.
    BINDINGS = [  # noqa: RUF012 (Textual's own way)
        Binding(key.key, key.action, key.word, show=False, priority=True) for key in KEYS
    ]

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that write do nothing on a screen that only reads, those of a replay only in one, none in a note."""
        for key in KEYS:
            if key.action == action:
                if self.is_mounted and self.query_one(NoteBox).is_open:
                    return False
                return offered(key, read_only=self.read_only, replay=self.replay)
        return super().check_action(action, parameters)

    def action_note(self) -> None:
        """Opens the note box; the note's time is now."""
        self.query_one(NoteBox).open(self.moment())

    def on_note_written(self, message: NoteWritten) -> None:
        """Enters the note with the time at which the box was opened."""
        moment = message.moment
        self.enter(f"note at {clock(moment.at)}", {"type": "note", "text": message.text}, moment)

    def on_note_dropped(self, message: NoteDropped) -> None:
        """Says that nothing was entered."""
        self.say("no note entered")
        self.draw()

    def _mark(self, code: str, text: str) -> None:
        moment = self.moment()
        self.enter(f"{text} at {clock(moment.at)}", {"type": "mark", "code": code, "text": text}, moment)

    def action_mark(self) -> None:
        """A quick mark, entered at once."""
        self._mark("look", "mark")

    def action_video_mark(self) -> None:
        """The common time mark for the room's video."""
        self._mark("video-sync", "video mark")

    def action_unwell(self) -> None:
        """The participant is unwell and the drive was stopped."""
        self._mark("unwell", "unwell, stopped")

    def action_acknowledge(self) -> None:
        """The newest verdict in the heading was seen."""
        trial = self.seen.acknowledge(self.latest.trials)
        self.say(f"seen: {trial.id}" if trial else "nothing waits to be seen")
        self.draw()

    def on_row_clicked(self, event: RowClicked) -> None:
        """A click on a trial beside the ladder opens its card."""
        shown = trials_shown(self.latest.trials)
        height = self.query_one("#side").size.height
        place = event.y - 1
        if event.name == "side" and 0 <= place < min(
            len(shown), rows_for_trials(len(shown), len(self.latest.notes), height)
        ):
            self._open_card(shown[place].id)

    def action_card(self) -> None:
        """Opens the newest trial's card."""
        if not self.trials:
            self.nothing_to("show")
            return
        self._open_card(self.trials[-1].id)

    def _open_card(self, trial_id: str) -> None:
        card = CardSheet(
            lambda: self.trials,
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
        self.app.push_screen(NotesSheet(lambda: self.latest.notes))

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

    def _move(self) -> TransportProvider:
        assert self.transport is not None, "the keys of a replay are bound only in one"
        return self.transport

    def _moved(self) -> None:
        self.frozen = None
        self.latest = self.source.view()
        self.draw()

    def action_play_pause(self) -> None:
        """Plays or pauses the replay."""
        move = self._move()
        if move.transport().playing:
            move.pause()
        else:
            move.play()
        self._moved()

    def action_step_back(self) -> None:
        """One frame back."""
        self._move().step(-1)
        self._moved()

    def action_step_on(self) -> None:
        """One frame on."""
        self._move().step(1)
        self._moved()

    def _seek_by(self, seconds: float) -> None:
        move = self._move()
        move.seek(move.transport().at_s + seconds)
        self._moved()

    def action_seek_back(self) -> None:
        """Ten seconds back."""
        self._seek_by(-SEEK_S)

    def action_seek_on(self) -> None:
        """Ten seconds on."""
        self._seek_by(SEEK_S)

    def action_seek_start(self) -> None:
        """To the record's start."""
        self._move().seek(0.0)
        self._moved()

    def _change_speed(self, factor: float) -> None:
        move = self._move()
        move.set_speed(min(FASTEST, max(SLOWEST, move.transport().speed * factor)))
        self._moved()

    def action_slower(self) -> None:
        """Half the speed."""
        self._change_speed(0.5)

    def action_faster(self) -> None:
        """Twice the speed."""
        self._change_speed(2.0)

    def action_jump_back(self) -> None:
        """To just before the trigger before."""
        self._move().jump(-1)
        self._moved()

    def action_jump_on(self) -> None:
        """To just before the next trigger."""
        self._move().jump(1)
        self._moved()

    def action_loop(self) -> None:
        """Goes round the nearest trigger, or ends that."""
        self._move().loop()
        self._moved()
