"""The names of the measures, their units and what their words promise."""

from __future__ import annotations

import numpy as np

from monitor.measures.arrival import Point, point_measures
from monitor.measures.columns import OWN_CHANNELS
from monitor.measures.gap import pair_measures
from monitor.measures.lateral import lateral_measures
from monitor.measures.measured import State, measured
from monitor.measures.names import MEASURES
from monitor.measures.rolling import ROLLING
from tests.measures.conftest import block_of


def names_of(kind: str) -> set[str]:
    return {name for name, row in MEASURES.items() if row.kind == kind}


def test_every_measure_that_is_computed_has_a_name_and_the_other_way_round() -> None:
    block = block_of(({}, []))
    assert names_of("pair") == set(pair_measures(block, None, np.array([-1])))
    assert names_of("lateral") == set(lateral_measures(None, block, None)[1])
    assert names_of("rolling") == set(ROLLING)
    assert names_of("point") == set(point_measures(block, None, Point("p", 1.0), None))
    assert names_of("event") == {"time_since"}
    assert names_of("own") == set(OWN_CHANNELS) - names_of("lateral")


def test_the_measures_whose_missing_number_is_infinitely_large() -> None:
    assert {name for name, row in MEASURES.items() if row.unbounded_is_large} == {
        "time_gap",
        "time_headway",
        "ttc",
        "ttc_accel",
        "time_to_line",
        "time_to_arrival",
        "time_since",
    }


def test_every_definition_has_words_and_a_source() -> None:
    for row in MEASURES.values():
        assert row.definition
        assert row.source
        assert len(row.definition) <= 60, row.name


def test_of_several_states_the_first_holds_and_takes_the_number_away() -> None:
    value, everywhere = np.array([1.0, np.nan]), np.array([True, True])
    one = measured(value, (everywhere, State.NO_LEAD), (everywhere, State.CONTACT))
    assert one.state.tolist() == [State.NO_LEAD, State.NO_LEAD]
    assert np.isnan(one.value).all()
    assert measured(value).state.tolist() == [State.MEASURED, State.NOT_MEASURED]
    touching = measured(np.array([0.0, np.nan]), (everywhere, State.CONTACT))
    np.testing.assert_array_equal(touching.value, [0.0, np.nan])


def test_every_state_has_its_own_words() -> None:
    assert [state.text for state in State] == [
        "measured",
        "not measured",
        "no lead",
        "not closing",
        "standing still",
        "not departing",
        "contact",
        "passed",
        "not yet",
    ]
