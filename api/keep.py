"""Keeping the record of a work-up while it runs; a disk that fails never stops the work."""

from __future__ import annotations

import os
from collections.abc import Callable

from api.errors import NOT_SAVED, OK
from api.show import Line, lines, wrap
from diagnose.errors import LogError
from diagnose.journal import Journal
from diagnose.logbook.behind import Intake
from diagnose.model import Disposition, Entry


class Keeper:
    """Writes every entry before it is acknowledged, and says once when that fails."""

    def __init__(self, journal: Journal | None, say: Callable[[str], None]) -> None:
        self._journal = journal
        self._say = say
        self.trouble = ""
        shared = journal is not None and "TENHOLD_DATABASE" in os.environ
        self.intake = Intake() if shared else None  # else the next 'tenhold log' takes it in
        self._try()

    def _try(self) -> None:
        if self._journal is None:
            return
        before = self.trouble
        try:
            self._journal.flush()
            self.trouble = ""
            if self.intake is not None:
                self.intake.tell(self._journal.path.stem, self._journal.lines)
        except LogError as error:
            self.trouble = str(error)
        if self.trouble and not before:
            self._say(f"{self.trouble}. Nothing is lost: the work-up goes on, and what was "
                      "entered is printed at the end.")  # fmt: skip
        elif before and not self.trouble:
            self._say("The record can be written again and is complete.")

    def entry(self, entry: Entry) -> None:
        """Keep a reading or a remedy."""
        if self._journal:
            self._journal.note_entry(entry)
            self._try()

    def event(self, name: str) -> None:
        """Keep that something was undone."""
        if self._journal:
            self._journal.note(name)
            self._try()

    def closed(self, disposition: Disposition) -> None:
        """Keep how it ended."""
        if self._journal:
            self._journal.note(
                "closed",
                disposition=disposition.say,
                reason=disposition.reason,
                rule=disposition.rule,
            )
            self._try()

    @property
    def place(self) -> str:
        """Where the record lies; "" if there is none."""
        return str(self._journal.path) if self._journal and not self.trouble else ""

    def release(self) -> None:
        """Let go of the file."""
        if self._journal:
            self._journal.close()

    def finish(self) -> tuple[int, list[Line]]:
        """Return the exit code, and everything entered if it could not be saved."""
        self._try()
        self.release()
        if self.intake is not None:
            self.intake.finish()
        if not self.trouble or self._journal is None:
            return OK, []
        found = [
            *wrap(f"NOT SAVED: {self.trouble}.", mark="alarm"),
            *wrap("Copy the lines between the marks into a file; "
                  "'tenhold work-up --resume FILE' makes this work-up from them."),
            *lines("-----8<-----", *self._journal.lines, "-----8<-----"),
        ]  # fmt: skip
        return NOT_SAVED, found
