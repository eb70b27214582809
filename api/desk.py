"""Work-ups that are followed over HTTP: each is its record on the disk, nothing else is kept.

Every entry says on how long a record it was made. If the record has grown since, somebody else
entered something, and the entry is refused: nobody overwrites what they have not seen.
"""

from __future__ import annotations

import math
import re
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from api.begin import check_known
from api.clock import Clock
from api.engine import Engine
from api.errors import InputError, StaleError, UnknownError
from api.screens import View, since_failed
from api.tasks import Bench
from api.telling import Told
from diagnose.catalogue import Catalogue
from diagnose.journal import (
    Journal,
    Record,
    list_events,
    open_journal,
    read_record,
    reopen,
)
from diagnose.language import Language, _, mark, speaking
from diagnose.model import Entry, WorkUp
from diagnose.places import state_folder

NAME = re.compile(r"work-up-\d{8}-\d{6}-[0-9a-f]{4}")
NEWER = mark("somebody entered something since this page was shown; see what is there now")
ENDED = mark("the work-up is at its end; take the last entry back to go on")


@dataclass(frozen=True)
class Standing:
    """A work-up as it stands: its record and what is to be said."""

    record: Record
    view: View
    bench: Bench


class Desk:
    """Reads work-ups and adds to them, one at a time."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.counts: Counter[str] = Counter()  # "opened", and each disposition that ended one
        self._lock = threading.RLock()

    @contextmanager
    def alone(self, name: str) -> Iterator[None]:
        """Let nobody else read or write work-ups meanwhile; the machine's kit is made before."""
        if name:
            self._await_kit(name)
        with self._lock:
            yield

    def catalogue(self, machine: str) -> Catalogue:
        """Return what can be asked of a machine, whether its kit is made or not."""
        if self.engine.progress(machine) is None:
            return self.engine.kit(machine, shows=False).catalogue
        return self.engine.catalogue(machine)

    def begin(self, work: WorkUp, **mark: object) -> str:
        """Put a new work-up on the disk and return its name; raises LogError if that fails."""
        now = datetime.now().astimezone()
        left = work.minutes_left
        needed = None if left is None else now + timedelta(minutes=left)
        journal = open_journal(work, self.engine.base().version, needed, **mark)
        _keep(journal)
        self.counts["opened"] += 1
        return journal.path.stem

    def find(self, name: str) -> Record:
        """Return a record by its name.

        Raises
        ------
        UnknownError
            There is none.
        LogError
            It cannot be read.
        """
        path = state_folder() / f"{name}.jsonl"
        if not NAME.fullmatch(name) or not path.is_file():
            raise UnknownError("record", _("there is no work-up '{name}'").format(name=name))
        return read_record(path)

    def read(self, name: str) -> Standing:
        """Return a work-up as it stands; that it is at its end is recorded."""
        self._await_kit(name)
        with self._lock:
            standing = self._assess(self.find(name))
            own = standing.view.assessment.disposition
            if own.final and not standing.record.is_closed:
                self._close(standing)
                standing = replace(standing, record=self.find(name))
            return standing

    def _await_kit(self, name: str) -> None:
        """Wait for a kit outside the lock: a machine still being compiled holds up no other."""
        self.engine.kit(self.find(name).work.machine, shows=False)

    def read_past(self, name: str, first: int) -> Standing:
        """Return a work-up as it stood when its record had so many lines, at that time."""
        record = self.find(name)
        then = datetime.fromisoformat(list_events(record.path)[first - 1]["at"])
        return self._assess(read_record(record.path, first), then)

    def _assess(self, record: Record, now: datetime | None = None) -> Standing:
        catalogue = self.catalogue(record.work.machine)
        check_known(catalogue, record)
        clock = Clock(record.opened_at, record.needed_at, by_wall=True)
        used, left = clock.read(0.0, record.closed_at or now)
        work = replace(record.work, minutes_left=_in_tenths(left))
        assessment = self.engine.diagnose(work)
        if record.is_closed and not assessment.disposition.final:
            work = replace(work, stopped=True)
            assessment = self.engine.diagnose(work)
        bench = Bench(catalogue, self.engine.base().checks, work)
        return Standing(record, View(assessment, catalogue, work, used, left), bench)

    def _close(self, standing: Standing, **mark: object) -> None:
        with speaking(Language()):  # records are in one language, whoever writes them
            own = self.engine.diagnose(standing.view.work).disposition
        journal = reopen(standing.record)
        journal.note("closed", disposition=own.say, reason=own.reason, rule=own.rule, **mark)
        _keep(journal)
        self.counts[own.say] += 1

    def add(self, name: str, length: int, entry: Entry, **mark: object) -> None:
        """Put an entry on the disk.

        A tap that arrives twice is counted once: the same entry, made on the same record.

        Raises
        ------
        StaleError
            The record is not as long as it was when the entry was made, or the work-up has ended.
        LogError
            The entry is not on the disk.
        """
        with self._lock:
            record = self.find(name)
            is_twice = record.work.entries[-1:] == (entry,) and length < record.length <= length + 2
            if is_twice:
                return
            _refuse_stale(record, length)
            if record.is_closed:
                raise StaleError(name, _(ENDED), record.length)
            journal = reopen(record)
            journal.note_entry(entry, **mark)
            _keep(journal)

    def tell(self, name: str, length: int, told: Told) -> None:
        """Put on the disk which tools are at hand, what was changed, and who works.

        Raises
        ------
        StaleError
            The record is not as long as it was, or the work-up has ended.
        LogError
            It is not on the disk.
        """
        with self._lock:
            record = self.find(name)
            work = replace(record.work, tools=told.tools, changed=told.changed, who=told.who)
            if work == record.work:
                return
            _refuse_stale(record, length)
            if record.is_closed:
                raise StaleError(name, _(ENDED), record.length)
            journal = reopen(record)
            journal.note_told(work)
            _keep(journal)

    def undo(self, name: str, length: int, **mark: object) -> None:
        """Take the last entry back, or the stop.

        Raises
        ------
        StaleError
            The record is not as long as it was.
        InputError
            There is nothing to take back.
        LogError
            It is not on the disk.
        """
        self._await_kit(name)
        with self._lock:
            record = self.find(name)
            _refuse_stale(record, length)
            before, event = record.work.undo(), "undone"
            if self.read(name).view.work.stopped:
                event = "reopened"
            elif before == record.work or len(before.entries) < since_failed(record.work):
                raise InputError("undo", _("There is nothing to take back"))
            journal = reopen(record)
            journal.note(event, **mark)
            _keep(journal)

    def stop(self, name: str, length: int, **mark: object) -> None:
        """Stop here: the machine is removed from service; raises StaleError or LogError."""
        self._await_kit(name)
        with self._lock:
            standing = self.read(name)
            _refuse_stale(standing.record, length)
            if standing.record.is_closed:
                return
            work = replace(standing.view.work, stopped=True)
            view = replace(standing.view, assessment=self.engine.diagnose(work), work=work)
            self._close(replace(standing, view=view), **mark)


def _refuse_stale(record: Record, length: int) -> None:
    if record.length != length:
        raise StaleError(record.name, _(NEWER), record.length)


def _in_tenths(left: float | None) -> float | None:
    """Return minutes left, rounded down to tenths: within six seconds it is the same question."""
    return None if left is None else math.floor(10 * left) / 10


def _keep(journal: Journal) -> None:
    """Put a record on the disk before anything is answered, and let go of it."""
    try:
        journal.flush()
    finally:
        journal.close()
