"""A channel map's faults: all at once, each one sentence with line, key, what was expected and what was found."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.connect.channel_map.loading import load_map, parse_map
from monitor.connect.channel_map.model import CsvSource, UdpSource, ZmqSource
from monitor.connect.channel_map.shape import CHANNEL_MAP, OWN_NAMES
from monitor.errors import MapFaults
from monitor.tables.faults import path_text
from monitor.tables.kinds import Named, Section, Sections
from tests.connect.maps import OWN, map_text
from tests.study.conftest import holder, to_toml

NO_CAR = '[feed]\nsource = "gaze"\nrate_hz = 60\n[source]\nkind = "csv"\n[time]\nfrom = "T"\n'
CONFIGS = Path(__file__).resolve().parents[2] / "configs"


def faults_of(text: str) -> list[str]:
    with pytest.raises(MapFaults) as caught:
        parse_map(text, "a.toml")
    return list(caught.value.faults)


def test_five_faults_give_five_sentences() -> None:
    text = map_text(
        own="""
x = "X"
y = { from = "Y", unit = "parsec" }
heading = { from = "H", unit = "km/h" }
speed = { from = "V", constant = 3 }
accel = { form = "A" }
length = { constant = 4.6 }
width = { constant = 1.8 }
""",
        more='[[marker]]\nkind = "trigger"\nname = "gate-brake"\nwhen = "rise"\nfrom = "E"',
    )
    assert faults_of(text) == [
        'line 17, own.y.unit: expected a unit of length, found "parsec"; known here: "m", "mm", '
        '"cm", "km", "in", "ft", "yd", "mi", "US survey ft" and "nmi".',
        'line 18, own.heading.unit: expected a unit of angle, found "km/h", a unit of speed; '
        'known here: "rad", "mrad", "deg", "gon" and "rev".',
        'line 19, own.speed: expected one of "from", "components", "constant" or "not_measured", '
        'found "from" and "constant".',
        'line 20, own.accel.form: expected a key of this section, found "form"; did you mean "from"?',
        'line 28, marker[1].when: expected "rises", "falls", "counts up", "changes", "becomes" or "received", '
        'found "rise"; did you mean "rises"?',
    ]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (map_text(own=OWN.replace('accel = "A"\n', "")), "own.accel: expected the channel, found nothing"),
        (map_text(own=OWN + 'reference = "rear axle"'), "own.axle_to_centre_m: expected the metres from the rear axle"),
        (map_text(own=OWN.replace('"X"', '{ components = ["a", "b"] }')), "own.x.components: expected from, because"),
        (map_text(own=OWN + 'lane = { from = "L", unit = "m" }'), "own.lane.unit: expected no unit"),
        (map_text(own=OWN + 'brake = { from = "B", unit = "N" }'), 'own.brake.unit: expected a share, found "N"'),
        (map_text(source='kind = "csv"\nlisten = "0.0.0.0:1"'), "source.listen: expected a key of a source of kind"),
        (map_text(source='kind = "csv"\ndelimiter = ","\ndecimal = ","'), "source.decimal: expected another mark"),
        (map_text(source='kind = "csv"\nencoding = "utf-9"'), "source.encoding: expected the name of a text encoding"),
        (map_text(source='kind = "udp"'), "source.fields: expected the packet's fields"),
        (map_text(source='kind = "udp"\nlisten = "here"\nfields = ["f64 T"]'), "source.listen: expected ADDRESS:PORT"),
        (map_text(more="[signals.gaze]\nfrom = 'g'\nunit = 'bpm'"), 'goes into unit_text = "bpm"'),
        (map_text(more="[run]\ngroup = 'a'\ngroup_from = 'b'"), "run.group_from: expected either group or group_from"),
        (map_text(more="[run.groups]\n1 = 'chime'"), "run.groups: expected it only beside group_from"),
        (map_text(more="[road]\nx = [0, 1]\ny = [0]\nlane_width = 3\nlanes = 2"), "road.y: expected as many vertices"),
        (map_text(more="[join]\nhold_s = 0.1"), "join: expected it only in a map without [own], found both of them"),
        (NO_CAR + "[axes]", "axes: expected it only beside [own]"),
        (map_text(more="[[vehicle]]\nid = 1" + OWN.replace("x =", "#")), "vehicle[1].x: expected the channel"),
        (
            map_text(more='[[marker]]\nkind = "alert_on"\nwhen = "rises"\nfrom = "a"'),
            "marker[1].modality: expected what kind of alert it is",
        ),
        (
            map_text(more='[[marker]]\nkind = "trigger"\nwhen = "rises"\nfrom = "a"'),
            "marker[1].name: expected the name of the trigger",
        ),
        (
            map_text(more='[[marker]]\nkind = "sync"\nwhen = "received"\ntopic = "e"'),
            'marker[1].when: expected another when, because only a source of kind "zmq"',
        ),
        (
            map_text(more='[[marker]]\nkind = "sync"\nwhen = "becomes"\nfrom = "e"'),
            "marker[1].becomes: expected the value",
        ),
        (
            map_text(more='[[marker]]\nkind = "sync"\nwhen = "rises"\nfrom = "e"\nmeasured = true'),
            "marker[1].measured: expected it only for alert_on and alert_off, found it for sync",
        ),
    ],
)
def test_each_fault_is_one_sentence_that_names_it(text: str, sentence: str) -> None:
    (fault,) = faults_of(text)
    assert sentence in fault
    assert re.match(r"line \d+, ", fault)


def test_names_that_a_packet_does_not_have_are_all_named_at_loading() -> None:
    text = (CONFIGS / "channels-udp.toml").read_text(encoding="utf-8")
    text = text.replace('accel = "accel"', 'accel = "acel"').replace('from = "gas"', 'from = "gaz"')
    faults = faults_of(text.replace('from = "event"', 'from = "evnt"'))
    assert [fault.split(": ", 1)[1] for fault in faults] == [
        'expected a name of the packet, found "acel"; did you mean "accel"?',
        'expected a name of the packet, found "gaz"; did you mean "gas"?',
        'expected a name of a row of "cars", found "acel"; did you mean "accel"?',
        'expected a name of the packet, found "evnt"; did you mean "event"?',
    ]


def test_a_layout_is_checked_field_by_field() -> None:
    fields = '["u32 a", "float b", "f32 a", "f64[0] c", "skip", "text name"]'
    faults = faults_of(map_text(own=OWN, source=f'kind = "udp"\nfields = {fields}'))
    assert [fault.split(":")[0] for fault in faults] == [
        "line 7, source.fields[2]",
        "line 7, source.fields[3]",
        "line 7, source.fields[4]",
        "line 7, source.fields[5]",
        "line 7, source.fields[6]",
    ]


def test_a_file_that_is_no_map_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(MapFaults, match="cannot be read"):
        load_map(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(MapFaults, match="not UTF-8"):
        load_map(tmp_path / "bad.toml")
    with pytest.raises(MapFaults, match=r"1 fault in the channel map\n  line 1, column 3: this is not valid TOML"):
        parse_map("x y", "a.toml")


@pytest.mark.parametrize(
    ("name", "kind"), [("example", CsvSource), ("udp", UdpSource), ("zmq", ZmqSource), ("gaze", UdpSource)]
)
def test_the_example_maps_load(name: str, kind: type) -> None:
    assert isinstance(load_map(CONFIGS / f"channels-{name}.toml").source, kind)


def keys_of(kind: object) -> set[str]:
    """Every key that a table knows."""
    if isinstance(kind, Section):
        return set(kind.keys) | {name for key in kind.keys.values() for name in keys_of(key.kind)}
    if isinstance(kind, Sections):
        return keys_of(kind.section)
    return keys_of(kind.kind) if isinstance(kind, Named) else set()


def test_the_examples_explain_every_key() -> None:
    text = "".join(
        (CONFIGS / f"channels-{name}.toml").read_text(encoding="utf-8")
        for name in ("example", "udp", "zmq", "gaze", "lsl", "osi")
    )
    known = keys_of(CHANNEL_MAP) - set(OWN_NAMES)
    assert [key for key in sorted(known) if not re.search(rf"\b{key}\b", text)] == []
    assert [name for name in OWN_NAMES if not re.search(rf"\b{name}\b", text)] == []


def test_what_the_examples_show_as_comments_loads_too() -> None:
    """Each block of lines that begin with "#:" put in place of nothing (of a key already there: instead of it)."""
    text = (CONFIGS / "channels-example.toml").read_text(encoding="utf-8")
    for section in ("sequence", "road"):
        block = re.search(rf"((?:^#: .*\n)*^#: \[{section}\]\n(?:^#: .*\n)*)", text, re.MULTILINE)
        assert block is not None
        parse_map(text.replace(block[1], block[1].replace("#: ", "")), section)


UDP = tomllib.loads((CONFIGS / "channels-udp.toml").read_text(encoding="utf-8"))


def names_in(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Each place of the map that names a value of the packet."""
    if isinstance(value, dict | list):
        for key, one in value.items() if isinstance(value, dict) else enumerate(value):
            yield from names_in(one, (*path, key))
    elif path[0] != "source" and (path[-1] in ("from", "name_from", "time_from", "id", "rows") or path[0] == "own"):
        if isinstance(value, str) and path[-1] not in ("unit", "reference"):
            yield path


@pytest.mark.parametrize("path", list(names_in(UDP)), ids=path_text)
def test_a_key_that_does_not_exist_hides_no_name_that_the_packet_does_not_give(path: tuple[str | int, ...]) -> None:
    wrong = copy.deepcopy(UDP)
    holder(wrong, path)[path[-1]] = "zzzz"
    (alone,) = faults_of(to_toml(wrong))
    told = alone.partition(", ")[2].split(": ")[0]
    for section in dict.fromkeys((("feed",), ("time",), ("own",), ("vehicles",), ("marker", 0), path[:1])):
        if not isinstance(holder(UDP, (*section, "x")), dict):
            continue
        changed = copy.deepcopy(wrong)
        holder(changed, (*section, "x"))["qqqq"] = 5
        faults = faults_of(to_toml(changed))
        assert len(faults) == 2, (section, faults)
        assert sum(told in one for one in faults) == 1, (alone, faults)
