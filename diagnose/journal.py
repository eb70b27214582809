"""The record of one work-up: JSON Lines, append-only, on the disk before it is acknowledged.

A work-up is the list of what was entered, so the record of it is that list as it grew: opened,
told, reading, remedied, undone, closed. After a crash the same lines make the same work-up again.
What cannot be written now stays pending and is tried again with the next line.
"""

from __future__ import annotations

import json
import os
import secrets
import time
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from diagnose.errors import LogError
from diagnose.model import Entry, Reading, Remedied, WorkUp
from diagnose.places import state_folder

#: who is signed in while lines are written; "" where nobody signs in
ACTOR: ContextVar[str] = ContextVar("actor", default="")
PATIENCE = 1.0  # how long a record may be held by its reader before it counts as open [s]
FORM = 1  # raise when the meaning of a line changes
_SPACE = "free space on the disk, or set TENHOLD_STATE to another folder"
_FOLDER = "set TENHOLD_STATE to a folder that can be written"


@dataclass(frozen=True)
class Record:
    """A work-up as its journal tells it."""

    path: Path
    work: WorkUp
    opened_at: datetime
    needed_at: datetime | None  # when the machine is needed
    knowledge: str  # version of the knowledge it was worked out with
    is_closed: bool
    length: int  # entries in the record, those taken back and the end included: it only grows
    closed_at: datetime | None = None

    @property
    def name(self) -> str:
        """The id of the work-up: its file's name without the ending."""
        return self.path.stem


