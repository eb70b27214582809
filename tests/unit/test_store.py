"""The cache of tables: found again, put aside when broken, done without when the disk is full."""

import errno
import os

import numpy as np
import pytest

from diagnose.catalogue import list_catalogue
from diagnose.errors import CacheError
from diagnose.kb.load import load
from diagnose.predict import compile_table
from diagnose.store import get_table, read_table, table_path, write_table


@pytest.fixture(scope="module")
def made():
    """A small table, and the catalogue it belongs to."""
    base = load()
    catalogue = list_catalogue(base, "small")
    few = type(catalogue)(catalogue.circuit, catalogue.causes[:3], catalogue.tests[:4])
    return few, compile_table(few, base.version, n_machines=4), base.version


def test_a_table_comes_back_as_it_was(made, tmp_path):
    _, table, _ = made
    write_table(table, tmp_path / "t.npz")
    again = read_table(tmp_path / "t.npz")
    assert again.causes == table.causes and again.first == table.first
    assert np.array_equal(again.prob, table.prob)


def test_a_broken_table_is_an_error_that_says_so(tmp_path):
    path = tmp_path / "t.npz"
    path.write_bytes(b"not a table")
    with pytest.raises(CacheError) as caught:
        read_table(path)
    assert "broken" in caught.value.what and "made anew" in caught.value.do


def test_a_broken_cache_is_made_anew(made, tmp_path, monkeypatch, caplog):
    catalogue, table, version = made
    monkeypatch.setenv("TENHOLD_CACHE", str(tmp_path))
    path = table_path("small", version)
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"PK broken")
    assert get_table(catalogue, version).causes == table.causes
    assert "broken" in caplog.text
    assert read_table(path).causes == table.causes


def test_a_full_disk_costs_time_and_no_answer(made, tmp_path, monkeypatch, caplog):
    catalogue, table, version = made
    monkeypatch.setenv("TENHOLD_CACHE", str(tmp_path / "full"))

    def refuse(*_args, **_kwargs):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("diagnose.store.tempfile.mkstemp", refuse)
    assert get_table(catalogue, version).causes == table.causes
    assert "No space left" in caplog.text
