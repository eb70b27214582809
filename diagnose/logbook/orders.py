"""Old work orders from a CSV file: good lines come in, every bad one is named with its reason.

Each order is a stream of one event, named by its number, so that a file read twice counts once.
"""

from __future__ import annotations

import csv
import hashlib
import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path

from diagnose.errors import EntryError, LogError
from diagnose.logbook.biomed import Confirmation, check
from diagnose.logbook.book import Book
from diagnose.logbook.events import Draft
from diagnose.logbook.project import NO_FAULT, Found

COLUMNS = ("order", "date", "asset", "profile", "cause", "words", "parts", "minutes",
           "downtime_minutes", "notes", "codes", "by")  # fmt: skip
NEEDED = ("date", "asset", "profile")
BATCH = 500
LINES_MOST = 20  # lines that one quoted cell may run over
BYTES_MOST = 100_000  # of one line


@dataclass(frozen=True)
class BadLine:
    """A line that was not taken, and why."""

    line: int
    field: str
    what: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.field}: {self.what}"


@dataclass
class Imported:
    """What an import did, or would do."""

    good: int = 0
    written: int = 0
    known: int = 0  # orders that were there before
    bad: list[BadLine] = field(default_factory=list)


def import_orders(
    book: Book, path: Path, known: Mapping[str, Collection[str]], actor: str, is_dry: bool = False
) -> Imported:
    """Take in old work orders.

    Parameters
    ----------
    book : Book
        The logbook.
    path : Path
        A CSV file with a first line of names; see ``COLUMNS``.
    known : mapping
        Profile -> ids of the causes it can have.
    actor : str
        Who imports.
    is_dry : bool
        Only look: nothing is written.

    Raises
    ------
    LogError
        The file cannot be read, or its first line has no names; or the database cannot be written.
    """
    done, seen, batch = Imported(), dict[str, int](), list[Draft]()
    for line, cells in read_table(path, done.bad):
        try:
            draft = to_draft(cells, known, actor)
            if draft.stream in seen:
                what = f"stands in line {seen[draft.stream]} already"
                raise EntryError("", "order", what, "give each order its own number")
        except EntryError as error:
            done.bad.append(BadLine(line, error.field, str(error).split(": ", 2)[2]))
            continue
        seen[draft.stream] = line
        done.good += 1
        batch.append(draft)
        if len(batch) >= BATCH:
            _write(book, batch, done, is_dry)
            batch = []
    _write(book, batch, done, is_dry)
    done.bad.sort(key=lambda bad: bad.line)
    return done


def _write(book: Book, batch: list[Draft], done: Imported, is_dry: bool) -> None:
    if batch and not is_dry:
        new = len(book.append(batch))
        done.written += new
        done.known += len(batch) - new


