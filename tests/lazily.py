"""Libraries that few tests need, as references or as readers of what was written."""

from __future__ import annotations

import gc
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import Any


class Lazily:
    """A module that is imported when it is first asked for something. Each process of a run collects all tests, and
    would import all these libraries: 1.7 seconds of a processor, and in a fresh environment their compiling as well."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):  # as what collects tests asks of everything
            raise AttributeError(name)
        return getattr(_imported(self._name), name)


@cache
def _imported(name: str) -> ModuleType:
    """It stays, as what was collected does: collections of garbage that go through it take as long as its tests do."""
    gc.disable()
    module = import_module(name)
    gc.freeze()
    gc.enable()
    return module
