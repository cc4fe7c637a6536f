"""Whatever is no regular file is refused in one sentence that names it, and never waited for: every command, and every
file or directory that it can be given."""

from __future__ import annotations

import argparse
import errno
import os
import re
import shutil
import signal
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import chdir
from pathlib import Path

import pytest

from monitor.commands.main import build_parser
from monitor.errors import WitnessError
from monitor.named_files import NameTaken, new_file, write_numbered
from tests.commands.running import STUDY, call
from tests.connect import ridge
from tests.connect.test_files import BESIDE
from tests.lazily import Lazily
from tests.reports.making import hand_record
from tests.scenario_file.writing import ABOVE, at_value, event, write_scenario

xosc = Lazily("scenariogeneration.xosc")

CONFIGS = STUDY.parent
FEED = ("--feed", "tcp://127.0.0.1:5599")
P = "THE PATH"
"""Stands in a command for what is given."""


class Waits(BaseException):
    """Raised where a command has waited for too long."""


FILES: dict[str, tuple[str, ...]] = {
    "watch --study": ("watch", "--headless", "--study", P, *FEED, "--participant", "Q09"),
    "watch --own-key": (
        *("watch", "--headless", "--study", "s.toml", *FEED, "--participant", "Q09"),
        *("--own-key", P, "--simulator-key", "keys/simulator.key"),
    ),
    "watch --simulator-key": (
        *("watch", "--headless", "--study", "s.toml", *FEED, "--participant", "Q09"),
        *("--own-key", "keys/witness.key_secret", "--simulator-key", P),
    ),
    "replay --study": ("replay", "RECORD", "--why", "1/gate-brake/1", "--study", P),
    "review --study": ("review", "RECORD", "--study", P),
    "check --study": ("check", "--study", P),
    "check --map": ("check", "--study", "s.toml", "--map", P),
    "check --also": ("check", "--study", "s.toml", "--map", "map.toml", "--also", P),
    "check --also MAP=FILE": (
        "check",
        "--study",
        "s.toml",
        "--map",
        "map.toml",
        "--csv",
        "a.csv",
        "--also",
        f"beside.toml={P}",
    ),
    "check --csv": ("check", "--study", "s.toml", "--map", "map.toml", "--csv", P),
    "check --csv --propose": ("check", "--study", "s.toml", "--csv", P, "--propose", "new.toml"),
    "check --propose": ("check", "--study", "s.toml", "--csv", "a.csv", "--propose", P),
    "check --scenario": ("check", "--study", "s.toml", "--scenario", P),
    "check --own-key": ("check", "--study", "s.toml", *FEED, "--own-key", P, "--simulator-key", "keys/simulator.key"),
    "check --simulator-key": (
        *("check", "--study", "s.toml", *FEED),
        *("--own-key", "keys/witness.key_secret", "--simulator-key", P),
    ),
    "rehearse --study": ("rehearse", "--study", P, *FEED),
    "rehearse --reference": ("rehearse", "--study", "s.toml", *FEED, "--reference", P),
    "rehearse --own-key": (
        "rehearse",
        "--study",
        "s.toml",
        *FEED,
        "--own-key",
        P,
        "--simulator-key",
        "keys/simulator.key",
    ),
    "rehearse --simulator-key": (
        *("rehearse", "--study", "s.toml", *FEED),
        *("--own-key", "keys/witness.key_secret", "--simulator-key", P),
    ),
    "prove --study": ("prove", "RECORD", "--study", P),
    "bridge --map": ("bridge", "--map", P, "--bind", "tcp://127.0.0.1:*"),
    "bridge --also": ("bridge", "--map", "map.toml", "--csv", "a.csv", "--also", P, "--bind", "tcp://127.0.0.1:*"),
    "bridge --csv": ("bridge", "--map", "map.toml", "--csv", P, "--bind", "tcp://127.0.0.1:*"),
    "bridge --own-key": (
        *("bridge", "--map", "map.toml", "--csv", "a.csv", "--bind", "tcp://127.0.0.1:*"),
        *("--own-key", P, "--allowed", "keys/allowed"),
    ),
    "bridge --source-key": (
        *("bridge", "--map", str(CONFIGS / "channels-zmq.toml"), "--bind", "tcp://127.0.0.1:*"),
        *("--own-key", "keys/simulator.key_secret", "--source-key", P),
    ),
    "import file": ("import", P, "--map", "map.toml", "--study", "s.toml", "--participant", "Q09"),
    "import --map": ("import", "a.csv", "--map", P, "--study", "s.toml", "--participant", "Q09"),
    "import --also": ("import", "a.csv", "--map", "map.toml", "--also", P, "--study", "s.toml", "--participant", "Q09"),
    "import --study": ("import", "a.csv", "--map", "map.toml", "--study", P, "--participant", "Q09"),
    "closeout --out": ("closeout", "RECORD", "--out", P),
    "closeout --hand-over": ("closeout", "RECORD", "--hand-over", P),
    "safety --out": ("safety", "records", "--out", P),
    "report --out": ("report", "records", "--out", P),
    "report --study": ("report", "records", "--out", "new.html", "--study", P),
    "assign --study": ("assign", "--study", P),
    "tally --study": ("tally", "records", "--study", P),
    "forecast --study": ("forecast", "records", "--study", P),
    "compare --study": ("compare", "records", "--unblind", "--by", "x", "--study", P),
    "export --study": ("export", "records", "--to", "csv", "--out", "new", "--study", P),
    "export --video-at": ("export", "records", "--to", "cues", "--out", "new", "--video-at", P),
    "simulate --truth": ("simulate", "--speed", "60", "--wait", "0", "--truth", P),
}
DIRECTORIES: dict[str, tuple[str, ...]] = {
    "demo --records": ("demo", "--headless", "--records", P),
    "watch --records": ("watch", "--headless", "--study", "s.toml", *FEED, "--participant", "Q09", "--records", P),
    "watch --second": ("watch", "--headless", "--study", "s.toml", *FEED, "--participant", "Q09", "--second", P),
    "attach run": ("attach", P, "--headless"),
    "attach --records": ("attach", "--headless", "--records", P),
    "overview --records": ("overview", "--once", "--records", P),
    "drill --records": ("drill", "--by", "x", "--headless", "--reacts-after", "1", "--records", P),
    "replay record": ("replay", P, "--why", "1/gate-brake/1"),
    "replay --beside": ("replay", "RECORD", "--json", "--beside", P),
    "replay --keep": ("replay", "records", "--sweep", "gate-brake/time gap", "--keep", P),
    "review record": ("review", P),
    "review --keep": ("review", "records", "--keep", P),
    "rule record": ("rule", P, "--trial", "1/gate-brake/1", "--verdict", "valid", "--by", "x"),
    "check --record": ("check", "--study", "s.toml", "--scenario", "script.xosc", "--record", P),
    "check --records": ("check", "--study", "s.toml", "--freeze", "--by", "x", "--records", P),
    "rehearse --records": ("rehearse", "--study", "s.toml", *FEED, "--records", P),
    "rehearse --days --records": ("rehearse", "--study", "s.toml", "--days", "--records", P),
    "prove record": ("prove", P),
    "bridge --allowed": (
        *("bridge", "--map", "map.toml", "--csv", "a.csv", "--bind", "tcp://127.0.0.1:*"),
        *("--own-key", "keys/simulator.key_secret", "--allowed", P),
    ),
    "import --records": (
        "import",
        "a.csv",
        "--map",
        "map.toml",
        "--study",
        "s.toml",
        "--participant",
        "Q09",
        "--records",
        P,
    ),
    "keys directory": ("keys", P),
    "verify record": ("verify", P),
    "recover record": ("recover", P),
    "recover --place": ("recover", "RECORD", "--place", P),
    "seal record": ("seal", P),
    "withdraw record": ("withdraw", P, "--by", "x", "--participant", "Q01"),
    "closeout record": ("closeout", P),
    "safety path": ("safety", P),
    "report path": ("report", P, "--out", "new.html"),
    "report --keep": ("report", "records", "--out", "new.html", "--keep", P),
    "assign --records": ("assign", "--study", "s.toml", "--participant", "Q09", "--records", P),
    "agreement directory": ("agreement", P),
    "tally directory": ("tally", P),
    "tally --keep": ("tally", "records", "--keep", P),
    "forecast directory": ("forecast", P),
    "forecast --keep": ("forecast", "records", "--keep", P),
    "compare directory": ("compare", P, "--unblind", "--by", "x"),
    "compare --keep": ("compare", "records", "--unblind", "--by", "x", "--keep", P),
    "export directory": ("export", P, "--to", "csv", "--out", "new"),
    "export --keep": ("export", "records", "--to", "csv", "--out", "new", "--keep", P),
    "export --out": ("export", "records", "--to", "csv", "--out", P),
}
NAMES_A_FILE = {"FILE", "FILE.html", "DIR", "RECORD", "PATH", "OTHER", "RUN", "S|FILE"}
"""What an argument that is a file or a directory is called in the help text."""


