"""A page in a real headless browser: what it looks like there, what it asks for, and what of it cannot be read."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from html import unescape
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

BROWSER = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), ""
)
"""Empty where there is none; then the tests that need it are not collected, see conftest.py."""

PROBE = """<!doctype html><meta charset="utf-8"><title>probe</title>
<body style="margin:0"><iframe src="page.html" style="border:0;width:WIDTHpx;height:900px"></iframe>
<pre id="found"></pre>
<script>
const frame = document.querySelector("iframe");
function light(colour) {
  const parts = colour.match(/[0-9.]+/g).map(Number);
  const [r, g, b] = parts.slice(0, 3).map(c => (c /= 255) <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function contrast(one, other) {
  const [low, high] = [light(one), light(other)].sort((a, b) => a - b);
  return (high + 0.05) / (low + 0.05);
}
frame.onload = () => {
  const page = frame.contentDocument, view = frame.contentWindow, root = page.documentElement;
  const ground = view.getComputedStyle(page.body).backgroundColor;
  const found = {overflow: root.scrollWidth - root.clientWidth, ground, pictures: [], faint: []};
  for (const one of page.querySelectorAll("p, li, td, th, h1, h2, figcaption, .chip")) {
    const ratio = contrast(view.getComputedStyle(one).color, ground);
    if (ratio < 4.5) found.faint.push([one.textContent.slice(0, 40), ratio]);
  }
  for (const svg of page.querySelectorAll("svg")) {
    const box = svg.getBoundingClientRect(), texts = [...svg.querySelectorAll("text")];
    const boxes = texts.map(text => [text.textContent, text.getBoundingClientRect()]);
    const outside = boxes.filter(([, b]) => b.left < box.left - 1 || b.right > box.right + 1 || b.top < box.top - 1
      || b.bottom > box.bottom + 1).map(([words]) => words);
    const over = [];
    boxes.forEach(([words, a], i) => boxes.slice(i + 1).forEach(([other, b]) => {
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 2 && high > 4) over.push([words, other]);
    }));
    for (const text of texts) {
      const ratio = contrast(view.getComputedStyle(text).fill, ground);
      if (ratio < 4.5) found.faint.push([text.textContent, ratio]);
    }
    found.pictures.push({title: svg.querySelector("title").textContent, width: box.width, height: box.height,
      outside, over, shapes: svg.querySelectorAll("line, path, rect, polygon, circle").length});
  }
  document.getElementById("found").textContent = JSON.stringify(found);
};
</script></body>"""


class _Asked(SimpleHTTPRequestHandler):
    """Serves a directory and remembers what was asked for."""

    def __init__(self, *rest: Any, asked: list[str], **more: Any) -> None:
        self._asked = asked
        super().__init__(*rest, **more)

    def do_GET(self) -> None:
        self._asked.append(self.path)
        super().do_GET()

    def log_message(self, *_: object) -> None:
        """Nothing on the terminal."""


@contextmanager
def serving(directory: Path) -> Iterator[tuple[str, list[str]]]:
    """A server on the loopback; its address, and what it was asked for."""
    asked: list[str] = []
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Asked, directory=str(directory), asked=asked))
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}", asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def browsed(directory: Path, address: str, *more: str) -> subprocess.CompletedProcess[str]:
    """The browser on an address, to its end; the machine's own profile is left alone."""
    return subprocess.run(
        [
            BROWSER,
            *(
                "--headless=new",
                "--no-sandbox",
                "--disable-gpu",
                "--hide-scrollbars",
                "--disable-background-networking",
            ),
            *(f"--user-data-dir={directory / 'profile'}", "--virtual-time-budget=20000", "--enable-logging=stderr"),
            *more,
            address,
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )


def probed(page: str, directory: Path, *, width: int = 1000, dark: bool = False) -> dict[str, Any]:
    """What the browser makes of a page: see `PROBE`; and what it asked for (`asked`) and complained of (`said`)."""
    (directory / "page.html").write_text(page, encoding="utf-8")
    (directory / "probe.html").write_text(PROBE.replace("WIDTH", str(width)), encoding="utf-8")
    scheme = "--blink-settings=preferredColorScheme=" + ("0" if dark else "1")
    with serving(directory) as (address, asked):
        done = browsed(directory, f"{address}/probe.html", "--dump-dom", f"--window-size={width},1000", scheme)
    text = re.search(r'<pre id="found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert text is not None
    assert text[1], done.stderr[-2000:]
    found: dict[str, Any] = json.loads(unescape(text[1]))
    found["asked"] = [path for path in asked if path != "/favicon.ico"]
    found["said"] = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return found
