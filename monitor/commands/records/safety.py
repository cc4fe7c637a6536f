"""`safety`: how participants were, for who looks after them and for an ethics board; without any response.

Stops, adverse events and deviations with their numbers, symptoms, who was fit to leave, and what was not entered. On
the terminal, as Markdown, or as one page (FILE.html) that any browser shows and prints. It reads what people entered,
and judges nothing.
"""

from __future__ import annotations

import argparse
from typing import Any


def add_to(subparsers: Any) -> None:
    parser = subparsers.add_parser("safety", help="how participants were, for an ethics board", description=__doc__)
    parser.add_argument("path", metavar="PATH", help="a directory of records, or one record")
    parser.add_argument("--out", metavar="FILE", help="a new file: FILE.html as a page, any other as Markdown")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")


def run(options: argparse.Namespace) -> int:
    from pathlib import Path

    from monitor.commands.shared.printing import harmless, print_json
    from monitor.record.places import is_record
    from monitor.record.tombstone import read_tombstone
    from monitor.reports.assigning.asked import asked_of
    from monitor.reports.closeout.text import terminal_lines
    from monitor.reports.safety.document import safety_report
    from monitor.reports.safety.sessions import safety_facts
    from monitor.reports.safety.values import safety_json

    path = Path(options.path)
    alone = is_record(path) or read_tombstone(path) is not None
    facts = safety_facts(path, alone=alone)
    directory = path.parent if alone else path
    asked = asked_of(directory, None)
    sections = safety_report(facts, asked)
    if options.out:
        _write(Path(options.out), sections)
    if options.json:
        print_json({**safety_json(facts, asked), "out": options.out})
    elif options.out:
        print(f"{options.out}: written")
    else:
        print("\n".join(harmless(line) for line in terminal_lines(sections)))
    return 1 if facts.unreadable or any(one.faults for one in facts.sessions) else 0


def _write(out: Any, sections: Any) -> None:
    from monitor.commands.records.closeout import harmless_text
    from monitor.named_files import write_new
    from monitor.reports.closeout.text import markdown
    from monitor.reports.page.document import page, section

    if out.suffix in (".html", ".htm"):
        made = "Made from what was entered in the session records named above."
        write_new(out, page(sections[0].heading, [section(one) for one in sections], made))
    else:
        write_new(out, harmless_text(markdown(sections)))