def test_the_table_has_every_argument_that_is_a_file() -> None:
    (commands,) = (each for each in build_parser()._actions if isinstance(each, argparse._SubParsersAction))
    wanted = {
        f"{name} {action.option_strings[0] if action.option_strings else action.dest}"
        for name, parser in commands.choices.items()
        for action in parser._actions
        if action.metavar in NAMES_A_FILE
    }
    assert wanted <= FILES.keys() | DIRECTORIES.keys(), wanted - FILES.keys() - DIRECTORIES.keys()


def as_pipe(path: Path) -> None:
    os.mkfifo(path)


def as_device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def as_socket(path: Path) -> None:
    with chdir(path.parent), socket.socket(socket.AF_UNIX) as one:  # the whole path may be too long for one
        one.bind(path.name)


def as_directory(path: Path) -> None:
    path.mkdir()


def as_file(path: Path) -> None:
    path.write_bytes(b"\x00 nothing that any of them would know\n")


KINDS: dict[str, Callable[[Path], None]] = {
    "pipe": as_pipe,
    "device": as_device,
    "socket": as_socket,
    "directory": as_directory,
    "file": as_file,
}


REPEATED = ("device", "socket")
"""Kinds for which the same is done as for a pipe."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study, maps with a file, a record, keys: all that a command needs beside what it is given."""
    root = tmp_path_factory.mktemp("place")
    (root / "records").mkdir()
    hand_record(root / "records", "Q01").rename(root / "records" / "Q01.run")
    shutil.copy(STUDY, root / "s.toml")
    shutil.copy(CONFIGS / "channels-example.toml", root / "map.toml")
    (root / "beside.toml").write_text(
        BESIDE + '[signals.eyes_on_road]\nfrom = "GazeZone"\nvalues = { ROAD = 1, TASK = 0 }\n'
    )
    ridge.write_csv(root / "a.csv")
    write_scenario(root / "script.xosc", event("gate-brake", [[at_value(xosc.SimulationTimeCondition(9, ABOVE))]]))
    assert call("keys", str(root / "keys")).returncode == 0
    return root


