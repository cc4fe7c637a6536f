"""What a message costs by frame rate, other vehicles and signals; judged in blocks of a tenth of a second."""

from __future__ import annotations

from feeds import messages
from judging import following_ratio
from measuring import Figure

SECONDS = 20.0
CASES = ((60.0, 0, 10), (60.0, 20, 10), (60.0, 60, 10), (60.0, 20, 100), (240.0, 20, 10))


def measure(rounds: int) -> list[Figure]:
    figures = []
    for rate_hz, vehicles, signals in CASES:
        sent = messages(vehicles, signals, rate_hz, SECONDS)
        size = sum(len(message[1]) for message in sent) / len(sent) / 1024
        name = f"{rate_hz:g} Hz, {vehicles} vehicles, {signals} signals ({size:.1f} KiB)"
        live = following_ratio(rounds, sent, max(1, round(rate_hz / 10)))
        reading = following_ratio(rounds, sent, 2048)
        share = tuple(us * rate_hz / 1e4 for us in live.ours_us)
        figures.append(Figure(f"{name}: followed live", share, "% core", remark=live.remark))
        figures.append(Figure(f"{name}: read", reading.speeds, "× bare", remark=reading.remark))
    return figures
