"""Taking the records of work-ups into the logbook.

The record on the technician's disk is written first and answered at once; this comes after. A line
is taken once: by its stream and its number. What a full or unreachable database could not take now
is taken the next time.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from diagnose.errors import LogError
from diagnose.logbook.book import Book
from diagnose.logbook.events import FROM_JOURNAL, Draft, now_text
from diagnose.places import state_folder

Known = dict[str, tuple[int, int]]  # file -> size and time when it was taken in
PATTERN = "work-up-*.jsonl"
KEPT = ("event", "at", "actor")  # said by the event itself, not by its facts


@dataclass
class Taken:
    """What a take-in did."""

    records: int = 0
    events: int = 0
    waiting: list[str] = field(default_factory=list)  # open in another window: taken in later
    broken: list[str] = field(default_factory=list)  # what, and why


def read_lines(path: Path) -> list[str] | None:
    """Return the lines of a record that are surely on the disk; None while it is open elsewhere."""
    with path.open("rb") as file:
        if not _share(file.fileno()):
            return None
        os.fsync(file.fileno())  # whoever wrote the last lines may have died before this
        text = file.read().decode("utf-8", errors="replace")
    whole = text[: text.rfind("\n") + 1]
    return whole.splitlines()


def _share(file: int) -> bool:
    try:
        import fcntl
    except ImportError:  # not on this system
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def to_drafts(stream: str, lines: Sequence[str], after: int = 0) -> list[Draft]:
    """Return lines of a record as events; torn ones are left out, and are not counted.

    Parameters
    ----------
    stream : str
        Name of the work-up.
    lines : sequence of str
        Its record, from the first line.
    after : int
        So many lines were taken in before.

    Raises
    ------
    LogError
        It is no record of a work-up.
    """
    found = [each for each in map(_read_line, lines) if each is not None]
    if found and found[0].get("event") != "opened":
        raise LogError(stream, "is no record of a work-up", "name a file that tenhold wrote")
    strange = {str(each.get("event")) for each in found} - {*FROM_JOURNAL}
    if strange:
        what = f"holds what this version does not know: {', '.join(sorted(strange))}"
        raise LogError(stream, what, "take it in with the version that wrote it, or a newer one")
    knowledge = str(found[0].get("knowledge", "")) if found else ""
    return [
        Draft(
            stream,
            str(each["event"]),
            {name: value for name, value in each.items() if name not in KEPT},
            actor=str(each.get("actor", "")),
            knowledge=knowledge,
            at=str(each.get("at") or now_text()),
            line=number,
        )
        for number, each in enumerate(found, 1)
        if number > after
    ]


def _read_line(line: str) -> dict[str, object] | None:
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def take_lines(book: Book, stream: str, lines: Sequence[str]) -> int:
    """Take in a record of which all lines are on the disk; return how many were new."""
    drafts = to_drafts(stream, lines, book.count_lines(stream))
    return len(book.append(drafts)) if drafts else 0


def take_file(book: Book, path: Path, done: Taken) -> None:
    """Take in one record, and note in ``done`` how it went.

    Raises
    ------
    LogError
        The database cannot be used.
    """
    try:
        lines = read_lines(path)
        drafts = None if lines is None else to_drafts(path.stem, lines, book.count_lines(path.stem))
    except OSError as error:
        done.broken.append(f"{path}: cannot be read ({error.strerror})")
        return
    except LogError as error:
        if error.path != path.stem:
            raise  # the database, not the record
        done.broken.append(str(error))
        return
    if drafts is None:
        done.waiting.append(path.stem)
        return
    try:
        new = len(book.append(drafts)) if drafts else 0
    except (KeyError, TypeError, ValueError) as error:
        done.broken.append(f"{path}: tells no work-up ({type(error).__name__}: {error})")
        return
    done.events += new
    done.records += bool(new)


def take_in(book: Book, folder: Path | None = None, known: Known | None = None) -> Taken:
    """Take in every record of a folder, of which nothing is taken twice.

    Parameters
    ----------
    book : Book
        The logbook.
    folder : Path, optional
        Where the records lie; left out: the state folder.
    known : dict, optional
        Records taken in before by this process, which are not read again until they grow.

    Raises
    ------
    LogError
        The database cannot be used.
    """
    done, known = Taken(), {} if known is None else known
    for path in sorted((folder or state_folder()).glob(PATTERN)):
        look = _look(path)
        if known.get(path.name) == look:
            continue
        take_file(book, path, done)
        if path.stem not in done.waiting:
            known[path.name] = look
    return done


def _look(path: Path) -> tuple[int, int]:
    try:
        own = path.stat()
    except OSError:
        return (-1, -1)
    return own.st_size, own.st_mtime_ns
