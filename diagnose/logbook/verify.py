"""Is the logbook as it was written? Names the first event that is not.

What it finds: a changed, added or removed event, a stream or tail taken out, read models that do
not follow from the events. What no chain can find: somebody who may write the database and makes
the whole chain anew. Against that a head noted elsewhere helps: ``noted``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, islice

import sqlalchemy as sa

from diagnose.logbook.book import CHUNK, Book, Head, read_standings
from diagnose.logbook.database import say_trouble
from diagnose.logbook.events import START, Event, is_whole
from diagnose.logbook.project import fold_all
from diagnose.logbook.tables import causes, events, streams, tallies, work_ups


@dataclass(frozen=True)
class Verdict:
    """What was found: the first thing wrong, "" if nothing is."""

    count: int  # events looked at
    head: Head
    wrong: str = ""
    event: int = 0  # id of the first bad event; 0 if none
    stream: str = ""
    stale: tuple[str, ...] = field(default=())  # work-ups whose read model is not as it should be

    @property
    def is_well(self) -> bool:
        """Tell whether nothing is wrong."""
        return not self.wrong and not self.stale


def verify(book: Book, noted: str = "") -> Verdict:
    """Return whether every event is there and as it was written.

    Parameters
    ----------
    book : Book
        The logbook.
    noted : str
        A head written down earlier, ``COUNT:DIGEST``: the logbook must still hold it.
    """
    top = book.head()
    count, before, digests = 0, START, {0: START}
    wanted = int(noted.partition(":")[0] or 0) if noted else -1
    for event in book.each():
        trouble = _look(event, count, before)
        if trouble:
            return Verdict(count, top, trouble, max(event.id, 1), event.stream)
        count, before = event.id, event.digest
        if count == wanted:
            digests[count] = before
    if count < top.count:
        what = f"events {count + 1} to {top.count} are missing: the tail was taken away"
        return Verdict(count, top, what, count + 1)
    if before != top.digest or count > top.count:
        return Verdict(count, top, "the head does not belong to the last event", count)
    if noted and digests.get(wanted) != noted.partition(":")[2]:
        what = f"the head noted as {noted[:24]}... is not in this logbook: it was made anew"
        return Verdict(count, top, what, min(wanted, count))
    trouble, id_, stream = _look_at_streams(book)
    if trouble:
        return Verdict(count, top, trouble, id_, stream)
    return Verdict(count, top, stale=tuple(find_stale(book)))


def _look(event: Event, count: int, before: str) -> str:
    """Return what is wrong with an event that follows ``count`` others; "" if nothing."""
    if event.id > count + 1:
        return f"event {count + 1} is missing: the next there is {event.id} ({event.stream})"
    if event.id != count + 1:
        return f"event {event.id} has no right number"
    if not is_whole(event):
        return f"event {event.id} ({event.stream}, {event.kind}) is not as it was written"
    if event.before != before:
        return f"event {event.id} ({event.stream}) does not follow the one before it"
    return ""


def _look_at_streams(book: Book) -> tuple[str, int, str]:
    """Return what is wrong inside a stream, the event, and the stream."""
    asked = sa.select(
        events.c.id, events.c.stream, events.c.seq, events.c.digest, events.c.stream_before
    ).order_by(events.c.stream, events.c.seq)
    with say_trouble(book.engine), book.engine.connect() as connection:
        rows = connection.execute(asked.execution_options(yield_per=CHUNK))
        for stream, own in groupby(rows, lambda row: row.stream):
            seq, before = 0, START
            for row in own:
                if row.seq != seq + 1 or row.stream_before != before:
                    what = f"event {row.id} does not follow the one before it in {stream}"
                    return what, int(row.id), stream
                seq, before = row.seq, row.digest
    return "", 0, ""


def find_stale(book: Book) -> Iterator[str]:
    """Yield the streams whose read model does not follow from their events."""
    asked = sa.select(events).order_by(events.c.stream, events.c.seq)
    seen = 0
    with say_trouble(book.engine), book.engine.connect() as connection:
        rows = connection.execute(asked.execution_options(yield_per=CHUNK))
        groups = groupby((Event(*row) for row in rows), lambda event: event.stream)
        told = ((stream, list(own)) for stream, own in groups)
        while batch := list(islice(told, CHUNK)):
            seen += len(batch)
            yield from _compare(book, batch)
    with say_trouble(book.engine), book.engine.connect() as connection:
        for table in (streams, work_ups):
            asked_count = sa.select(sa.func.count()).select_from(table)
            held = int(connection.execute(asked_count).scalar_one())
            if held > seen:
                yield f"{table.name}: {held - seen} more than there are streams"

    own = sa.select(causes.c.cause, causes.c.zone, sa.func.count())
    counted = sa.select(tallies).where(tallies.c.count != 0)
    with say_trouble(book.engine), book.engine.connect() as connection:
        wanted = connection.execute(own.group_by(causes.c.cause, causes.c.zone)).all()
        if set(map(tuple, wanted)) != set(map(tuple, connection.execute(counted).all())):
            yield "tallies: not the causes that are confirmed"


def _compare(book: Book, batch: Sequence[tuple[str, list[Event]]]) -> Iterator[str]:
    names = [stream for stream, _ in batch]
    with book.engine.connect() as connection:
        held = read_standings(connection, names)
        asked = sa.select(streams.c.stream, streams.c.digest).where(streams.c.stream.in_(names))
        heads = {row[0]: row[1] for row in connection.execute(asked)}
    for stream, own in batch:
        if fold_all(None, own) != held.get(stream) or heads.get(stream) != own[-1].digest:
            yield stream
