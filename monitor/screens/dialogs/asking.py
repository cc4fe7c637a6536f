"""Small questions at the foot of the screen, so that heading, numbers and road stay in sight: leave, end the run,
comfort rating, eyes call, reveal, a note."""

from __future__ import annotations

from textual.widgets import Input

from monitor.following.view import Unclosed
from monitor.following.words import clock, trial_time
from monitor.judging.case.trial import Trial
from monitor.screens.dialogs.sheet import Row, Sheet
from monitor.screens.drawing.canvas import clean
from monitor.screens.messages import Moment


class LeaveSheet(Sheet[bool]):
    """Close the screen? The second press of q or Ctrl-C closes it."""

    least_rows = 4
    at_foot = True
    heading = "CLOSE THIS SCREEN"
    foot = "q closes it   Esc stays"

    def __init__(self, unclosed: Unclosed | None = None) -> None:
        super().__init__()
        self.unclosed = unclosed

    def rows(self, width: int) -> list[Row]:
        """What goes on and how to come back."""
        if self.unclosed is not None:
            kept = "and are lost" if self.unclosed.left else "and are kept while this machine runs"
            return [
                [(f"{self.unclosed.entries} entries are on no disk {kept}.", "bad")],
                [("Come back with: trialwitness attach", "plain")],
            ]
        return [
            [("The recorder goes on, nothing is lost.", "strong")],
            [("Come back with: trialwitness attach", "plain")],
        ]

    def press(self, key: str, character: str | None) -> bool:
        """The second key closes the screen."""
        if key in ("q", "enter"):
            self.dismiss(True)
            return True
        return False

    def give_up(self, key: str) -> None:
        """Ctrl-C pressed twice must end the screen, and not close the question."""
        self.dismiss(key != "escape")


class EndSheet(Sheet[bool]):
    """End the run: the participant's code must be typed."""

    least_rows = 5
    at_foot = True
    heading = "END THE RUN"
    foot = "Enter ends the run and closes the record   Esc goes on"
    with_input = True
    input_label = "Participant's code: "

    def __init__(self, participant: str) -> None:
        super().__init__()
        self.participant = participant
        self.fault = ""

    def rows(self, width: int) -> list[Row]:
        """What it does, or what was wrong."""
        if self.fault:
            return [[(self.fault, "bad")]]
        return [[(f"Recording stops and the record is closed. Type {clean(self.participant)} to do it.", "strong")]]

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Only the right code ends the run."""
        event.stop()
        if event.value.strip() == self.participant:
            self.dismiss(True)
        else:
            self.fault = f"That is not {clean(self.participant)}: the run goes on."
            self.redraw()


class ComfortSheet(Sheet[int]):
    """Comfort rating from 0 (no discomfort) to 20."""

    least_rows = 5
    at_foot = True
    heading = "COMFORT RATING"
    foot = "Enter enters it, 0 to 20   Esc drops it"
    with_input = True
    input_label = "Rating: "
    fault = ""

    def rows(self, width: int) -> list[Row]:
        """The question, or what was wrong."""
        text = self.fault or "As the participant says it: 0 is none at all, 20 is a lot."
        return [[(text, "bad" if self.fault else "strong")]]

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Only a whole number of the scale is taken."""
        event.stop()
        text = event.value.strip()
        if text.isdecimal() and int(text) <= 20:
            self.dismiss(int(text))
        else:
            self.fault = "A whole number from 0 to 20, please."
            self.redraw()


class EyesSheet(Sheet[bool]):
    """The operator's call where there is no gaze signal."""

    least_rows = 4
    at_foot = True
    heading = ""
    foot = "o on the road   w away from it   Esc drops it"

    def __init__(self, trial: Trial) -> None:
        super().__init__()
        self.heading = f"EYES at the fire of {clean(trial.id)}, {trial_time(trial)}"

    def rows(self, width: int) -> list[Row]:
        """The question."""
        return [[("When it fired, were the participant's eyes on the road or away from it?", "strong")]]

    def press(self, key: str, character: str | None) -> bool:
        """One key answers."""
        if character in ("o", "w"):
            self.dismiss(character == "o")
            return True
        return False


class RevealSheet(Sheet[bool]):
    """Show a blind trial's response: only for safety, and it is entered in the record."""

    least_rows = 4
    at_foot = True
    heading = "REVEAL THE RESPONSE"
    foot = "x reveals it   Esc keeps it hidden"

    def rows(self, width: int) -> list[Row]:
        """What it costs."""
        return [
            [("Only for safety. That you looked is entered in the record, and the ruling is no longer blind.", "bad")]
        ]

    def press(self, key: str, character: str | None) -> bool:
        """The second x reveals."""
        if character == "x":
            self.dismiss(True)
            return True
        return False


class NoteSheet(Sheet[str]):
    """Gives what was typed; an empty note is none. Its time is that of the key that opened it."""

    least_rows = 3
    at_foot = True
    with_input = True
    input_label = "Note: "
    heading = ""
    foot = "Enter enters it   Esc drops it"

    def __init__(self, moment: Moment) -> None:
        super().__init__()
        self.heading = f"NOTE at {clock(moment.at)} of the drive"

    def rows(self, width: int) -> list[Row]:
        """Nothing but the line to type in."""
        return []

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Hands the note on."""
        event.stop()
        self.dismiss(event.value.strip() or None)