@dataclass
class Journal:
    """An open record; each line is on the disk before ``write`` returns."""

    path: Path
    pending: list[str] = field(default_factory=list)  # lines not on the disk yet
    lines: list[str] = field(default_factory=list)  # everything written or pending
    _file: int = -1

    def write(self, event: str, **facts: object) -> None:
        """Add a line, and with it everything that could not be written before.

        Raises
        ------
        LogError
            It is not on the disk; it is kept in ``pending`` and tried again next time.
        """
        self.note(event, **facts)
        self.flush()

    def note(self, event: str, **facts: object) -> None:
        """Add a line that the next ``flush`` puts on the disk."""
        now = datetime.now().astimezone().isoformat(timespec="seconds")
        own = {"actor": ACTOR.get()} if ACTOR.get() else {}
        line = json.dumps({"event": event, "at": now, **own, **facts}, ensure_ascii=False)
        self.lines.append(line)
        self.pending.append(line)

    def note_entry(self, entry: Entry, **mark: object) -> None:
        """Add a reading or a remedy, for the next ``flush``; a mark stands in its line."""
        if isinstance(entry, Remedied):
            self.note("remedied", **asdict(entry), **mark)
        else:
            self.note("reading", **asdict(entry), **mark)

    def note_told(self, work: WorkUp) -> None:
        """Add tools, changed parts and who works, told after the beginning."""
        self.note("told", **_list_told(work))

    def flush(self) -> None:
        """Write what is pending.

        Raises
        ------
        LogError
            The disk is full, or the folder cannot be written.
        """
        try:
            if self._file < 0:
                self._file = _open(self.path)
            _append(self._file, "".join(line + "\n" for line in self.pending).encode())
        except OSError as error:
            is_full = error.strerror in _FULL
            what = f"the record cannot be written ({error.strerror or error})"
            raise LogError(str(self.path), what, _SPACE if is_full else _FOLDER) from error
        self.pending.clear()

    def close(self) -> None:
        """Let go of the file; what is pending stays unsaved."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


_FULL = {os.strerror(number) for number in (27, 28, 122)}  # too large, no space, over quota


def _open(path: Path) -> int:
    path.parent.mkdir(parents=True, exist_ok=True)
    is_new = not path.exists()
    file = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o644)
    try:
        _lock(file)
        if is_new:
            _sync_folder(path.parent)
        size = os.fstat(file).st_size
        if size and os.pread(file, 1, size - 1) != b"\n":
            _append(file, b"\n")  # end the line that a crash tore
    except OSError:
        os.close(file)
        raise
    return file


def _lock(file: int) -> None:
    """Refuse a record that is open in another window; the logbook reads one only for a moment."""
    try:
        import fcntl
    except ImportError:  # not on this system: two windows on one record are the person's care
        return
    until = time.monotonic() + PATIENCE
    while True:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError as error:
            if time.monotonic() > until:
                raise OSError(error.errno, "it is open in another window") from error
        time.sleep(0.01)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _append(file: int, data: bytes) -> None:
    """Write all of it to the disk, or leave the file as it was."""
    before = os.fstat(file).st_size
    try:
        done = 0
        while done < len(data):
            done += os.write(file, data[done:])
        os.fsync(file)
    except OSError:
        os.ftruncate(file, before)
        raise


def open_journal(
    work: WorkUp, knowledge: str, needed_at: datetime | None = None, **mark: object
) -> Journal:
    """Return a new record that holds what is entered so far; ``flush`` puts it on the disk."""
    now = datetime.now().astimezone()
    journal = Journal(state_folder() / f"work-up-{now:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}.jsonl")
    journal.note(
        "opened",
        form=FORM,
        knowledge=knowledge,
        machine=work.machine,
        failed=work.failed,
        minutes_left=work.minutes_left,
        needed_at=needed_at and needed_at.isoformat(timespec="seconds"),
        asset=work.asset,
        **_list_told(work),
        **mark,
    )
    for entry in work.entries:
        journal.note_entry(entry)
    return journal


def _list_told(work: WorkUp) -> dict[str, object]:
    tools = None if work.tools is None else sorted(work.tools)
    return {"tools": tools, "who": work.who, "changed": sorted(work.changed)}


def _tell(work: WorkUp, event: dict[str, Any]) -> WorkUp:
    """Return the work-up with tools, changed parts and who works, as a line tells them."""
    tools = None if event["tools"] is None else frozenset(map(str, event["tools"]))
    changed = frozenset(map(str, event.get("changed", [])))  # records of before the field have none
    return replace(work, tools=tools, who=event["who"], changed=changed)


def resume(record: Record) -> Journal:
    """Return the record opened again; its next ``flush`` says so in it."""
    journal = reopen(record)
    journal.note("resumed")
    return journal


def reopen(record: Record) -> Journal:
    """Return the record opened again to add what belongs to the same sitting.

    After a torn line it says "resumed" all the same: the line before is known as torn by that.
    """
    journal = Journal(record.path, lines=_read_lines(record.path))
    if not _is_whole(journal.lines[-1]):
        journal.note("resumed")
    return journal


def _is_whole(line: str) -> bool:
    try:
        return isinstance(json.loads(line), dict)
    except ValueError:
        return False


def list_events(path: Path) -> list[dict[str, Any]]:
    """Return every line of a journal as it was written; raises LogError if it cannot be read."""
    return list(_parse(path, _read_lines(path)))


def read_record(path: Path, first: int | None = None) -> Record:
    """Return the work-up that a journal tells, or told when it had only its first so many lines.

    A last line torn by a crash is left out: it was never acknowledged.

    Raises
    ------
    LogError
        The file cannot be read, or is no journal of a work-up.
    """
    events = list_events(path)[:first]
    if not events or events[0].get("event") != "opened":
        raise LogError(str(path), "is no record of a work-up", "name a file that tenhold wrote")
    try:
        return replay(path, events)
    except (KeyError, TypeError, ValueError) as error:
        what = f"tells no work-up ({type(error).__name__}: {error})"
        raise LogError(str(path), what, "begin a new work-up") from error


def _read_lines(path: Path) -> list[str]:
    try:
        return path.read_bytes().decode("utf-8", errors="replace").splitlines()
    except OSError as error:
        what = f"the record cannot be read ({error.strerror})"
        raise LogError(str(path), what, "see that the file is there and may be read") from error


def _parse(path: Path, lines: list[str]) -> Iterator[dict[str, Any]]:
    """Yield the lines as mappings; only a line torn by a crash may be unreadable."""
    for number, line in enumerate(lines, 1):
        try:
            event = json.loads(line)
            if not isinstance(event, dict):
                raise ValueError("no mapping")
            yield event
        except ValueError as error:
            after = lines[number : number + 1]
            if after and '"resumed"' not in after[0]:
                do = "begin a new work-up, or mend the line by hand"
                raise LogError(str(path), f"line {number} is not readable", do) from error


def replay(path: Path, events: list[dict[str, Any]]) -> Record:
    """Return the work-up that the lines of a journal tell, the first of them "opened".

    Raises
    ------
    KeyError, TypeError, ValueError
        They tell none.
    """
    head, is_closed = events[0], False
    if head["form"] != FORM:
        raise ValueError(f"form {head['form']} is not {FORM}, the form of this version")
    closed = None
    asset = str(head.get("asset", ""))  # records of before the field have none
    work = WorkUp(head["machine"], head["failed"], (), head["minutes_left"], asset=asset)
    work = _tell(work, head)
    for event in events[1:]:
        kind = event["event"]
        if kind == "reading":
            names = ("test", "outcome", "number_si", "text")
            work = work.add(Reading(*(event[name] for name in names)))
        elif kind == "remedied":
            work = work.add(Remedied(event["act"], event["component"]))
        elif kind == "told":
            work = _tell(work, event)
        elif kind == "undone":
            work = work.undo()
        if kind in ("undone", "reopened", "closed"):
            is_closed = kind == "closed"
            closed = datetime.fromisoformat(event["at"]) if is_closed else None
    needed = head["needed_at"] and datetime.fromisoformat(head["needed_at"])
    opened = datetime.fromisoformat(head["at"])
    return Record(
        path, work, opened, needed or None, head["knowledge"], is_closed, len(events), closed
    )


def list_records() -> tuple[list[Record], list[LogError]]:
    """Return the records in the state folder, newest first, and those that cannot be read."""
    found: list[Record] = []
    broken: list[LogError] = []
    for path in sorted(state_folder().glob("work-up-*.jsonl"), reverse=True):
        try:
            found.append(read_record(path))
        except LogError as error:
            broken.append(error)
    return found, broken


def list_unfinished() -> list[Record]:
    """Return the work-ups that did not reach their end, newest first."""
    return [record for record in list_records()[0] if not record.is_closed]
