"""The logbook as files for other programs: CSV, JSON Lines, and Parquet."""

from __future__ import annotations

import csv
import itertools
import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from diagnose.errors import LogError
from diagnose.logbook.book import CHUNK, Book
from diagnose.logbook.database import say_trouble
from diagnose.logbook.events import say_time
from diagnose.logbook.tables import causes, work_ups

WHAT = ("work-ups", "causes", "events")
ENDINGS = (".csv", ".jsonl", ".parquet")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would carry out
_EVENT = ("id", "stream", "seq", "at", "actor", "kind", "knowledge", "told", "digest")
_KINDS: dict[str, str] = {
    name: "text" for name in (
        *_EVENT, "asset", "profile", "failed", "zone", "who", "state", "disposition", "reason",
        "opened_at", "closed_at", "handed_at", "confirmed_at", "returned_at", "first_cause",
        "last_cause", "cause", "words", "origin")
} | {name: "number" for name in ("first_chance", "last_chance", "minutes", "downtime")} | {
    name: "whole" for name in ("id", "seq", "place", "no_fault")
}  # fmt: skip


def export(book: Book, what: str, path: Path) -> int:
    """Write one kind of thing to a file, by its ending; return how many rows.

    Raises
    ------
    LogError
        The ending or the kind is unknown, or the file cannot be written.
    """
    if what not in WHAT:
        raise LogError(str(path), f"'{what}' is not known", f"name one of {', '.join(WHAT)}")
    if path.suffix not in ENDINGS:
        raise LogError(str(path), "has no known ending", f"end it in {', '.join(ENDINGS)}")
    rows = list_rows(book, what)
    write = {".csv": _write_csv, ".jsonl": _write_lines, ".parquet": _write_parquet}[path.suffix]
    part = path.with_name(f"{path.name}.part")
    try:
        count = write(part, rows, name_columns(what))
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        what = f"cannot be written ({error.strerror})"
        raise LogError(str(path), what, "free space, or name another file") from error
    return count


def name_columns(what: str) -> list[str]:
    """Return the names of the columns of one kind of thing."""
    if what == "events":
        return list(_EVENT)
    table = work_ups if what == "work-ups" else causes
    return [{"at": "confirmed_at"}.get(column.name, column.name) for column in table.columns]


def list_rows(book: Book, what: str) -> Iterator[dict[str, Any]]:
    """Yield rows, few in memory at a time; times are text with offset."""
    if what == "events":
        for event in book.each():
            yield {name: getattr(event, name) for name in _EVENT}
        return
    table = work_ups if what == "work-ups" else causes
    asked = sa.select(table).order_by(*table.primary_key.columns)
    asked = asked.execution_options(yield_per=CHUNK)
    with say_trouble(book.engine), book.engine.connect() as connection:
        for row in connection.execute(asked).mappings():
            yield {name: _say(name, value) for name, value in
                   zip(name_columns(what), row.values(), strict=True)}  # fmt: skip


def _say(name: str, value: Any) -> Any:
    return say_time(value) if name.endswith("_at") and value is not None else value


def guard_cell(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula.

    >>> guard_cell("=1+1"), guard_cell(-1.0), guard_cell("bag")
    ("'=1+1", -1.0, 'bag')
    """
    is_formula = isinstance(value, str) and value.startswith(_FORMULA)
    return f"'{value}" if is_formula else value


def _write_csv(path: Path, rows: Iterable[dict[str, Any]], names: list[str]) -> int:
    count = 0
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        for row in rows:
            writer.writerow([guard_cell(row[name]) for name in names])
            count += 1
    return count


def _write_lines(path: Path, rows: Iterable[dict[str, Any]], names: list[str]) -> int:
    count = 0
    with path.open("w", encoding="ascii") as file:
        for row in rows:
            file.write(json.dumps(row) + "\n")
            count += 1
    return count


def _write_parquet(path: Path, rows: Iterable[dict[str, Any]], names: list[str]) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        do = "pip install 'tenhold[parquet]', or export to .csv or .jsonl"
        raise LogError(str(path), "needs pyarrow, which is not installed", do) from error
    kinds = {"text": pa.string(), "number": pa.float64(), "whole": pa.int64()}
    schema = pa.schema([(name, kinds[_KINDS[name]]) for name in names])
    count, own = 0, iter(rows)
    with pq.ParquetWriter(path, schema) as writer:
        while batch := list(itertools.islice(own, CHUNK * 20)):
            columns = [[_clean(row[name]) for row in batch] for name in names]
            writer.write_table(pa.table(columns, schema=schema))
            count += len(batch)
    return count


def _clean(value: Any) -> Any:
    """Return text without what UTF-8 cannot hold."""
    return value.encode("utf-8", "replace").decode() if isinstance(value, str) else value
