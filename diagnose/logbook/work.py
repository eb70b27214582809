"""Work-ups made again from their events, the same as from their records."""

from __future__ import annotations

from pathlib import Path

from diagnose.errors import LogError
from diagnose.journal import Record, replay
from diagnose.logbook.book import Book
from diagnose.logbook.events import FROM_JOURNAL, Event


def read_work(book: Book, stream: str) -> Record:
    """Return a work-up as its events tell it.

    Raises
    ------
    LogError
        There is none, or its events tell no work-up.
    """
    return to_record(stream, book.read(stream), book.place)


def to_record(stream: str, events: list[Event], place: str = "logbook") -> Record:
    """Return the work-up that events tell, those of biomed left out.

    Raises
    ------
    LogError
        They tell none.
    """
    own = [event for event in events if event.kind in FROM_JOURNAL]
    if not own or own[0].kind != "opened":
        what = f"holds no work-up '{stream}'"
        raise LogError(place, what, "'tenhold log queue' and 'tenhold log history' list them")
    told = [{"event": event.kind, "at": event.at} | event.facts for event in own]
    try:
        return replay(Path(f"{stream}.jsonl"), told)
    except (KeyError, TypeError, ValueError) as error:
        what = f"'{stream}' tells no work-up ({type(error).__name__}: {error})"
        raise LogError(place, what, "'tenhold log verify' says whether it was changed") from error
