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
    asked: str = ""
    """The page that it opens, where only a study that asks for it needs the key at the foot of the screen."""


PACES: tuple[tuple[str, float], ...] = (
    ("a tenth", 0.1),
    ("a quarter", 0.25),
    ("half", 0.5),
    ("as it was", 1.0),
    ("4 times", 4.0),
    ("15 times", 15.0),
    ("60 times", 60.0),
)
"""How fast a record runs on, in words and times its own time; each has a digit."""

KEYS: tuple[Key, ...] = (
    Key("n", "n", "note", "note", "Write a note; its time is that of this key", writes=True, beside=True),
    Key("m", "m", "mark", "mark", 'Quick mark: "look at this later", entered at once', writes=True),
    Key("v", "v", "video_mark", "video", "Common time mark for the room's video, entered at once", writes=True),
    Key(
        "u", "u", "unwell", "unwell", 'Mark "unwell, stopped", entered at once; while STOP stands: lift it', writes=True
    ),
    Key("a", "a", "acknowledge", "seen", "Acknowledge the verdict in the large heading", writes=True),
    Key("r", "r", "rule", "rule", "Rule on the trial that waits: verdict, reason, words", writes=True, beside=True),
    Key("t", "t", "card", "card", "Trial card: conditions, timing, alert, findings, response, what now"),
    Key("e", "e", "eyes", "eyes", "Your call whether the eyes were on the road at the fire", writes=True),
    Key("c", "c", "comfort", "comfort", "Comfort rating, 0 to 20", writes=True),
    Key("i", "i", "steps", "sheet", "Run sheet: steps, words to say, what is due; ticks steps off", live=True),
    Key("b", "b", "before", "go?", "Preflight: what the study needs against what is there; go or not yet", live=True),
    Key(
        "y",
        "y",
        "safety",
        "safety",
        "Safety page: stops, adverse events, deviations, symptoms, leaving",
        live=True,
        asked="safety",
    ),
    Key(
        "k", "k", "debrief", "ask", "Debrief: what the participant is asked after the drive", live=True, asked="debrief"
    ),
    Key("l", "l", "list", "list", "List of notes and marks, with a filter; takes back a mistake"),
    Key(
        "h",
        "h",
        "handover",
        "over",
        "Somebody else takes over: what is open, and who enters from then on",
        writes=True,
    ),
    Key("f", "f", "freeze", "hold", "Hold the picture to read it; heading, recording and judging go on"),
    Key("z", "z", "calm", "calm", "Calm mode for slow links: text only, once a second"),
    Key("d", "d", "colours", "colours", "Next colours: dark, light, sixteen"),
    Key("p", "p", "picture", "SVG", "Save a picture of the screen as SVG"),
    Key("enter", "Enter", "run_hold", "run", "Let the record run on, or hold it where it is", replay=True),
    Key("left", "←→", "move(-1)", "by", "Back by the chosen step", replay=True),
    Key("right", "", "move(1)", "", "On by the chosen step", replay=True),
    Key("up", "↑↓", "choose_step(-1)", "step", "A step before this one in the list of steps", replay=True),
    Key(
        "down", "", "choose_step(1)", "", "The next step in the list: frame, seconds, minute, then places", replay=True
    ),
    *(
        Key(
            str(place),
            "" if place > 1 else f"1–{len(PACES)}",
            f"choose_pace({place})",
            "pace" if place == 1 else "",
            f"Pace: {words}",
            replay=True,
        )
        for place, (words, _) in enumerate(PACES, start=1)
    ),
    Key("o", "o", "loop", "loop", "Go round the nearest trigger, again and again; a second time ends it", replay=True),
    Key("home", "home", "seek_start", "start", "To the record's start", replay=True),
    Key(
        "f8",
        "F8",
        "emergency",
        "e-stop",
        "Mark that the emergency stop was used; it stops nothing itself",
        writes=True,
    ),
    Key("f9", "F9", "close_out", "close", "Close-out: confirm or overrule each trial, end, copy the digest", live=True),
    Key("f10", "F10", "end_run", "end", "End the run: two steps, the record is closed", writes=True),
    Key("q", "q", "leave", "quit", "Close this screen; the recorder goes on"),
    Key("question_mark", "?", "help", "help", "All keys and marks"),
)

_SINGLE_HELP = {"right": "→", "up": "↑", "left": "←", "down": "↓"}


def action_name(key: Key) -> str:
    """The action without what it is called with."""
    return key.action.partition("(")[0]


def pace_words(speed: float) -> str:
    """A pace in the words of the list."""
    return next((words for words, times in PACES if times == speed), f"{speed:g} times")


def offered(key: Key, *, read_only: bool, replay: bool) -> bool:
    """Whether this kind of screen has the key."""
    if key.replay:
        return replay
    if key.live and replay:
        return False
    return not key.writes or (not read_only and (key.beside or not replay))


def keys_for(
    *, read_only: bool, replay: bool, every: bool = False, asked: frozenset[str] = frozenset()
) -> tuple[Key, ...]:
    """The keys of a kind of screen, those that move a replay first.

    Without `every` those that share a place on the screen with another one are left out, and those that open a page for
    which the study does not ask (`asked` are those for which it does).
    """
    shown = [
        key
        for key in KEYS
        if offered(key, read_only=read_only, replay=replay)
        and (every or (key.shown and (not key.asked or key.asked in asked)))
    ]
    return tuple(sorted(shown, key=lambda key: not key.replay))


def key_name(key: Key) -> str:
    """The key alone, as the help writes it."""
    return key.key if key.key.isdigit() else _SINGLE_HELP.get(key.key, key.shown)
