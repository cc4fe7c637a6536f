"""The process that parses: `python -m monitor.connect.sources.parsing.process FORMAT PATH ASKED`, ASKED as JSON.

A damaged or hostile file meets limits of memory, of processor time and of files here, and a process that holds nothing
else: it writes no file, and what it says is checked by whoever started it.
"""

from __future__ import annotations

import json
import resource
import sys
from typing import Any

from monitor.connect.sources.parsing.protocol import write_message
from monitor.errors import WitnessError

MEMORY_BYTES = 6 << 30
"""A session of two hours with several streams takes some hundred MB; the libraries' own address space counts, too."""
PROCESSOR_S = 1800
FILES = 64


def limit() -> None:
    """Takes from this process what parsing does not need."""
    for what, most in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CPU, PROCESSOR_S),
        (resource.RLIMIT_NOFILE, FILES),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        lowered = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (lowered, lowered))


def main() -> None:
    """Parses one file onto standard output."""
    form, path, asked_text = sys.argv[1:4]
    asked: Any = json.loads(asked_text)
    out = sys.stdout.buffer
    try:
        if form == "xdf":
            from monitor.connect.sources.parsing.xdf import parse

            limit()
            parse(path, asked, out)
        else:
            from monitor.connect.sources.parsing.osi import parse as parse_osi

            limit()
            parse_osi(path, asked, out)
    except WitnessError as error:
        write_message(out, {"error": str(error)})
    except MemoryError:
        write_message(out, {"error": f"{path} needs more than {MEMORY_BYTES >> 30} GiB of memory to be parsed."})
    except Exception as error:  # whatever a library raises for a damaged file: said, and the process ends
        write_message(out, {"error": f"{path} cannot be parsed ({type(error).__name__}: {str(error)[:200]})."})
    out.flush()


if __name__ == "__main__":
    main()
