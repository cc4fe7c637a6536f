"""Detection limits in words: what would have passed first, then the table that a methods section can take over."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.commissioning.proving.limits import Limit, Proof


def proof_lines(proof: Proof, *, short: bool = False) -> list[str]:
    """The proof for people; `short`: what would have passed, and a sentence on the rest."""
    lines = [f"Detection limits of {proof.study} on {proof.record}, {proof.copies} copies in memory:", *_passed(proof)]
    if proof.left_out:
        lines.append(f"Left out, after a blind trial that nobody has ruled on: {', '.join(proof.left_out)}.")
    if short:
        found = sum(one.found_from is not None for one in proof.limits)
        return [
            *lines,
            f"  {found} of {len(proof.limits)} faults are found from some size on; `prove` has all of them.",
        ]
    for trial, verdict, rate_hz in proof.trials:
        lines += ["", f"{trial}, {verdict} as recorded, {rate_hz:.3g} Hz"]
        lines += _table([one for one in proof.limits if one.trial == trial])
    return lines


def _passed(proof: Proof) -> Iterator[str]:
    """What even the largest size did not show, and what got another verdict by an untrue value alone."""
    passed = [one for one in proof.limits if one.would_pass]
    yield "Would have passed:" if passed else "Nothing that was tried would have passed at its largest size."
    for one in passed:
        largest = _size(one, max(one.fault.sizes))
        off = "" if one.off is None else f": {one.off[0]} off by {one.off[1]:.3g}"
        misled = ", and another verdict by it" if one.is_misled else ""
        yield f"  {one.trial}  {one.who} {one.channel}, {one.fault.kind} of {largest}{off}{misled}"


def _table(limits: list[Limit]) -> list[str]:
    head = ("of", "channel", "fault", "found from", "found as", "below that off by")
    rows = [head, *(_row(one) for one in limits)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(head))]
    lines = ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)) for row in rows]
    return [f"  {line.rstrip()}" for line in lines]


def _row(one: Limit) -> tuple[str, ...]:
    if one.found_from is None:
        found = "not found" if one.would_pass else "no effect"
    else:
        found = _size(one, one.found_from)
    off = "" if one.off is None else f"{one.off[0]} {one.off[1]:.3g}"
    return one.who, one.channel, one.fault.kind, found, ", ".join(one.found_as[:2]), off


def _size(one: Limit, size: float) -> str:
    """A size with its unit; a share in percent, nothing for a fault that has no size."""
    if one.fault.unit == "%":
        return f"{100.0 * size:g} %"
    return f"{size:g} {one.fault.unit}" if one.fault.unit else "any"
