"""What gets its name when it is whole is on the disk then, and so is its name: a power cut takes neither."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import WitnessError
from monitor.named_files import new_file, write_new, write_numbered
from tests.commands.running import call
from tests.reports.making import unruled_records

FORMS = ("csv", "bids", "cues")


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unruled_records(tmp_path_factory.mktemp("made") / "records")


def in_steps(out: Path) -> None:
    with new_file(out / "page.html", 4096, 0o600) as file:
        file.write("whole")


def exported(form: str) -> Callable[[Path, Path], Any]:
    return lambda out, records: call("export", str(records), "--to", form, "--out", str(out / "export"))


MAKERS: dict[str, Callable[[Path, Path], Any]] = {
    "a file": lambda out, _: write_new(out / "page.txt", "whole"),
    "a numbered file": lambda out, _: write_numbered(out, "page", ".txt", "whole"),
    "a file with room kept": lambda out, _: in_steps(out),
    "a report": lambda out, records: call("report", str(records), "--out", str(out / "page.html")),
    **{f"an export as {form}": exported(form) for form in FORMS},
}


class Calls:
    """What is synced and named, in order, with what the disk says to the sync of a directory."""

    def __init__(self, patch: pytest.MonkeyPatch, *, directories: int | None = None) -> None:
        self.made: list[tuple[str, str]] = []
        real_sync, real_link, real_rename = os.fsync, os.link, os.rename

        def fsync(descriptor: int) -> None:
            path = os.readlink(f"/proc/self/fd/{descriptor}")
            if directories is not None and os.path.isdir(path):
                raise OSError(directories, os.strerror(directories))
            real_sync(descriptor)
            self.made.append(("synced", path))

        def link(old: Any, new: Any, **more: Any) -> None:
            real_link(old, new, **more)
            self.made.append(("named", os.fspath(new)))

        def rename(old: Any, new: Any, **more: Any) -> None:
            real_rename(old, new, **more)
            self.made.append(("named", os.fspath(new)))

        patch.setattr(os, "fsync", fsync)
        patch.setattr(os, "link", link)
        patch.setattr(os, "rename", rename)


@pytest.mark.parametrize("maker", MAKERS)
def test_it_is_on_the_disk_with_its_name(
    maker: str, records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with monkeypatch.context() as patch:
        calls = Calls(patch)
        done = MAKERS[maker](out, records)
    assert getattr(done, "returncode", 0) == 0, done.stderr
    (whole,) = out.iterdir()
    named = calls.made.index(("named", str(whole)))
    assert ("synced", str(out)) in calls.made[named:], "its name"
    before = {path for what, path in calls.made[:named] if what == "synced"}
    beside = f"{whole}.unfinished"
    for one in [whole, *whole.rglob("*")]:
        then = Path(beside, one.relative_to(whole)) if one != whole else Path(beside)
        assert str(then) in before, f"what is in {one.name}"


@pytest.mark.parametrize("maker", MAKERS)
def test_a_disk_that_does_not_keep_the_name_is_said_and_one_that_has_no_such_call_is_not(
    maker: str, records: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, fails in ((errno.EINVAL, False), (errno.EOPNOTSUPP, False), (errno.EIO, True)):
        out = tmp_path / str(number)
        out.mkdir()
        said = ""
        with monkeypatch.context() as patch:
            Calls(patch, directories=number)
            try:
                done = MAKERS[maker](out, records)
                said = done.stderr if hasattr(done, "stderr") else ""
            except WitnessError as error:
                said = str(error)
        kept = [one.name for one in out.iterdir()]
        if not fails:
            assert len(kept) == 1
        elif kept:
            assert "does not say that it keeps its name (Input/output error)" in said
        else:  # what is in a directory is not there either
            assert "cannot be written (Input/output error)" in said
