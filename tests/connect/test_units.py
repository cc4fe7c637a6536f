"""Unit factors against published ones, and the texts that are understood."""

from __future__ import annotations

import math

import pytest

from monitor.connect.channel_map.units import OTHER_TEXTS, SI, UNITS, unit_named, unit_texts
from tests.lazily import Lazily

constants = Lazily("scipy.constants")

# NIST Special Publication 811 (2008), appendix B: factors that it prints in bold, which are exact. The list is from
# memory; each follows from the definitions of the international foot, mile, nautical mile and of standard gravity.
EXACT = {
    "ft": 0.3048,
    "in": 0.0254,
    "yd": 0.9144,
    "mi": 1609.344,
    "nmi": 1852.0,
    "ft/s": 0.3048,
    "mph": 0.44704,
    "ft/s²": 0.3048,
    "g": 9.80665,
    "min": 60.0,
    "h": 3600.0,
}
# The same publication's rounded factors, seven digits as printed (from memory).
ROUNDED = {
    "km/h": 2.777778e-01,
    "kn": 5.144444e-01,
    "US survey ft": 3.048006e-01,
    "deg": 1.745329e-02,
    "gon": 1.570796e-02,
    "rev": 6.283185e00,
    "rpm": 1.047198e-01,
}


@pytest.mark.parametrize(("text", "factor"), EXACT.items())
def test_exact_factors_are_exact(text: str, factor: float) -> None:
    assert UNITS[text].factor == factor


@pytest.mark.parametrize(("text", "factor"), ROUNDED.items())
def test_rounded_factors_agree_to_the_printed_digits(text: str, factor: float) -> None:
    assert float(f"{UNITS[text].factor:.6e}") == factor


def test_factors_agree_with_another_library() -> None:
    """scipy.constants, whose values are its own."""
    for text, factor in {
        "in": constants.inch,
        "ft": constants.foot,
        "yd": constants.yard,
        "mi": constants.mile,
        "US survey ft": constants.survey_foot,
        "nmi": constants.nautical_mile,
        "km/h": constants.kmh,
        "mph": constants.mph,
        "kn": constants.knot,
        "g": constants.g,
        "deg": constants.degree,
        "min": constants.minute,
        "h": constants.hour,
    }.items():
        assert UNITS[text].factor == pytest.approx(factor, rel=1e-15), text


def test_an_hour_at_one_unit_of_speed_is_the_unit_of_length() -> None:
    assert UNITS["km/h"].factor * 3600 == pytest.approx(UNITS["km"].factor, rel=1e-15)
    assert UNITS["mph"].factor * 3600 == pytest.approx(UNITS["mi"].factor, rel=1e-15)
    assert UNITS["kn"].factor * 3600 == pytest.approx(UNITS["nmi"].factor, rel=1e-15)
    assert UNITS["deg"].factor * 360 == pytest.approx(2 * math.pi, rel=1e-15)
    assert UNITS["rpm"].factor * 60 == pytest.approx(2 * math.pi, rel=1e-15)


def test_every_other_text_means_a_unit_and_every_dimension_has_its_si_unit() -> None:
    for text, own in OTHER_TEXTS.items():
        assert unit_named(text) is UNITS[own], text
    for dimension, text in SI.items():
        assert UNITS[text].factor == 1.0
        assert text in unit_texts(dimension)


@pytest.mark.parametrize("text", ["KM/H", "Ft", "furlong", "deg/h", "k m"])
def test_what_is_no_unit_here_is_none(text: str) -> None:
    assert unit_named(text) is None
