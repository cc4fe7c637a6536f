"""An independent second witness for driving-simulator trials.

The way in for an analyst's notebook is `open_run` and `open_runs`; `monitor/reports/NOTEBOOK.md` shows what they give.
They are loaded when they are first asked for: the recorder loads this module too, and must not load the judging. Their
types stand in `__init__.pyi`.
"""

__version__ = "0.1.0"
__all__ = ["RecordFaulty", "RecordWarning", "Run", "__version__", "open_run", "open_runs"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module 'monitor' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module("monitor.reports.notebook"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
