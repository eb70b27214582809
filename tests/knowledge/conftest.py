"""Kits of the stock machines, each made once; their tables are shared between runs."""

import os
import tempfile
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path

import pytest

from diagnose.kb.load import load
from diagnose.session import Kit, make_kit


@pytest.fixture(scope="session")
def get_kit() -> Iterator[Callable[[str], Kit]]:
    """Return what makes the kit of a machine; compiles a table only if none is in the cache."""
    own = "TENHOLD_CACHE" not in os.environ
    if own:
        os.environ["TENHOLD_CACHE"] = str(Path(tempfile.gettempdir()) / "tenhold-test-cache")
    base = load()
    yield lru_cache(maxsize=None)(lambda machine: make_kit(base, machine))
    if own:
        del os.environ["TENHOLD_CACHE"]
