"""How often the screen draws: five times a second, at once where something pressing changed, seldom when calm."""

from __future__ import annotations

from collections.abc import Callable

from monitor.following.heading.table import headings
from monitor.following.view import LiveView

TICK_S = 0.04
"""The view is asked for this often; with a draw at once that keeps verdict to terminal under 80 ms."""
DRAW_S = 0.2
CALM_S = 1.0
WAIT_TICKS = 2
LAG_S = 0.2
"""A loop this late is kept waiting by its terminal."""
LATE_TICKS = 3
"""Late ticks among the last ten that switch calm mode on: one alone may be the machine."""
STILL_S = 1.0
"""A live view that has not changed for so long is not believed any more."""


class Pace:
    """Times the drawing, and notices a slow terminal and a view that stands still. One for each screen."""

    def __init__(self, clock: Callable[[], float], tick_s: float = TICK_S) -> None:
        self.tick_s = tick_s
        self.calm = False
        self.at_once = True
        """Whether what is due now is due because something pressing changed."""
        self._clock = clock
        self._last_tick: float | None = None
        self._late: list[bool] = []
        self._last_draw = -1e9
        self._pressing: tuple[object, ...] = ()
        self._revision: int | None = None
        self._drawn: int | None = None
        self._changed_at = clock()

    def measure(self) -> None:
        """Call once a tick: switches calm mode on when the loop lags."""
        now = self._clock()
        if self._last_tick is not None:
            self._late = [*self._late[-9:], now - self._last_tick - self.tick_s > LAG_S]
            if sum(self._late) >= LATE_TICKS:
                self.calm = True
                self._late = []
        self._last_tick = now

    def switch_calm(self) -> bool:
        """Calm mode on or off by key; gives what it is now."""
        self.calm = not self.calm
        self._late = []
        return self.calm

    def due(self, view: LiveView, *, at_once: bool = False) -> bool:
        """True when it is time to draw this view."""
        now = self._clock()
        if view.revision != self._revision:
            self._revision, self._changed_at = view.revision, now
        pressing = pressing_parts(view)
        period = CALM_S if self.calm else DRAW_S
        self.at_once = at_once or pressing != self._pressing
        since = now - self._last_draw
        # where no new view is there yet it is waited for a little, so that views are drawn as they come
        wait = -self.tick_s / 4 if view.revision != self._drawn else WAIT_TICKS * self.tick_s
        if self.at_once or since >= period + wait:
            self._pressing = pressing
            self._last_draw, self._drawn = now, view.revision
            return True
        return False

    def still_for(self, view: LiveView) -> float | None:
        """Seconds for which a view that says "live" has not changed, or None while it is to be believed."""
        if view.feed.state != "live" or view.revision != self._revision:
            return None
        still = self._clock() - self._changed_at
        return still if still > STILL_S else None


def pressing_parts(view: LiveView) -> tuple[object, ...]:
    """What is drawn at once when it changes: states of feed and recorder, what heads the screen, verdicts, masking."""
    return (
        view.feed.state,
        view.recorder.state,
        view.recorder.unsaved > 0,
        view.masked,
        [heading.word for _, heading in headings(view)[:2]],
        tuple((trial.id, trial.stage, trial.verdict, trial.ruling is not None) for trial in view.trials),
        tuple(number.state for number in view.numbers),
    )
