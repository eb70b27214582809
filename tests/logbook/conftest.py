"""The same tests on SQLite and on a real PostgreSQL; a state folder of its own for each."""

import importlib.util
import itertools
import os
from pathlib import Path

import pytest

from diagnose.logbook.book import Book
from diagnose.logbook.events import Draft
from diagnose.model import REMOVE, RETURN

BENCH = Path(__file__).resolve().parents[1] / "bench"
NUMBERS = itertools.count(1)


def load_bench(name):
    spec = importlib.util.spec_from_file_location(f"bench_{name}", BENCH / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def server():
    """A PostgreSQL server; without one the tests on it are left out, but never in CI."""
    postgres = load_bench("postgres")
    binaries = postgres.find_binaries()
    if binaries is None:
        if os.environ.get("TENHOLD_CI"):
            pytest.fail("no PostgreSQL is installed, and here every test must run")
        pytest.skip("no PostgreSQL is installed")
    own = postgres.Postgres(binaries, durable=False)
    yield own
    own.stop()


@pytest.fixture(scope="session")
def bench():
    """The folder of scripts that take minutes."""
    return BENCH


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    folder = tmp_path / "state"
    monkeypatch.setenv("TENHOLD_STATE", str(folder))
    monkeypatch.delenv("TENHOLD_DATABASE", raising=False)
    return folder


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    """The address of an empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'logbook.sqlite'}"
    import psycopg

    own = request.getfixturevalue("server")
    name = f"t{next(NUMBERS)}"
    with psycopg.connect(f"host={own.folder} user=tenhold dbname=tenhold", autocommit=True) as c:
        c.execute(f"CREATE DATABASE {name}")
    return own.url.replace("/tenhold?", f"/{name}?")


@pytest.fixture
def book(url):
    own = Book(url)
    yield own
    own.close()


def opened(stream, at="2026-11-25T06:50:00+00:00", **facts):
    told = {"machine": "small", "failed": "breathing.hold_30", "form": 1, "minutes_left": None,
            "knowledge": "v1", "tools": None, "who": "user", "needed_at": None}  # fmt: skip
    return Draft(stream, "opened", told | facts, "", "v1", at, 1)


def closed(stream, line=2, out=True, at="2026-11-25T07:00:00+00:00"):
    said = {"disposition": REMOVE if out else RETURN, "reason": "why", "rule": ""}
    return Draft(stream, "closed", said, "", "v1", at, line)


def reading(stream, line, outcome="falls_slowly", test="breathing.hold_30"):
    said = {"test": test, "outcome": outcome, "number_si": None, "text": outcome}
    return Draft(stream, "reading", said, "", "v1", "2026-11-25T06:51:00+00:00", line)


@pytest.fixture
def drafts():
    """Makers of events."""

    class Makers:
        pass

    Makers.opened, Makers.closed, Makers.reading = map(staticmethod, (opened, closed, reading))
    return Makers
