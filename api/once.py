"""Writes that count once: a program that got no answer sends the same again, with the same key.

The key stands in the record, in the line that the write made, so it outlives the server. What is
answered to a key is the work-up as it stood after that line, at the time of that line: the second
answer is worked out like the first one, from the same lines, and nothing else is kept.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from api.desk import Desk, Standing
from api.errors import InputError, StaleError
from diagnose.errors import LogError
from diagnose.journal import list_events, read_record
from diagnose.model import WorkUp
from diagnose.places import state_folder

OTHER = "was used before for something else; send a new key with what is new"
NEWER = "the work-up went on since; read it, then send what still holds with the new length"


@dataclass(frozen=True)
class Mark:
    """A write as its sender names it: a key, and a digest of what is asked for."""

    key: str
    asked: str

    @classmethod
    def of(cls, key: str | None, what: str, asked: dict[str, Any]) -> Mark | None:
        """Return the mark of a write; None if its sender gave no key.

        >>> Mark.of("a1", "undo", {"length": 3}) == Mark.of("a1", "undo", {"length": 4})
        False
        """
        if key is None:
            return None
        text = json.dumps([what, asked], sort_keys=True)
        return cls(key, hashlib.sha256(text.encode()).hexdigest()[:16])

    @property
    def facts(self) -> dict[str, object]:
        """What stands in the line of the record."""
        return {"key": self.key, "asked": self.asked}


def find_line(events: list[dict[str, Any]], mark: Mark | None) -> int | None:
    """Return how long a record was after a write; None if that write is not in it.

    Raises
    ------
    InputError
        The key stands at another write.
    """
    for number, event in enumerate(events, 1):
        if mark is not None and event.get("key") == mark.key:
            _refuse_other(event, mark)
            return int(event.get("lines", number))
    return None


def _refuse_other(event: dict[str, Any], mark: Mark) -> None:
    if event.get("asked") != mark.asked:
        raise InputError("Idempotency-Key", f"'{mark.key}' {OTHER}")


def write(
    desk: Desk,
    name: str,
    length: int,
    mark: Mark | None,
    change: Callable[[dict[str, object]], None],
) -> Standing:
    """Change a work-up unless that was done before; return how it stood then.

    Parameters
    ----------
    desk : Desk
        Where the work-up lies.
    name : str
        Its name.
    length : int
        How long its record was when the change was decided on.
    mark : Mark, optional
        What the sender names it by.
    change : callable
        Makes the change; takes what else shall stand in its line.

    Raises
    ------
    StaleError
        The record is longer by now.
    InputError
        The key was used for something else.
    """
    with desk.alone(name):
        path = desk.find(name).path
        line = find_line(list_events(path), mark)
        if line is None:
            record = desk.find(name)
            if record.length != length:
                raise StaleError(name, NEWER, record.length)
            change({} if mark is None else mark.facts)
            now = desk.read(name)
            line = find_line(list_events(path), mark)
            if line is None:
                return now
        return _read_then(desk, name, line)


def _read_then(desk: Desk, name: str, line: int) -> Standing:
    """Return a work-up as it stood after a line of its record; an end that followed belongs to it.

    Whatever makes an end by itself is closed by the same write.
    """
    standing = desk.read_past(name, line)
    events = list_events(standing.record.path)[line : line + 1]
    closes = bool(events) and events[0]["event"] == "closed" and "key" not in events[0]
    if closes and standing.view.assessment.disposition.final:
        return replace(standing, record=read_record(standing.record.path, line + 1))
    return standing


class Openings:
    """The keys with which work-ups were opened, read once from the first lines of the records."""

    def __init__(self) -> None:
        self._folder: Path | None = None
        self._found: dict[str, tuple[str, dict[str, Any]]] = {}

    def open(self, desk: Desk, work: WorkUp, mark: Mark | None) -> tuple[Standing, bool]:
        """Open a work-up unless that was done before; return it, and whether it is new.

        Raises
        ------
        InputError
            The key was used for something else.
        LogError
            It is not on the disk.
        """
        desk.engine.kit(work.machine, shows=False)  # not while others wait
        with desk.alone(""):
            old = self._find(mark)
            if old is not None:
                return _read_then(desk, *old), False
            lines = 1 + len(work.entries)
            facts = {} if mark is None else mark.facts | {"lines": lines}
            name = desk.begin(work, **facts)
            if mark is None:
                return desk.read(name), True
            self._found[mark.key] = (name, facts)
            desk.read(name)
            return _read_then(desk, name, lines), True

    def _find(self, mark: Mark | None) -> tuple[str, int] | None:
        if mark is None:
            return None
        self._read()
        name, event = self._found.get(mark.key, ("", {}))
        if not event:
            return None
        _refuse_other(event, mark)
        return name, int(event["lines"])

    def _read(self) -> None:
        """Read the keys of records that are there already; a broken record has none."""
        folder = state_folder()
        if folder == self._folder:
            return
        self._folder, self._found = folder, {}
        for path in sorted(folder.glob("work-up-*.jsonl")):
            try:
                first = next(iter(list_events(path)), {})
            except LogError:
                continue
            if "key" in first:
                self._found[first["key"]] = (path.stem, first)
