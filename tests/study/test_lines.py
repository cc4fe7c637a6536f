"""The lines that keys are found on, checked against texts counted by hand and against the parser."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from monitor.tables.lines import key_lines
from tests.study.conftest import CONFIGS, to_toml, values_in

AWKWARD = (
    '''\
# trigger = 1
top = """
[study]
name = "not a key" \\
"""
'quoted key'.inner = 'it'''
    + "'"
    + """ # no comment'

[ study ] # a heading with spaces
name = "a \\" ] = b"   # name = 2
list = [ # begun here
    "one", "]",

    { x = 1, "y z" = [2, 3] }, # third element
]
[[trigger]]
name = "first"
[trigger.alert]
latest_s = 0.6
[[trigger.condition]]
name = "a"
[[trigger.condition]]
name = "b"
[[trigger]]
name = "second"
alert.latest_s = 0.7
text = """
    + "'''"
    + '''
name = "inside"'''
    + "'''"
    + """
[[trigger.condition]]
name = "c"
"""
)


def test_awkward_but_valid_toml_counted_by_hand() -> None:
    # AWKWARD is one text; the quotes are put together so that it can hold both kinds of triple quotation marks.
    lines = key_lines(AWKWARD)
    assert lines[("top",)] == 2
    assert lines[("quoted key", "inner")] == 6
    assert lines[("study",)] == 8
    assert lines[("study", "name")] == 9
    assert lines[("study", "list")] == 10
    assert lines[("study", "list", 1)] == 11
    assert lines[("study", "list", 2)] == 13
    assert lines[("study", "list", 2, "y z", 1)] == 13
    assert lines[("trigger",)] == 15
    assert lines[("trigger", 0, "name")] == 16
    assert lines[("trigger", 0, "alert", "latest_s")] == 18
    assert lines[("trigger", 0, "condition", 1, "name")] == 22
    assert lines[("trigger", 1)] == 23
    assert lines[("trigger", 1, "alert", "latest_s")] == 25
    assert lines[("trigger", 1, "text")] == 26
    assert lines[("trigger", 1, "condition", 0, "name")] == 29


def test_every_path_of_the_study_files_has_its_line(everything_text: str) -> None:
    texts = [file.read_text(encoding="utf-8") for file in CONFIGS.glob("*.toml")]
    assert len(texts) >= 3
    for text in [AWKWARD, everything_text, *texts]:
        lines, rows = key_lines(text), text.splitlines()
        assert set(lines) == dict(values_in(tomllib.loads(text))).keys()
        for path, line in lines.items():
            if isinstance(path[-1], str):
                assert path[-1] in rows[line - 1]


keys = st.text(min_size=1, max_size=5)
values = st.recursive(
    st.integers(0, 9) | st.booleans() | st.text(max_size=8) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(keys, values, max_size=4))
def test_every_path_of_any_file_has_a_line(root: dict[str, Any]) -> None:
    text = to_toml(root)
    parsed = tomllib.loads(text)
    assert set(key_lines(text)) == dict(values_in(parsed)).keys()