@pytest.fixture
def here(made: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """It as the working directory, where whatever waits is ended, and no run of others is seen."""

    def too_long(*_: object) -> None:
        raise Waits

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(120)  # four times what the longest takes at a load of fifteen
    with chdir(made), tempfile.TemporaryDirectory(prefix="tw-") as runtime:
        monkeypatch.setenv("XDG_RUNTIME_DIR", runtime)  # a short one: sockets lie in it
        yield made
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)
    for given in made.rglob("given*"):
        given.rmdir() if given.is_dir() and not given.is_symlink() else given.unlink()


def everything(here: Path) -> set[str]:
    """What lies below a directory, but for the caches that a record keeps."""
    return {str(one.relative_to(here)) for one in here.rglob("*") if not one.name.endswith(".cache")}


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        *((what, kind) for what in FILES for kind in ("pipe", "directory")),
        *((what, kind) for what in DIRECTORIES for kind in ("pipe", "file")),
        *(pytest.param(what, kind, marks=pytest.mark.slow) for what in FILES | DIRECTORIES for kind in REPEATED),
    ],
)
def test_what_is_none_is_named_and_never_waited_for(what: str, kind: str, here: Path) -> None:
    KINDS[kind](here / "given")
    before = everything(here)
    words = (FILES | DIRECTORIES)[what]
    done = call(*(word.replace(P, "given").replace("RECORD", "records/Q01.run") for word in words))
    assert done.returncode == 2
    said = f"{done.stdout}\n{done.stderr}"
    assert "given" in said or "/dev/zero" in said  # a link's own directory is what it leads to
    assert "Traceback" not in said
    assert "File exists" not in said
    assert "Errno" not in said
    assert everything(here) == before, "nothing is left behind"


