"""What leaves the logbook as files, and what comes back from a backup."""

import csv
import gzip
import json

import pyarrow.parquet as pq
import pytest

from diagnose.errors import LogError
from diagnose.logbook.backup import backup, restore
from diagnose.logbook.biomed import Confirmation, confirm
from diagnose.logbook.book import Book
from diagnose.logbook.export import ENDINGS, WHAT, export
from diagnose.logbook.project import Found
from diagnose.logbook.verify import verify


@pytest.fixture
def told(book, drafts):
    book.append([drafts.opened("a", asset="=M1"), drafts.closed("a"), drafts.opened("b")])
    confirm(book, "a", Confirmation((Found("", "seal °", "other"),)), "Kim", ())
    return book


def read_rows(path):
    if path.suffix == ".parquet":
        return pq.read_table(path).to_pylist()
    if path.suffix == ".jsonl":
        return [json.loads(line) for line in path.read_text().splitlines()]
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("what", WHAT)
@pytest.mark.parametrize("ending", ENDINGS)
def test_everything_leaves_in_every_form(told, tmp_path, what, ending):
    path = tmp_path / f"x{ending}"
    wanted = {"work-ups": 2, "causes": 1, "events": 4}[what]
    assert export(told, what, path) == wanted
    rows = read_rows(path)
    assert len(rows) == wanted
    if what == "causes":
        assert rows[0]["words"] == "seal °"
        assert rows[0]["confirmed_at"].startswith("20")
    if what == "work-ups":
        assert [row["state"] for row in rows] == ["confirmed", "open"]


def test_no_cell_of_a_csv_is_a_formula(told, tmp_path):
    export(told, "work-ups", tmp_path / "x.csv")
    assert read_rows(tmp_path / "x.csv")[0]["asset"] == "'=M1"


@pytest.mark.parametrize(("what", "name"), [("all", "x.csv"), ("events", "x.xls")])
def test_an_unknown_kind_or_ending_is_refused(told, tmp_path, what, name):
    with pytest.raises(LogError):
        export(told, what, tmp_path / name)
    assert list(tmp_path.glob("x*")) == []


@pytest.mark.parametrize("name", ["b.jsonl", "b.jsonl.gz"])
def test_a_backup_comes_back_into_an_empty_logbook(told, tmp_path, name):
    top = backup(told, tmp_path / name)
    other = Book(f"sqlite:///{tmp_path / 'other.sqlite'}")
    assert restore(other, tmp_path / name) == top == told.head()
    assert list(other.each()) == list(told.each())
    assert other.find("a") == told.find("a")
    assert verify(other, str(top)).is_well
    other.close()


def test_a_backup_of_sqlite_comes_back_into_either_database(book, tmp_path, drafts):
    own = Book(f"sqlite:///{tmp_path / 'own.sqlite'}")
    own.append([drafts.opened("a"), drafts.closed("a")])
    backup(own, tmp_path / "b.jsonl")
    restore(book, tmp_path / "b.jsonl")
    assert verify(book, str(own.head())).is_well
    book.append([drafts.opened("b")])
    own.close()


def test_a_logbook_with_anything_in_it_is_not_overwritten(told, tmp_path):
    backup(told, tmp_path / "b")
    with pytest.raises(LogError) as caught:
        restore(told, tmp_path / "b")
    assert "not empty" in caught.value.what


def spoil(lines, how):
    if how == "changed":
        return [*lines[:2], lines[2].replace("closed", "undone"), *lines[3:]]
    return {"cut": lines[:-2], "no tail": lines[:-1], "gap": [*lines[:2], *lines[3:]],
            "empty": [], "other": ["{}"], "torn": [*lines[:3], lines[3][:20]],
            "shape": [lines[0], "[1, 2]"]}[how]  # fmt: skip


@pytest.mark.parametrize(
    "how", ["changed", "cut", "no tail", "gap", "empty", "other", "torn", "shape"]
)
def test_of_a_spoilt_backup_nothing_comes_in(told, url, tmp_path, how):
    path = tmp_path / "b.jsonl"
    backup(told, path)
    path.write_text("\n".join(spoil(path.read_text().splitlines(), how)) + "\n")
    other = Book(f"sqlite:///{tmp_path / 'other.sqlite'}")
    with pytest.raises(LogError):
        restore(other, path)
    assert other.head().count == 0
    assert list(other.each()) == []
    other.close()


def test_a_packed_backup_cut_short_is_refused(told, tmp_path):
    path = tmp_path / "b.gz"
    backup(told, path)
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises((EOFError, gzip.BadGzipFile)), gzip.open(path) as file:
        file.read()
    other = Book(f"sqlite:///{tmp_path / 'other.sqlite'}")
    with pytest.raises(LogError):
        restore(other, path)
    other.close()
