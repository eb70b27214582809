"""A whole logbook as one file of lines, and back again; the same for SQLite and PostgreSQL.

Only events are kept: all else is made from them. So a backup also moves a logbook from one
database to the other.
"""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import IO, Any

import sqlalchemy as sa

from diagnose.errors import LogError
from diagnose.logbook.book import CHUNK, Book, Head
from diagnose.logbook.database import say_trouble
from diagnose.logbook.events import START, Event, is_whole, now_text
from diagnose.logbook.tables import events, head

FORM = 1
_NAMES = tuple(each.name for each in fields(Event))


def backup(book: Book, path: Path) -> Head:
    """Write every event to a file, ``.gz`` for a packed one; return the head.

    Note the head elsewhere: with it a later logbook can be shown to hold all of this.

    Raises
    ------
    LogError
        The file cannot be written.
    """
    part = path.with_name(f"{path.name}.part")
    top = Head(0, START)
    try:
        with _open(path, part, "wt") as file:
            file.write(json.dumps({"tenhold_logbook": FORM, "at": now_text()}) + "\n")
            for event in book.each():
                file.write(json.dumps([getattr(event, name) for name in _NAMES]) + "\n")
                top = Head(event.id, event.digest)
            file.write(json.dumps({"count": top.count, "digest": top.digest}) + "\n")
        with part.open("rb") as done:
            os.fsync(done.fileno())
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        what = f"cannot be written ({error.strerror})"
        raise LogError(str(path), what, "free space, or name another file") from error
    return top


def _open(named: Path, path: Path, mode: str) -> IO[str]:
    opener: Any = gzip.open if named.suffix == ".gz" else open
    file: IO[str] = opener(path, mode, encoding="ascii")
    return file


def restore(book: Book, path: Path) -> Head:
    """Bring a backup into an empty logbook; all of it comes in, or nothing.

    Raises
    ------
    LogError
        The logbook is not empty, or the file is no whole backup.
    """
    if book.head().count:
        do = "restore into an empty one: set TENHOLD_STATE or TENHOLD_DATABASE to another place"
        raise LogError(book.place, "is not empty", do)
    with say_trouble(book.engine), book.engine.execution_options(writes=True).begin() as connection:
        top, batch = Head(0, START), list[dict[str, Any]]()
        for event in _read(path):
            if event.id != top.count + 1 or event.before != top.digest or not is_whole(event):
                raise _spoilt(path, f"event {top.count + 1} is not as it was written")
            top = Head(event.id, event.digest)
            batch.append({name: getattr(event, name) for name in _NAMES})
            if len(batch) >= CHUNK:
                connection.execute(sa.insert(events), batch)
                batch = []
        if batch:
            connection.execute(sa.insert(events), batch)
        connection.execute(sa.update(head).values(count=top.count, digest=top.digest))
    book.rebuild()
    return top


def _read(path: Path) -> Iterator[Event]:
    count, tail = 0, None
    try:
        with _open(path, path, "rt") as file:
            first = json.loads(next(file, "null"))
            if not isinstance(first, dict) or first.get("tenhold_logbook") != FORM:
                raise _spoilt(path, "is no backup of a logbook")
            for line in file:
                tail = json.loads(line)
                if isinstance(tail, list):
                    count += 1
                    yield Event(*tail)
    except (OSError, EOFError, ValueError, TypeError) as error:
        raise _spoilt(path, f"cannot be read ({error})") from error
    if not isinstance(tail, dict) or tail.get("count") != count:
        raise _spoilt(path, "ends too early")


def _spoilt(path: Path, what: str) -> LogError:
    return LogError(str(path), what, "nothing was restored; use another backup")