def read_table(path: Path, bad: list[BadLine]) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield the rows of a CSV file with the number of their first line; broken ones go to ``bad``.

    Raises
    ------
    LogError
        It cannot be read, or its first line does not name the columns.
    """
    do = f"the first line must name {', '.join(NEEDED)}, and may name the rest of: "
    do += ", ".join(COLUMNS)
    try:
        with path.open("rb") as file:
            rows = split_rows(file, bad)
            first = next(rows, (1, []))[1]
            names = [name.strip().lstrip("\ufeff").lower() for name in first]
            lacking = [name for name in NEEDED if name not in names]
            strange = [name for name in names if name not in COLUMNS]
            if lacking or strange or len(set(names)) < len(names):
                what = "has no such first line" if lacking else f"has unknown or double {names}"
                raise LogError(str(path), what, do)
            for line, cells in rows:
                if len(cells) != len(names):
                    what = f"{len(cells)} in place of {len(names)}; see the commas and quotes"
                    bad.append(BadLine(line, "cells", what))
                else:
                    yield line, dict(zip(names, (cell.strip() for cell in cells), strict=True))
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise LogError(str(path), what, "see that the file is there and may be read") from error


def split_rows(lines: Iterable[bytes], bad: list[BadLine]) -> Iterator[tuple[int, list[str]]]:
    """Yield the cells of each row; a quote that is never closed spoils its own line only."""
    held: list[tuple[int, str]] = []
    waiting = list[tuple[int, str]]()
    source = _decode(lines, bad)
    while True:
        each = waiting.pop(0) if waiting else next(source, None)
        if each is not None:
            held.append(each)
        is_open = sum(text.count('"') for _, text in held) % 2 == 1
        if held and is_open and (each is None or len(held) > LINES_MOST):
            bad.append(BadLine(held[0][0], "cells", "a quotation mark is not closed"))
            waiting, held = held[1:] + waiting, []
        elif held and not is_open:
            yield from _parse(held, bad)
            held = []
        if each is None and not waiting and not held:
            return


def _decode(lines: Iterable[bytes], bad: list[BadLine]) -> Iterator[tuple[int, str]]:
    for number, raw in enumerate(lines, 1):
        if len(raw) > BYTES_MOST:
            bad.append(BadLine(number, "line", f"is longer than {BYTES_MOST} bytes"))
            continue
        try:
            yield number, raw.decode("utf-8")
        except UnicodeDecodeError:
            bad.append(BadLine(number, "line", "is not UTF-8 text; save the file as UTF-8"))


def _parse(held: list[tuple[int, str]], bad: list[BadLine]) -> Iterator[tuple[int, list[str]]]:
    number = held[0][0]
    try:
        (cells,) = csv.reader(["".join(text for _, text in held)], strict=True)
    except (csv.Error, ValueError) as error:
        if "".join(text for _, text in held).strip():
            bad.append(BadLine(number, "cells", f"cannot be told apart ({error})"))
        return
    if any(cell.strip() for cell in cells):
        yield number, cells


def to_draft(cells: Mapping[str, str], known: Mapping[str, Collection[str]], actor: str) -> Draft:
    """Return a row as an event; raises EntryError with the column that is wrong."""
    for name in NEEDED:
        if not cells.get(name):
            raise EntryError("", name, "is empty", "fill it in")
    at = _read_date(cells["date"])
    profile, cause = cells["profile"], cells.get("cause", "")
    if profile not in known:
        raise EntryError("", "profile", f"'{profile}' is no machine", "give", sorted(known))
    own = Confirmation(
        (_read_cause(cause, cells.get("words", "")),),
        tuple(_split(cells.get("parts", ""))), _read_minutes("minutes", cells),
        _read_minutes("downtime_minutes", cells), cells.get("notes", ""),
        tuple(_split(cells.get("codes", ""))), cells["asset"],
    )  # fmt: skip
    check("", own, known[profile])
    number = cells.get("order") or hashlib.sha256(repr(sorted(cells.items())).encode()).hexdigest()
    if len(number) > 100:
        raise EntryError("", "order", "has more than 100 characters", "shorten it")
    facts = own.to_facts() | {"profile": profile, "asset": cells["asset"]}
    if cells.get("by"):
        facts["by"] = cells["by"]
    return Draft(f"order-{number[:100]}", "imported", facts, actor, at=at, is_first=True)


def _read_cause(cause: str, words: str) -> Found:
    if cause == NO_FAULT:
        return Found("", words, NO_FAULT)
    return Found(cause, words, "search" if cause else "other")


def _read_date(text: str) -> str:
    try:
        if len(text) == 10:
            own = datetime.combine(date.fromisoformat(text), time(12)).astimezone()
        else:
            own = datetime.fromisoformat(text).astimezone()
        if own.year < 1970 or own > datetime.now().astimezone():
            raise ValueError("out of range")
    except (ValueError, OverflowError, OSError) as error:
        do = "write it like 2024-05-31, from 1970 to today"
        raise EntryError("", "date", f"'{text}' is no date", do) from error
    return own.isoformat(timespec="seconds")


def _read_minutes(name: str, cells: Mapping[str, str]) -> float | None:
    text = cells.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError as error:
        raise EntryError("", name, f"'{text}' is no number", "give minutes, as 45") from error
    return value if math.isfinite(value) else math.inf


def _split(text: str) -> list[str]:
    return [part.strip() for part in text.split(";") if part.strip()]
