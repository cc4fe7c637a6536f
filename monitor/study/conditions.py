"""Bands, windows and terms of a study file: what they mean, beyond the shape that `checker.py` has seen to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from monitor.study.band import Band
from monitor.study.shape import BAND, MEASURE
from monitor.study.terms import AtFire, Condition, During, FireTerm, Looked, Within
from monitor.study.vocabulary import Names, check_names, read_measure
from monitor.tables.faults import Faults, Path, quoted

One = TypeVar("One", Looked, FireTerm)


def read_condition(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Condition | None:
    """One `[[trigger.condition]]`; None where it has a fault."""
    if faults.under(path):
        check_names(section, path, names, faults)
        return None
    looked = _read_alternatives(section, path, faults, lambda one, at: read_looked(one, at, names, faults))
    when = _read_when(section, path, faults)
    if not looked or when is None or faults.under(path):
        return None
    required = section.get("required", True)
    of_driver = next((one.measure for one in looked if not names.is_scripted(one.measure)), None)
    if required and _ends_after_fire(when) and of_driver is not None:
        key = "within_s" if isinstance(when, Within) else "during"
        faults.add(
            (*path, key),
            expected="a required window after the fire to look at a scripted vehicle, alert, task or platform",
            found=quoted(of_driver.text),
            hint="there the response would decide: end the window at 0, or write required = false",
        )
        return None
    return Condition(
        name=section["name"],
        measure=looked[0].measure,
        band=looked[0].band,
        when=when,
        required=required,
        if_missing=section.get("if_missing", "undecided"),
        settles_at_s=section.get("settles_at_s"),
        needs_evidence=section.get("needs_evidence", False),
        or_else=tuple(looked[1:]),
    )


def read_terms(
    sections: tuple[Mapping[str, Any] | None, ...], path: Path, names: Names, faults: Faults
) -> tuple[FireTerm, ...]:
    """The terms of `armed_when` or `fires_when`, without those that have a fault."""
    terms = (
        _read_either(section, (*path, index), names, faults)
        for index, section in enumerate(sections)
        if section is not None
    )
    return tuple(term for term in terms if term is not None)


def _read_either(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> FireTerm | None:
    """One term, or several of which one is enough; None where it has a fault."""
    if faults.under(path):
        check_names(section, path, names, faults)
        return None
    if "any_of" in section:
        for key in ("edge", "delay_s"):
            if key in section:
                faults.add((*path, key), expected=f"{key} inside of any_of, with each of its terms", found="it beside")
    read = _read_alternatives(section, path, faults, lambda one, at: read_term(one, at, names, faults))
    return None if not read or faults.under(path) else replace(read[0], or_else=tuple(read[1:]))


def read_term(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> FireTerm | None:
    """One term: a band as the logical expression, with its edge and delay; None where it has a fault."""
    looked = read_looked(section, path, names, faults)
    if looked is None:
        return None
    return FireTerm(looked.measure, looked.band, section.get("edge", "none"), section.get("delay_s", 0.0))


def read_looked(section: Mapping[str, Any], path: Path, names: Names, faults: Faults) -> Looked | None:
    """A measure with its band; None where it has a fault."""
    if faults.under(path):
        check_names(section, path, names, faults)
        return None
    measure = read_measure(section, path, names, faults)
    band = read_band(section, path, faults)
    if measure is None or band is None:
        return None
    if measure.kind == "event" and band.outside is None and band.at_most is not None and band.at_most < 0.0:
        expected = "a number of at least 0, because no time since an event is below it"
        faults.add((*path, "at_most"), expected=expected, found=f"the number {band.at_most:g}")
        return None
    return Looked(measure, band)


def _read_alternatives(
    section: Mapping[str, Any], path: Path, faults: Faults, read: Callable[[Mapping[str, Any], Path], One | None]
) -> list[One]:
    """What a section asks for: itself, or what stands under its `any_of`. Shorter where something has a fault."""
    several = section.get("any_of")
    if several is None:
        if "measure" not in section:
            expected = "a measure, or several under any_of"
            faults.add((*path, "measure"), expected=expected, found="nothing, the key is missing")
            return []
        one = read(section, path)
        return [] if one is None else [one]
    beside = next((key for key in (*MEASURE, *BAND) if key in section), None)
    if beside is not None:
        faults.add((*path, beside), expected=f"{beside} inside of any_of, with each of its measures", found="it beside")
    if len(several) < 2:
        found = "one" if several else "an empty list"
        faults.add((*path, "any_of"), expected="at least two, of which one is enough", found=found)
    found_ones = (
        read(one, (*path, "any_of", index)) for index, one in enumerate(several) if one is not None and not beside
    )
    return [one for one in found_ones if one is not None]


def read_band(section: Mapping[str, Any], path: Path, faults: Faults) -> Band | None:
    """The band of a condition or term; None where it has a fault."""
    at_least, at_most, outside = section.get("at_least"), section.get("at_most"), section.get("outside")
    tolerance = section.get("tolerance", 0.0)
    if outside is not None:
        low, high = outside
        beside = next((key for key in ("at_least", "at_most") if key in section), None)
        if beside is not None:
            faults.add((*path, beside), expected=f"{beside} or outside", found="both")
        elif low >= high:
            expected = "two numbers of which the second is the greater one"
            faults.add((*path, "outside"), expected=expected, found=f"{low:g} and {high:g}")
        elif low + tolerance >= high - tolerance:
            expected = f"less than half of what lies between {low:g} and {high:g}, of which it would leave nothing"
            faults.add((*path, "tolerance"), expected=expected, found=f"the number {tolerance:g}")
        else:
            return Band(None, None, tolerance, (low, high))
        return None
    if at_least is None and at_most is None:
        faults.add(path, expected="at_least, at_most or both, or outside", found="a band without either")
        return None
    if at_least is not None and at_most is not None and at_least > at_most:
        faults.add(
            (*path, "at_most"),
            expected=f"a number not below at_least = {at_least:g}",
            found=f"the number {at_most:g}, which leaves nothing in the band",
        )
        return None
    return Band(at_least, at_most, tolerance)


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