WRITTEN = [what for what, words in (FILES | DIRECTORIES).items() if words[-2:] in (("--out", P), ("--propose", P))]


@pytest.mark.parametrize("what", WRITTEN)
@pytest.mark.parametrize("given", [".", "..", "/"])
def test_what_has_no_name_of_its_own_is_refused_in_one_sentence(what: str, given: str, here: Path) -> None:
    words = (FILES | DIRECTORIES)[what]
    done = call(*(word.replace(P, given).replace("RECORD", "records/Q01.run") for word in words))
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert "\n" not in done.stderr.strip()


def test_an_argument_that_is_no_text_is_named(here: Path) -> None:
    """As a name typed in another encoding: nothing of it could be entered anywhere."""
    for words in (("tally", "records", "--study", "s\udce9.toml"), ("watch", "--by", "Andr\udce9")):
        done = call(*words)
        shown = words[-1].replace("\udce9", "\\udce9")
        assert done.returncode == 2
        assert done.stderr == f"The argument {shown} is no text in UTF-8; write it so, or rename the file.\n"


def test_a_login_name_that_is_no_text_is_entered_as_far_as_it_is(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRIALWITNESS_OPERATOR", "Andr\udce9")
    done = call("check", "--study", "s.toml", "--freeze", "--records", "records")
    assert (done.returncode, "by Andr?" in done.stdout) == (0, True), done


@pytest.mark.parametrize("kind", ["pipe", "device", "socket", "directory"])
def test_a_key_of_somebody_allowed_that_is_no_file_is_named(kind: str, here: Path) -> None:
    KINDS[kind](here / "keys" / "allowed" / "given.key")
    words = DIRECTORIES["bridge --allowed"]
    done = call(*(word.replace(P, "keys/allowed") for word in words))
    assert done.returncode == 2
    assert "given.key: cannot be used as a key file" in done.stderr


def test_what_fails_with_another_file_while_a_new_one_is_open_is_not_said_of_the_new_one(tmp_path: Path) -> None:
    out, other = tmp_path / "page.html", tmp_path / "other"
    for path, fails in ((other, other.stat), (other, other.rmdir), (tmp_path, tmp_path.mkdir)):
        with pytest.raises(OSError, match=re.escape(str(path))), new_file(out):
            fails()
        assert not out.exists()
    out.write_text("mine")
    with pytest.raises(WitnessError, match="is there already"), new_file(out):
        pass
    assert out.read_text() == "mine"


@pytest.mark.parametrize("has_links", [True, False])
def test_a_new_file_has_its_name_when_it_is_whole_and_takes_nobody_elses(
    has_links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*arguments: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    if not has_links:
        monkeypatch.setattr(os, "link", no_links)
    out, beside = tmp_path / "page.html", tmp_path / "page.html.unfinished"
    with new_file(out, mode=0o600) as file:
        file.write("mine")
        assert not out.exists()
        with pytest.raises(NameTaken, match=r"Another command is writing page\.html in it now"), new_file(out):
            pass
        assert beside.exists(), "the other one is no reason to take it away"
    assert (out.read_text(), beside.exists(), out.stat().st_mode & 0o777) == ("mine", False, 0o600)
    other = tmp_path / "other"
    with pytest.raises(NameTaken, match="is whole and stays as"):
        while_another_takes_its_name(other)
    assert other.read_text() == "anothers"
    assert (tmp_path / "other.unfinished").read_text() == "mine"
    assert write_numbered(tmp_path, "page", ".html", "second") == tmp_path / "page-2.html"


def while_another_takes_its_name(path: Path) -> None:
    with new_file(path) as file:
        file.write("mine")
        path.write_text("anothers")
