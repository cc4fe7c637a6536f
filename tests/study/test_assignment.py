"""Permuted blocks, replacement of lost trials, and allocation lists."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import islice, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import WitnessError
from monitor.study.assignment import Placed, permuted_blocks, propose_group, read_allocation
from monitor.study.loading import load_study, parse_study
from monitor.study.model import AssignmentRule, Study

GROUPS = ("chime", "seat-pulse", "light-strip", "no-alert")


@pytest.fixture(scope="module")
def dusk_road(configs) -> Study:
    return load_study(configs / "dusk-road.toml")


def rule(*sizes: int, seed: int = 1) -> AssignmentRule:
    return AssignmentRule("blocks", block_sizes=sizes, seed=seed)


@pytest.mark.parametrize(
    ("groups", "size", "orders"),
    [("ab", 4, 6), ("abc", 6, 90), ("abcd", 4, 24)],
)
def test_blocks_have_as_many_orders_as_counted_and_all_about_equally_often(groups, size, orders):
    # Counts of orders: multinomial coefficients 4!/(2!2!) = 6, 6!/(2!2!2!) = 90, 4! = 24.
    blocks = 100 * orders
    seen = Counter(islice(permuted_blocks(rule(size), groups), blocks))
    assert len(seen) == orders
    # Chi-square of equal frequencies: mean orders − 1, standard deviation √(2·(orders − 1)); within four of them.
    chi_square = sum((times - 100) ** 2 / 100 for times in seen.values())
    assert abs(chi_square - (orders - 1)) < 4 * (2 * (orders - 1)) ** 0.5


def test_each_block_holds_each_group_equally_often_in_any_of_the_sizes():
    sizes = set()
    for block in islice(permuted_blocks(rule(3, 6, 9), "abc"), 60):
        assert set(Counter(block).values()) == {len(block) // 3}
        sizes.add(len(block))
    assert sizes == {3, 6, 9}


def test_the_order_is_pinned_for_good():
    # A study in progress must go on with the same order after an update of the program or of Python.
    blocks = list(islice(permuted_blocks(rule(4, 8, seed=7), ["chime", "light", "none", "seat"], "under 40"), 3))
    assert blocks == [
        ("none", "seat", "chime", "light"),
        ("chime", "seat", "light", "none"),
        ("chime", "seat", "chime", "none", "none", "light", "seat", "light"),
    ]


def test_seeds_strata_and_blocks_have_orders_of_their_own_and_the_order_of_groups_does_not_matter():
    def first(seed, stratum, groups="abcd"):
        return list(islice(permuted_blocks(rule(4, seed=seed), groups, stratum), 20))

    lists = [first(1, None), first(2, None), first(1, "under 40"), first(1, "40 and over")]
    assert all(one != other for one, other in pairwise(lists))
    assert first(1, None) == first(1, None, "dcba")


def placed_in_order(study: Study, lost: list[bool]) -> list[Placed]:
    earlier: list[Placed] = []
    for number, one in enumerate(lost):
        code = f"Q{number:03d}"
        group = propose_group(study, code, earlier).group
        assert group is not None
        earlier.append(Placed(code, group, one))
    return earlier


def test_without_losses_the_proposals_are_the_blocks(dusk_road):
    groups = [placed.group for placed in placed_in_order(dusk_road, [False] * 12)]
    flat = [
        group for block in islice(permuted_blocks(dusk_road.assignment, list(dusk_road.groups)), 5) for group in block
    ]
    assert groups == flat[:12]


def test_a_lost_trial_is_replaced_as_the_study_file_says(dusk_road):
    study = replace(dusk_road, assignment=rule(8))
    flat = [placed.group for placed in placed_in_order(study, [False] * 12)]
    lost = [False, True, *[False] * 8]
    next_one = [placed.group for placed in placed_in_order(study, lost)]
    assert next_one == [flat[0], flat[1], *flat[1:9]]
    at_end = [placed.group for placed in placed_in_order(replace(study, replacement="end of block"), lost)]
    assert at_end == [*flat[:8], flat[1], flat[8]]
    none = [placed.group for placed in placed_in_order(replace(study, replacement="none"), lost)]
    assert none == flat[:10]


@given(st.lists(st.booleans(), max_size=24), st.sampled_from(["same group next", "end of block"]))
def test_valid_trials_stay_balanced_whatever_is_lost(dusk_road, lost, replacement):
    study = replace(dusk_road, replacement=replacement)
    valid = Counter(dict.fromkeys(study.groups, 0))
    valid.update(placed.group for placed in placed_in_order(study, lost) if not placed.lost)
    # Inside a block of eight each group has two places, so that no two groups differ by more.
    assert max(valid.values()) - min(valid.values()) <= 2


def test_a_group_chosen_by_the_operator_uses_up_its_own_place(dusk_road):
    flat = [placed.group for placed in placed_in_order(dusk_road, [False] * 8)]
    other = next(group for group in flat if group != flat[0])
    rest = flat.copy()
    rest.remove(other)
    assert propose_group(dusk_road, "Q02", [Placed("Q01", other)]).group == rest[0] == flat[0]


@given(
    st.lists(
        st.tuples(st.sampled_from(["chime", "seat-pulse", "light-strip", "no-alert"]), st.booleans()), max_size=10
    ),
    st.sampled_from(["same group next", "end of block"]),
)
def test_whatever_groups_were_taken_before_the_proposals_make_up_for_it(dusk_road, chosen, replacement):
    study = replace(dusk_road, replacement=replacement)
    earlier = [Placed(f"Q{number:03d}", group, lost) for number, (group, lost) in enumerate(chosen)]
    for number in range(len(earlier), 50):
        earlier.append(Placed(f"Q{number:03d}", propose_group(study, f"Q{number:03d}", earlier).group))
    valid = Counter(placed.group for placed in earlier if not placed.lost)
    assert max(valid.values()) - min(valid.values()) <= 2


def test_one_group_taken_out_of_turn_is_not_proposed_again_and_again(dusk_road):
    # the block's last place was left open by a run that did not come to be counted, and the next block was begun
    flat = [placed.group for placed in placed_in_order(dusk_road, [False] * 8)]
    earlier = [Placed(f"Q0{number}", group) for number, group in enumerate(flat[:3] + flat[4:5])]
    proposals = []
    for number in range(5, 9):
        proposals.append(propose_group(dusk_road, f"Q0{number}", earlier).group)
        earlier.append(Placed(f"Q0{number}", proposals[-1]))
    assert Counter(placed.group for placed in earlier) == Counter(flat)


def test_a_group_that_has_all_its_trials_is_not_proposed_until_all_have(dusk_road):
    earlier = [Placed(f"Q{number:03d}", "chime") for number in range(12)]
    earlier += [Placed("Q012", "chime", lost=True)]  # nobody has to make up for it
    while len(earlier) < 13 + 36:
        group = propose_group(dusk_road, f"Q{len(earlier):03d}", earlier).group
        assert group != "chime"
        earlier.append(Placed(f"Q{len(earlier):03d}", group))
    assert set(Counter(placed.group for placed in earlier if not placed.lost).values()) == {12}
    assert propose_group(dusk_road, "Q090", earlier).group in dusk_road.groups


def test_who_was_in_a_group_stays_in_it(dusk_road):
    proposal = propose_group(dusk_road, "Q01", [Placed("Q01", "no-alert", lost=True), Placed("Q02", "chime")])
    assert proposal.group == "no-alert"
    assert proposal.why == "Q01 has been in group no-alert before."


def test_strata_have_sequences_of_their_own(everything_text):
    study = parse_study(everything_text, "study.toml")
    young, old = study.assignment.strata
    earlier = [Placed(f"Q{number:02d}", "chime", stratum=young) for number in range(7)]
    assert propose_group(study, "Q90", earlier, stratum=old) == propose_group(study, "Q90", [], stratum=old)
    with pytest.raises(WitnessError, match='no stratum was given; the strata are "under 40" and "40 and over"'):
        propose_group(study, "Q90", [])


def test_a_code_that_may_be_a_name_is_refused(dusk_road):
    with pytest.raises(WitnessError, match=r'"Quentin" does not fit this study\'s pattern Q\[0-9\]\{2,3\}; use a code'):
        propose_group(dusk_road, "Quentin", [])


def test_a_study_without_assignment_leaves_it_to_the_operator(dusk_road):
    assert propose_group(replace(dusk_road, assignment=None), "Q01", []).group is None


def test_an_allocation_list_is_read_and_followed(dusk_road, tmp_path):
    study = replace(dusk_road, assignment=AssignmentRule("list", file="allocation.csv"))
    file = tmp_path / "allocation.csv"
    file.write_bytes(b"\xef\xbb\xbfGroup, Participant,age band\r\nchime,Q01,young\r\n\r\nno-alert, Q02 ,old\r\n")
    allocation = read_allocation(study, file)
    assert allocation == {"Q01": "chime", "Q02": "no-alert"}
    assert propose_group(study, "Q02", [], allocation=allocation).group == "no-alert"
    with pytest.raises(WitnessError, match=r"allocation\.csv has no participant Q03"):
        propose_group(study, "Q03", [], allocation=allocation)


def test_every_wrong_line_of_an_allocation_list_is_said(dusk_road, tmp_path):
    file = tmp_path / "allocation.csv"
    file.write_text("participant,group\nQ01,chime\nQ02,chimes\nQ01,no-alert\nQuentin,chime\nQ05\n")
    with pytest.raises(WitnessError) as caught:
        read_allocation(dusk_road, file)
    assert str(caught.value).splitlines()[1:] == [
        '  line 3: the study has no group "chimes"; did you mean "chime"?',
        '  line 4: "Q01" stands in line 2 already.',
        '  line 5: "Quentin" does not fit the pattern Q[0-9]{2,3}.',
        "  line 6: a cell is missing.",
    ]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", 'lacks "participant" and "group"'),
        (b"participant;group\nQ01;chime\n", 'lacks "participant" and "group"'),
        (b"code,group\n", 'lacks "participant"'),
        (b"participant,group\nQ01,ch\xe4me\n", "not UTF-8"),
        (b'participant,group\n"Q01,chime\n', "is not CSV"),
        (b"#" * (1 << 20) + b"\n", "larger than 1 MiB"),
    ],
    ids=["empty", "semicolons", "no participant", "latin-1", "open quote", "too large"],
)
def test_a_file_that_is_no_allocation_list_is_one_sentence(dusk_road, tmp_path, raw, words):
    file = tmp_path / "allocation.csv"
    file.write_bytes(raw)
    with pytest.raises(WitnessError, match=words) as caught:
        read_allocation(dusk_road, file)
    assert "\n" not in str(caught.value)


def test_an_absent_allocation_list_is_one_sentence(dusk_road, tmp_path):
    with pytest.raises(WitnessError, match=r"cannot be read \(No such file or directory\)"):
        read_allocation(dusk_road, tmp_path / "absent.csv")
