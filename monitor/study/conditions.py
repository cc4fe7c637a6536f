"""Bands, windows and terms of a study file: what they mean, beyond the shape that `checker.py` has seen to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.study.band import Band
from monitor.study.model import AtFire, Condition, During, FireTerm, Measure, Within
from monitor.study.vocabulary import Names, read_measure
from monitor.tables.faults import Faults, Path, quoted


def read_condition(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Condition | None:
    """One `[[trigger.condition]]`; None where it has a fault."""
    if faults.under(path):
        return None
    measure = read_measure(section, path, names, faults)
    band = read_band(section, path, faults)
    when = _read_when(section, path, faults)
    if measure is None or band is None or when is None:
        return None
    required = section.get("required", True)
    if required and _ends_after_fire(when) and not _is_scripted(measure, names):
        key = "within_s" if isinstance(when, Within) else "during"
        faults.add(
            (*path, key),
            expected="a required window after the fire to look at a scripted vehicle, alert, task or platform",
            found=quoted(measure.text),
            hint="there the response would decide: end the window at 0, or write required = false",
        )
        return None
    return Condition(
        name=section["name"],
        measure=measure,
        band=band,
        when=when,
        required=required,
        if_missing=section.get("if_missing", "undecided"),
        settles_at_s=section.get("settles_at_s"),
    )


def read_terms(
    sections: tuple[Mapping[str, Any] | None, ...], path: Path, names: Names, faults: Faults
) -> tuple[FireTerm, ...]:
    """The terms of `armed_when` or `fires_when`, without those that have a fault."""
    terms = (
        read_term(section, (*path, index), names, faults)
        for index, section in enumerate(sections)
        if section is not None
    )
    return tuple(term for term in terms if term is not None)


def read_term(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> FireTerm | None:
    """One term: a band as the logical expression, with its edge and delay; None where it has a fault."""
    if faults.under(path):
        return None
    measure = read_measure(section, path, names, faults)
    band = read_band(section, path, faults)
    if measure is None or band is None:
        return None
    return FireTerm(measure, band, section.get("edge", "none"), section.get("delay_s", 0.0))


def read_band(section: Mapping[str, Any], path: Path, faults: Faults) -> Band | None:
    """The band of a condition or term; None where it has a fault."""
    at_least, at_most = section.get("at_least"), section.get("at_most")
    if at_least is None and at_most is None:
        faults.add(path, expected="at_least, at_most or both", found="a band without either")
        return None
    if at_least is not None and at_most is not None and at_least > at_most:
        faults.add(
            (*path, "at_most"),
            expected=f"a number not below at_least = {at_least:g}",
            found=f"the number {at_most:g}, which leaves nothing in the band",
        )
        return None
    return Band(at_least, at_most, section.get("tolerance", 0.0))


def _read_when(section: Mapping[str, Any], path: Path, faults: Faults) -> AtFire | During | Within | None:
    during, within_s = section.get("during"), section.get("within_s")
    if during is not None and within_s is not None:
        faults.add((*path, "within_s"), expected="during or within_s", found="both")
        return None
    for key, needs in (("share", "during"), ("held_s", "within_s")):
        if key in section and needs not in section:
            faults.add((*path, key), expected=f"{key} only beside {needs}", found=f"it without {needs}")
            return None
    if within_s is not None:
        return Within(within_s, section.get("held_s", 0.0))
    if during is None:
        return AtFire()
    start_s, end_s = during
    if end_s <= start_s:
        faults.add(
            (*path, "during"),
            expected="a window that ends after it starts",
            found=f"one from {start_s:g} s to {end_s:g} s",
            hint="without during the condition is asked at the fire",
        )
        return None
    return During(start_s, end_s, section.get("share", 1.0))


def _ends_after_fire(when: AtFire | During | Within) -> bool:
    match when:
        case AtFire():
            return False
        case During(end_s=end_s):
            return end_s > 0.0
        case Within():
            return True


def _is_scripted(measure: Measure, names: Names) -> bool:
    if measure.kind == "role":
        return True
    signal = (names.signals or {}).get(measure.name) if measure.kind == "signal" else None
    return signal is not None and signal.source != "driver"
