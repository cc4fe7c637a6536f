"""Both pages in a real headless browser, light, dark and narrow: everything can be read, and nothing is fetched."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest

from monitor.archive.gathering import gather
from monitor.archive.looks import Look
from monitor.reports.comparison.comparison import compare_studies
from monitor.reports.export.cues import VideoTimes
from monitor.reports.export.drives import read_whole
from monitor.reports.export.export import ExportPlan, export_records
from monitor.reports.page.run_page import run_page
from monitor.reports.page.study_page import study_page
from tests.judging.hand import FIRE_T, Mark
from tests.reports.browsing import browsed, probed, serving
from tests.reports.making import BLIND, hand_drive, hand_record
from tests.reports.test_parquet_and_cues import ESCAPES, mark
from tests.reports.test_tally import too_long_gap

FIXTURES = Path(__file__).resolve().parents[2] / "replay_fixtures"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """A run of each kind, a blind one, and a study with everything on its page."""
    directory = tmp_path_factory.mktemp("records")
    contact: list[Mark] = [(FIRE_T + 1.0, "collision", "van", {})]
    for number, response_s in enumerate((0.6, 0.7, 0.9, 1.0, 1.1, 1.3, None)):
        hand_record(directory, f"Q1{number}", response_s=response_s, day=2 * number)
    for number, response_s in enumerate((0.9, 1.2, 1.5, 1.6, 1.9)):
        hand_record(directory, f"Q2{number}", "no-alert", response_s, day=3 * number)
    hand_record(directory, "Q25", "no-alert", day=4, drive=hand_drive("no-alert", None, markers=contact))
    for number in range(3):
        hand_record(directory, f"Q3{number}", day=5 * number, drive=too_long_gap())
    drive = hand_drive(lost_frames=frozenset(range(196, 204)))
    hand_record(directory, "Q40", day=9, drive=drive)
    blind = hand_record(tmp_path_factory.mktemp("blind"), "Q07", text=BLIND)
    found = gather(directory)
    return {
        **{name: run_page(read_whole(FIXTURES / f"{name}.run")) for name in ("clean", "frames-lost", "double-fire")},
        "blind": run_page(read_whole(blind)),
        "study": study_page(found, compare_studies(found), Look(directory, 1, None)),
        "study that nobody unblinded": study_page(found, (), None),
    }


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["clean", "frames-lost", "double-fire", "blind", "study", "study that nobody unblinded"]
)
def test_everything_on_a_page_can_be_read(name: str, pages: dict[str, str], tmp_path: Path) -> None:
    wide = probed(pages[name], tmp_path)
    assert wide["asked"] == ["/probe.html", "/page.html"]
    assert wide["said"] == []
    assert wide["overflow"] <= 0
    assert wide["pictures"]
    for picture in wide["pictures"]:
        assert picture["width"] > 600
        assert picture["height"] > 60
        assert picture["shapes"] >= 5
        assert picture["outside"] == [], picture["title"]
        assert picture["over"] == [], picture["title"]
    # words against their ground, WCAG 2.1, 1.4.3
    assert wide["faint"] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", ["clean", "study"])
def test_in_the_dark_and_on_a_narrow_screen(name: str, pages: dict[str, str], tmp_path: Path) -> None:
    dark = probed(pages[name], tmp_path, dark=True)
    assert dark["ground"] == "rgb(20, 22, 26)"
    assert dark["faint"] == []
    narrow = probed(pages[name], tmp_path, width=390)
    assert narrow["overflow"] <= 0  # pictures and tables scroll by themselves, the page does not


@pytest.mark.slow
def test_on_paper_it_is_dark_on_white_whatever_the_screen_is(pages: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(pages["study"], encoding="utf-8")
    made = []
    for scheme in ("0", "1"):
        out = tmp_path / f"page-{scheme}.pdf"
        with serving(tmp_path) as (address, _):
            more = (
                "--no-pdf-header-footer",
                f"--print-to-pdf={out}",
                f"--blink-settings=preferredColorScheme={scheme}",
            )
            browsed(tmp_path, f"{address}/page.html", *more)
        made.append(out.stat().st_size)
    assert made[0] == pytest.approx(made[1], rel=0.01)
    assert made[0] > 20_000


TRACK = """<!doctype html><meta charset="utf-8"><video><track kind="chapters" src="cues.vtt" default></video>
<pre id="found"></pre><script>
const track = document.querySelector("track");
track.track.mode = "hidden";
track.onload = () => {
  const cues = [...track.track.cues].map(cue => [cue.id, cue.startTime, cue.text]);
  document.getElementById("found").textContent = JSON.stringify(cues);
};
</script>"""


@pytest.mark.slow
def test_a_browsers_own_reader_takes_the_cues(tmp_path: Path) -> None:
    records = tmp_path / "records"
    records.mkdir()
    hand_record(records, "Q10", operator=[mark(2.0), ESCAPES])
    exported = export_records(
        gather(records), ExportPlan("cues", video=VideoTimes(everywhere_s=12.0)), tmp_path / "out"
    )
    (path,) = exported.directory.glob("*.vtt")
    path.rename(tmp_path / "out" / "cues.vtt")
    (tmp_path / "out" / "track.html").write_text(TRACK, encoding="utf-8")
    with serving(tmp_path / "out") as (address, _):
        done = browsed(tmp_path, f"{address}/track.html", "--dump-dom")
    text = re.search(r'<pre id="found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert text is not None
    cues = {name: (start, words) for name, start, words in json.loads(unescape(text[1]))}
    assert cues["1/gate-brake/1"] == (10, "gate-brake fired: VALID")
    assert cues["note 1"][0] == 12
    assert cues["note 2"] == (14, "anna: red \N{REPLACEMENT CHARACTER}[31m &lt;b&gt;&amp; --&gt; end")
