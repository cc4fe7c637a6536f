"""Every key, once: what is bound, shown on the screen, listed in the help and offered in the palette."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Key:
    """A key: its name for Textual, how it is written, the action, one word, and a sentence for help and palette."""

    key: str
    shown: str
    action: str
    word: str
    help: str
    writes: bool = False
    """True where it enters something in the record: not offered by a read-only screen or a replay …"""
    beside: bool = False
    """… unless a replay may enter it beside the record (a closed record takes notes and rulings so)."""
    replay: bool = False
    """True where it moves a replay."""
    live: bool = False
    """True where only a live run has it: its run sheet, its preflight, its close-out."""


KEYS: tuple[Key, ...] = (
    Key("n", "n", "note", "note", "Write a note; its time is that of this key", writes=True, beside=True),
    Key("m", "m", "mark", "mark", 'Quick mark: "look at this later", entered at once', writes=True),
    Key("v", "v", "video_mark", "video", "Common time mark for the room's video, entered at once", writes=True),
    Key("u", "u", "unwell", "unwell", 'Mark "unwell, stopped", entered at once', writes=True),
    Key("a", "a", "acknowledge", "seen", "Acknowledge the verdict in the large heading"),
    Key("r", "r", "rule", "rule", "Rule on a trial: verdict, reason code, words", writes=True, beside=True),
    Key("t", "t", "card", "card", "Trial card: conditions, timing, alert, findings, response, what now"),
    Key("e", "e", "eyes", "eyes", "Your call whether the eyes were on the road at the fire", writes=True),
    Key("c", "c", "comfort", "comfort", "Comfort rating, 0 to 20", writes=True),
    Key("i", "i", "steps", "sheet", "Run sheet: steps, words to say, what is due; ticks steps off", live=True),
    Key("b", "b", "before", "go?", "Preflight: what the study needs against what is there; go or not yet", live=True),
    Key("l", "l", "list", "list", "List of notes and marks, with a filter"),
    Key("f", "f", "freeze", "freeze", "Hold the picture to read it; recording and judging go on"),
    Key("z", "z", "calm", "calm", "Calm mode for slow links: text only, once a second"),
    Key("d", "d", "colours", "colours", "Next colours: dark, light, sixteen"),
    Key("p", "p", "picture", "SVG", "Save a picture of the screen as SVG"),
    Key("space", "space", "play_pause", "play", "Play or pause", replay=True),
    Key("left", "←→", "step_back", "step", "One frame back", replay=True),
    Key("right", "", "step_on", "", "One frame on", replay=True),
    Key("down", "↓↑", "seek_back", "10 s", "Ten seconds back", replay=True),
    Key("up", "", "seek_on", "", "Ten seconds on", replay=True),
    Key("left_square_bracket", "[ ]", "slower", "speed", "Half the speed", replay=True),
    Key("right_square_bracket", "", "faster", "", "Twice the speed", replay=True),
    Key("comma", ", .", "jump_back", "trigger", "To just before the trigger before", replay=True),
    Key("full_stop", "", "jump_on", "", "To just before the next trigger", replay=True),
    Key("o", "o", "loop", "loop", "Go round the nearest trigger, again and again; a second time ends it", replay=True),
    Key("home", "home", "seek_start", "start", "To the record's start", replay=True),
    Key("f9", "F9", "close_out", "close", "Close-out: confirm or overrule each trial, end, copy the digest", live=True),
    Key("f10", "F10", "end_run", "end run", "End the run: two steps, the record is closed", writes=True),
    Key("q", "q", "leave", "quit", "Close this screen; the recorder goes on"),
    Key("question_mark", "?", "help", "help", "All keys and marks"),
)

_SINGLE_HELP = {"right": "→", "up": "↑", "right_square_bracket": "]", "full_stop": ".", "left": "←", "down": "↓"}


def offered(key: Key, *, read_only: bool, replay: bool) -> bool:
    """Whether this kind of screen has the key."""
    if key.replay:
        return replay
    if key.live and replay:
        return False
    return not key.writes or (not read_only and (key.beside or not replay))


def keys_for(*, read_only: bool, replay: bool, every: bool = False) -> tuple[Key, ...]:
    """The keys of a kind of screen, those that move a replay first.

    Without `every` those that share a place on the screen with another one are left out.
    """
    shown = [key for key in KEYS if offered(key, read_only=read_only, replay=replay) and (every or key.shown)]
    return tuple(sorted(shown, key=lambda key: not key.replay))


def key_name(key: Key) -> str:
    """The key alone, as the help writes it."""
    singles = {**_SINGLE_HELP, "left_square_bracket": "[", "comma": ","}
    return singles.get(key.key, key.shown)
