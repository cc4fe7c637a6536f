"""A live run for the true watch screen that also tells the exercise what was shown and what was entered."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from monitor.commissioning.drill.attempt import HELD_BACK, Attempt
from monitor.following.live import Following
from monitor.following.slot import LiveProvider
from monitor.following.view import LiveView


class DrillSource(LiveProvider):
    """`hold_back` tells the simulator's desk; `recorded` names the runs that are recorded here beside the exercise."""

    def __init__(
        self,
        make: Callable[[], Following],
        attempt: Attempt,
        hold_back: Callable[[], None],
        recorded: Callable[[], tuple[str, ...]],
    ) -> None:
        super().__init__(make)
        self.attempt = attempt
        self._hold_back = hold_back
        self._recorded = recorded

    @property
    def is_over(self) -> bool:
        """Whether a run began here: an exercise is never beside a participant."""
        return bool(self._recorded())

    def view(self) -> LiveView:
        """The newest view; what is asked for is shown."""
        view = super().view()
        self.attempt.see(view, time.monotonic())
        return view

    def post(self, fields: dict[str, Any]) -> str:
        """Hands on an entry; a trigger that is held back is told to the simulator at once."""
        key = super().post(fields)
        self.attempt.enter(fields, time.monotonic())
        if fields.get("code") == HELD_BACK:
            self._hold_back()
        return key
