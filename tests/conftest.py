"""Settings that hold for every test: one thread, a home folder of its own, repeatable examples."""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import lru_cache
from pathlib import Path

import pytest
from hypothesis import settings

from diagnose.kb.load import load
from diagnose.session import Kit, make_kit

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

settings.register_profile("repeatable", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("explore", deadline=None, print_blob=True)
settings.load_profile("repeatable")

HOME_NAMES = {
    "HOME": "",
    "XDG_CACHE_HOME": ".cache",
    "XDG_CONFIG_HOME": ".config",
    "XDG_DATA_HOME": ".local/share",
    "XDG_STATE_HOME": ".local/state",
}


def pytest_configure(config: pytest.Config) -> None:
    """Give the whole run, doctests too, an empty home, so that no test sees or alters the user's.

    A fixture would not do: it does not reach the doctests, which lie outside this folder.
    """
    home = Path(tempfile.mkdtemp(prefix="tenhold-test-home-"))
    saved = {name: os.environ.get(name) for name in HOME_NAMES}
    os.environ.update({name: str(home / folder) for name, folder in HOME_NAMES.items()})
    config.add_cleanup(lambda: _put_back(saved, home))


def _put_back(saved: dict[str, str | None], home: Path) -> None:
    for name, old in saved.items():
        if old is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = old
    shutil.rmtree(home, ignore_errors=True)


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


COMMAND = [sys.executable, "-c", "from api.cli import main; main()", "serve", "--port"]


@contextmanager
def _serve(*more: str) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen([*COMMAND, str(port), *more], stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{address}/ready").close()
                break
            except OSError:
                time.sleep(0.1)
        yield address
    finally:
        process.kill()
        process.wait()


@pytest.fixture(scope="session")
def serve() -> Callable[..., AbstractContextManager[str]]:
    """Return what runs a server as a process of its own, and gives its address."""
    return _serve
