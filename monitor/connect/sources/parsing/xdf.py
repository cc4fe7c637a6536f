"""Files recorded from the lab streaming layer (XDF), all streams on the clock of the machine that recorded them.

The package pyxdf (extra `lsl`) reads them and puts each stream's stamps onto that clock by the offsets that were
measured while recording; how far these are from its line is the uncertainty.
"""

from __future__ import annotations

from typing import IO, Any

import numpy as np
import numpy.typing as npt

from monitor.connect.sources.parsing.protocol import A_MESSAGE, write_message
from monitor.errors import WitnessError
from monitor.feed.limits import MAX_NAME

TEXTS = "text"
LEAST_UNCERTAINTY_S = 2e-4
"""What the layer's authors state for its offsets on a local network."""


def parse(path: str, asked: list[dict[str, Any]], out: IO[bytes]) -> None:
    """Hands on the samples of the streams asked for, {"stream", "type", "source_id", "host", "channels"} each."""
    try:
        import pyxdf
    except ImportError as error:
        raise WitnessError(
            f"pyxdf is not installed here; install it with: pip install trialwitness[lsl] ({error})"
        ) from error
    streams, _ = pyxdf.load_xdf(path, synchronize_clocks=True, dejitter_timestamps=False)
    chosen = [_chosen(path, streams, one) for one in asked]
    told = [
        {"name": one["stream"], "rate_hz": _rate_hz(stream), "uncertainty_s": _uncertainty_s(stream)}
        for one, stream in zip(asked, chosen, strict=True)
    ]
    write_message(out, {"streams": told})
    stamps = np.concatenate([np.asarray(stream["time_stamps"], np.float64) for stream in chosen])
    place = np.concatenate([np.full(len(stream["time_stamps"]), index) for index, stream in enumerate(chosen)])
    row = np.concatenate([np.arange(len(stream["time_stamps"])) for stream in chosen])
    order = np.argsort(stamps, kind="stable")
    names = [_names(path, stream, one) for stream, one in zip(chosen, asked, strict=True)]
    for first in range(0, len(order), A_MESSAGE):
        samples = []
        for index in order[first : first + A_MESSAGE].tolist():
            which = int(place[index])
            values = chosen[which]["time_series"][int(row[index])]
            samples.append(
                [which, float(stamps[index]), _values(values, names[which]), TEXTS if names[which] is None else ""]
            )
        write_message(out, {"samples": samples})
    write_message(out, {"end": 0, "why": ""})


def _chosen(path: str, streams: list[Any], asked: dict[str, Any]) -> Any:
    """The one stream of the file that is asked for."""
    pins = {"name": "stream", "type": "type", "source_id": "source_id", "hostname": "host"}
    found = [
        stream for stream in streams if all(asked.get(key) in (None, _said(stream, name)) for name, key in pins.items())
    ]
    if len(found) == 1:
        return found[0]
    each = "; ".join(
        f'"{_said(one, "name")}" (type "{_said(one, "type")}", source_id "{_said(one, "source_id")}", '
        f'host "{_said(one, "hostname")}")'
        for one in (found or streams)
    )
    what = f'no stream "{asked["stream"]}"' if not found else f'{len(found)} streams "{asked["stream"]}"'
    raise WitnessError(f"{path} has {what} that the map means; it has {each or 'none at all'}.")


def _said(stream: Any, key: str) -> str:
    value = stream["info"].get(key)
    return str(value[0]) if isinstance(value, list) and value and value[0] is not None else ""


def _rate_hz(stream: Any) -> float:
    try:
        return float(_said(stream, "nominal_srate") or 0.0)
    except ValueError:
        return 0.0


def _names(path: str, stream: Any, asked: dict[str, Any]) -> list[str] | None:
    """The names of the channels; None for a stream of texts."""
    if _said(stream, "channel_format") == "string":
        return None
    count = int(_said(stream, "channel_count"))
    if asked.get("channels"):
        if len(asked["channels"]) != count:
            raise WitnessError(
                f'{path}: the stream "{asked["stream"]}" has {count} channels, and the map\'s [source] names '
                f"{len(asked['channels'])}."
            )
        return list(asked["channels"])
    try:
        described = stream["info"]["desc"][0]["channels"][0]["channel"]
        labels = [str(one["label"][0])[:MAX_NAME] for one in described]
    except (KeyError, TypeError, IndexError):
        labels = []
    if len(labels) == count and len(set(labels)) == count and all(labels):
        return labels
    return [f"c{index}" for index in range(count)]


def _values(values: Any, names: list[str] | None) -> Any:
    if names is None:
        return str(values[0])
    return dict(zip(names, (float(one) for one in values), strict=True))


def _uncertainty_s(stream: Any) -> float:
    """How far the measured offsets are from a line at the most (99 of 100 of them)."""
    times: npt.NDArray[np.float64] = np.asarray(stream.get("clock_times", ()), np.float64)
    values: npt.NDArray[np.float64] = np.asarray(stream.get("clock_values", ()), np.float64)
    if len(times) < 2 or len(times) != len(values):
        return LEAST_UNCERTAINTY_S
    line = np.polyfit(times - times.mean(), values, 1 if len(times) > 2 else 0)
    off = np.abs(values - np.polyval(line, times - times.mean()))
    return float(max(np.percentile(off, 99), LEAST_UNCERTAINTY_S))
