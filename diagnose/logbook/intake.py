"""Taking the records of work-ups into the logbook: at a start, after each write, or by command.

The record on the technician's disk is written first and answered at once; this comes after, in the
background, and never raises there. A line is taken once: by its stream and its number. What a full
or unreachable database could not take now is taken the next time.
"""

from __future__ import annotations

import json
import logging
import os
import queue
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from diagnose.errors import LogError
from diagnose.logbook.book import Book
from diagnose.logbook.events import FROM_JOURNAL, Draft, now_text
from diagnose.places import state_folder

log = logging.getLogger(__name__)
PATTERN = "work-up-*.jsonl"
KEPT = ("event", "at")  # said by the event itself, not by its facts
PATIENCE = 2.0  # seconds that the end of a program waits for the logbook


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
    is_event = isinstance(found, dict) and found.get("event") in FROM_JOURNAL
    return found if is_event else None


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


def take_in(book: Book, folder: Path | None = None) -> Taken:
    """Take in every record of a folder, of which nothing is taken twice.

    Raises
    ------
    LogError
        The database cannot be used.
    """
    done = Taken()
    for path in sorted((folder or state_folder()).glob(PATTERN)):
        take_file(book, path, done)
    return done


class Intake:
    """Takes in behind the work: ``tell`` returns at once, and nothing here ever raises."""

    def __init__(self, url: str | None = None) -> None:
        self._url = url
        self._told: queue.SimpleQueue[tuple[str, Sequence[str]] | None] = queue.SimpleQueue()
        self._book: Book | None = None
        self.trouble = ""  # why the logbook could not be written last; "" if it could
        self._thread = threading.Thread(target=self._run, daemon=True, name="logbook")
        self._thread.start()

    def tell(self, stream: str = "", lines: Sequence[str] = ()) -> None:
        """Take in a record whose lines are on the disk; without a name every record there is."""
        self._told.put((stream, tuple(lines)))

    def finish(self, seconds: float = PATIENCE) -> None:
        """Wait a little for what was told; the rest is taken in at the next start."""
        self._told.put(None)
        self._thread.join(seconds)

    def _run(self) -> None:
        while (told := self._told.get()) is not None:
            try:
                self._take(*told)
                self.trouble = ""
            except Exception as error:  # the work goes on whatever happens here
                if not self.trouble:
                    log.warning("not in the logbook yet, but in its record: %s", error)
                self.trouble = str(error)
        if self._book is not None:
            self._book.close()

    def _take(self, stream: str, lines: Sequence[str]) -> None:
        self._book = self._book or Book(self._url)
        if stream:
            take_lines(self._book, stream, lines)
        else:
            for what in take_in(self._book).broken:
                log.warning("not taken into the logbook: %s", what)
