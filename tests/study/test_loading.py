"""Study files that cannot be read or parsed, and several faults at once."""

from __future__ import annotations

import copy
import hashlib
import tomllib
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.errors import StudyFaults
from monitor.study.loading import load_study, parse_study
from tests.study.conftest import faults_of, holder, to_toml, values_in

FIVE_FAULTS = """\
[study]
name = "dusk-road"
participant_pattern = "Q[0-9]{2,3}"

[groups.chime]
alert = "sound"

[signals.eyes_on_road]

[[trigger]]
name = "gate-brake"
surprize_class = "rear-end"

[[trigger.condition]]
name = "time gap"
measure = "time_gap"
role = "led"
at_least = 1.3
at_most = 1.9

[[trigger.condition]]
name = "own speed"
measure = "speed"
during = [-3.0, 1.0]
at_least = 20.0

[[trigger.condition]]
name = "eyes off road"
measure = "eyes_on_rode"
at_most = 0.5
"""


def test_five_faults_give_five_sentences_in_the_order_of_the_lines() -> None:
    assert faults_of(FIVE_FAULTS) == (
        'line 6, groups.chime.alert: expected a list of texts, found the text "sound".',
        'line 12, trigger[1].surprize_class: expected a key of this section, found "surprize_class"; '
        'did you mean "surprise_class"?',
        'line 17, trigger[1].condition[1].role: expected "lead" or a role declared in [roles], found "led"; '
        'did you mean "lead"?',
        "line 24, trigger[1].condition[2].during: expected a required window after the fire to look at a scripted "
        'vehicle, alert, task or platform, found "speed"; there the response would decide: end the window at 0, or '
        "write required = false.",
        "line 29, trigger[1].condition[3].measure: expected a measure, ROLE.CHANNEL or a signal declared in [signals], "
        'found "eyes_on_rode"; did you mean "eyes_on_road"?',
    )


def test_the_message_of_a_command_lists_them_all_under_the_files_name() -> None:
    with pytest.raises(StudyFaults) as caught:
        parse_study(FIVE_FAULTS, "dusk.toml")
    first, *rest = str(caught.value).splitlines()
    assert first == "dusk.toml: 5 faults in the study file"
    assert [line.strip() for line in rest] == list(caught.value.faults)
    assert caught.value.exit_code == 2


@given(data=st.data())
def test_two_slips_in_different_places_give_two_sentences(everything_text: str, data: st.DataObject) -> None:
    root = tomllib.loads(everything_text)
    leaves = [path for path, value in values_in(root) if not isinstance(value, dict | list)]
    paths = data.draw(st.lists(st.sampled_from(leaves), min_size=2, max_size=4, unique=True))
    # A list whose first element is faulty is checked to its end, so elements count like keys of their own.
    changed = copy.deepcopy(root)
    for path in paths:
        at = holder(changed, path)
        assume(not isinstance(at[path[-1]], bool))
        at[path[-1]] = False
    assert len(faults_of(to_toml(changed))) == len(paths)


@pytest.mark.parametrize(
    ("text", "begins", "names"),
    [
        ('[study]\nname = "dusk-road"\nblind = yes\n', "line 3, column 9: ", '"blind = yes"'),
        ("[study]\nat_most = 1,9\n", "line 2, column 12: ", '"at_most = 1,9"'),
        ('[study]\nname = "dusk\n', "line 2, column 13: ", "name ="),
        ("[study\n", "line 1, column 7: ", '"[study"'),
        ('name = "a"\nname = "b"\n', "line 2, column 11: ", "name"),
        ("[groups.a]\nalert = []\n[groups.a]\nalert = []\n", "line 3, column 10: ", '"groups.a"'),
        ('name = """\nnever closed', "line 2, column 13: ", "not valid TOML"),
        ("day = 2031-02-30\n", "line 1", "not valid TOML"),
    ],
)
def test_a_syntax_error_is_one_sentence_with_line_column_and_the_line(text: str, begins: str, names: str) -> None:
    (fault,) = faults_of(text)
    assert fault.startswith(begins)
    assert names in fault
    assert "not valid TOML" in fault
    assert fault.endswith(".")


def test_a_file_that_is_nested_too_deeply_is_one_sentence() -> None:
    (fault,) = faults_of("a = " + "[" * 20_000)
    assert fault == "The file is nested too deeply to be read."


def test_a_number_that_is_too_long_to_be_one_is_a_sentence(everything_text: str) -> None:
    text = everything_text.replace("planned = 12", "planned = 1" + "0" * 400)
    (fault,) = faults_of(text)
    assert "groups.chime.planned: expected a whole number of at least 0 that is finite" in fault
    (fault,) = faults_of(everything_text.replace("planned = 12", "planned = 1" + "0" * 5000))
    assert "not valid TOML" in fault


@pytest.mark.parametrize("text", ["", "# nothing\n"])
def test_an_empty_file_lacks_what_is_required(text: str) -> None:
    assert [fault.split(":")[0] for fault in faults_of(text)] == [
        "line 1, study",
        "line 1, groups",
        "line 1, trigger",
    ]


def test_the_digest_is_that_of_the_files_bytes(tmp_path: Path, everything_text: str) -> None:
    file = tmp_path / "study.toml"
    for raw in (
        everything_text.encode(),
        everything_text.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + everything_text.encode(),
    ):
        file.write_bytes(raw)
        study = load_study(file)
        assert study.sha256 == hashlib.sha256(raw).hexdigest()
        assert study.text.encode() == raw
        assert study.path == str(file)
        assert parse_study(study.text, study.path) == study


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[study]\nname = "d\xe4mmerung"\n')
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * (1 << 20) + b"\n")
    for path, words in (
        (tmp_path / "absent.toml", "The file cannot be read (No such file or directory)."),
        (tmp_path, "The file cannot be read (it is a directory, and no regular file)."),
        (latin, "line 2: the file is not UTF-8 text (byte 0xe4); save it as UTF-8."),
        (large, "The file is larger than 1 MiB, so it is hardly a study file."),
        ("a\0b", "The file cannot be read (embedded null byte)."),
    ):
        with pytest.raises(StudyFaults) as caught:
            load_study(path)
        assert caught.value.faults == (words,)


@given(st.text(max_size=200))
def test_any_text_gives_sentences_and_no_other_error(text: str) -> None:
    faults = faults_of(text)
    assert faults, "such a short text is no study"
    for fault in faults:
        assert "\n" not in fault
        assert fault[-1] in ".?"


@given(data=st.data())
def test_a_file_cut_or_changed_anywhere_gives_a_study_or_sentences(everything_text: str, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(everything_text)))
    stop = data.draw(st.integers(start, min(start + 40, len(everything_text))))
    middle = data.draw(st.text(alphabet="[]{}\"'=.,#\n a1-", max_size=6))
    for fault in faults_of(everything_text[:start] + middle + everything_text[stop:]):
        assert "\n" not in fault
        assert fault[-1] in ".?"
