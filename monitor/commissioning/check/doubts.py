"""A doubt about a channel's unit or sign, with what to write in the channel map; and all that could be told."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from monitor.connect.channel_map.units import SI, UNITS

CLOSE = 0.03
"""Relative distance within which a ratio is taken for a unit's factor: ft/s and km/h, the nearest, are 9 % apart."""
CLOSE_LENGTHS = 0.1
"""The same for units of length, which are far apart; the way sideways is known less well."""

Kind = Literal["unit", "sign"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something about a channel that is hardly meant so."""

    channel: str
    kind: Kind
    looks_like: str
    why: str
    unit: str | None = None
    """The unit that the channel should have in the channel map."""
    scale: float | None = None
    """The scale that it should have there."""
    axes: str | None = None
    """What [axes] should say of it there."""
    advice: str = ""
    """What to look at, where neither unit nor axes are told."""

    @property
    def change(self) -> str:
        """What to write in the channel map."""
        name = self.channel.rpartition(".")[2]
        keys = [f'unit = "{self.unit}"'] if self.unit else []
        keys += [f"scale = {self.scale:g}"] if self.scale is not None else []
        parts = [f'{name} = {{ from = "…", {", ".join(keys)} }}'] if keys else []
        parts += [f'in [axes] {name} = "{self.axes}"'] if self.axes else []
        return ", ".join(parts) or self.advice

    def sentence(self, by_map: bool = True) -> str:
        """The doubt in words. `by_map`: whether a channel map makes the feed, so that the map is where to mend it."""
        what = f"{self.channel} looks like {self.looks_like}: {self.why}."
        return f"{what} In the channel map: {self.change}" if by_map else f"{what} At its publisher: {self._to_send()}"

    def _to_send(self) -> str:
        """What to send, where the source publishes the feed itself."""
        name = self.channel.rpartition(".")[2]
        parts = [f"send {name} in {SI[UNITS[self.unit].dimension] or 'a share of 1'}"] if self.unit else []
        parts += [f"send {name} times {self.scale:g}"] if self.scale is not None else []
        if self.axes:
            parts.append(f"send {name} " + ("left-positive" if self.axes == "right" else "counter-clockwise from x"))
        return ", ".join(parts) or self.advice


@dataclass(slots=True)
class Sanity:
    """What could be told of the channels."""

    doubts: list[Doubt] = field(default_factory=list)
    told: set[tuple[str, Kind]] = field(default_factory=set)
    """Channels of which unit or sign could be told, doubtful or not."""

    def doubt(self, channel: str, kind: Kind, looks_like: str, why: str, **change: Any) -> None:
        """Adds a doubt; `change`: what `Doubt` has for it."""
        self.told.add((channel, kind))
        self.doubts.append(Doubt(channel, kind, looks_like, why, **change))

    def verdict(self, channel: str, kind: Kind) -> str | None:
        """ "plausible", "looks like …", or None where it cannot be told."""
        found = [one.looks_like for one in self.doubts if one.channel == channel and one.kind == kind]
        if found:
            return f"looks like {found[0]}"
        return "plausible" if (channel, kind) in self.told else None

    def by_factor(self, channel: str, ratio: float, units: tuple[str, ...], against: str, close: float = CLOSE) -> None:
        """A doubt where a ratio is far from 1: the unit whose factor it is, if there is one."""
        self.told.add((channel, "unit"))
        if abs(ratio - 1.0) < 2 * close:
            return
        name = channel.rpartition(".")[2]
        why = f"it is {ratio:.3g} times {against}"
        for text in units:
            if abs(ratio * UNITS[text].factor - 1.0) < close:
                self.doubt(channel, "unit", text, why, unit=text)
                return
        if abs(ratio) < 1e-6:
            self.doubt(
                channel, "unit", "a channel that stands still", why, advice=f"look whether {name} is the right name"
            )
        else:
            self.doubt(channel, "unit", "another unit", why, advice=f"give {name}, or x and y, their unit")
