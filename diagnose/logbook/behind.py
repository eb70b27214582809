"""Taking in behind the work: a thread of its own, so that no logbook ever holds up an answer."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnose.logbook.book import Book
    from diagnose.logbook.intake import Known

log = logging.getLogger(__name__)
PATIENCE = 2.0  # seconds that the end of a program waits for the logbook


class Intake:
    """``tell`` returns at once, and nothing here ever raises; heavy imports are the thread's."""

    def __init__(self, url: str | None = None) -> None:
        self._url = url
        self._told: queue.SimpleQueue[tuple[str, Sequence[str]] | None] = queue.SimpleQueue()
        self._book: Book | None = None
        self._known: Known = {}
        self.trouble = ""  # why the logbook could not be written last; "" if it could
        self._swept = threading.Event()  # no look at every record is waiting
        self._swept.set()
        self._thread = threading.Thread(target=self._run, daemon=True, name="logbook")
        self._thread.start()

    def tell(self, stream: str = "", lines: Sequence[str] = ()) -> None:
        """Take in a record whose lines are on the disk; without a name every record there is."""
        if stream:
            self._told.put((stream, tuple(lines)))
        elif self._swept.is_set():
            self._swept.clear()
            self._told.put(("", ()))

    def finish(self, seconds: float = PATIENCE) -> None:
        """Wait a little for what was told; the rest is taken in at the next start."""
        self._told.put(None)
        self._thread.join(seconds)

    def _run(self) -> None:
        while (told := self._told.get()) is not None:
            try:
                if not told[0]:
                    self._swept.set()  # what is written from here on needs another look
                self._take(*told)
                self.trouble = ""
            except Exception as error:  # the work goes on whatever happens here
                if not self.trouble:
                    log.warning("not in the logbook yet, but in its record: %s", error)
                self.trouble = str(error)
        if self._book is not None:
            self._book.close()

    def _take(self, stream: str, lines: Sequence[str]) -> None:
        from diagnose.logbook.book import Book
        from diagnose.logbook.intake import take_in, take_lines

        self._book = self._book or Book(self._url)
        if stream:
            take_lines(self._book, stream, lines)
            return
        for what in take_in(self._book, known=self._known).broken:
            log.warning("not taken into the logbook: %s", what)
