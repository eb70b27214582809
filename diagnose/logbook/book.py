"""The logbook itself: events are added, never changed; read models follow in the same transaction.

One row, ``head``, is locked by whoever writes. So ids have no gap, every digest has one before it,
and what ``append`` returned is on the disk.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from diagnose.logbook.database import find_url, make_engine, migrate, say_place, say_trouble
from diagnose.logbook.events import START, Draft, Event, now_text, seal, to_text
from diagnose.logbook.project import (
    Standing,
    fold,
    from_row,
    to_causes,
    to_exposure,
    to_row,
)
from diagnose.logbook.tables import (
    READ_MODELS,
    causes,
    events,
    exposures,
    head,
    streams,
    tallies,
    work_ups,
)

CHUNK = 500  # rows asked for or written at once
FIRST_HEAD = {"seq": 0, "digest": START, "lines": 0}
Guard = Callable[[Mapping[str, Standing], sa.Connection], None]


@dataclass(frozen=True)
class Head:
    """How long the logbook is, and the digest of its last event."""

    count: int
    digest: str

    def __str__(self) -> str:
        return f"{self.count}:{self.digest}"


class Book:
    """One logbook, in SQLite or PostgreSQL."""

    def __init__(self, url: str | None = None) -> None:
        self.engine = make_engine(url or find_url())
        try:
            with say_trouble(self.engine):
                if migrate(self.engine):
                    self.rebuild()
        except BaseException:
            self.close()
            raise

    @property
    def place(self) -> str:
        """Where it lies."""
        return say_place(self.engine)

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()

    def append(self, drafts: Sequence[Draft], guard: Guard | None = None) -> list[Event]:
        """Write events and return them; all of them are on the disk, or none is.

        Lines of a record that were taken in before, and first events of a stream that is not
        empty, are left out.

        Parameters
        ----------
        drafts : sequence of Draft
            What is to be written.
        guard : callable, optional
            Is given the work-ups as they stand, nobody else writing, and the connection to look
            further; raises to refuse.

        Raises
        ------
        LogError
            The database cannot be written.
        """
        with say_trouble(self.engine), self._write() as connection:
            top = _lock_head(connection)
            names = sorted({draft.stream for draft in drafts})
            heads = _read_heads(connection, names)
            before = read_standings(connection, names)
            if guard is not None:
                guard(before, connection)
            made = list(_seal_all(drafts, top, heads))
            if made:
                _insert(connection, events, [_to_row(event) for event in made])
                _replace(connection, streams, "stream", {e.stream for e in made}, heads)
                self._project(connection, before, made)
                last = made[-1]
                new = {"count": last.id, "digest": last.digest}
                connection.execute(sa.update(head).values(**new))
            return made

    def _write(self) -> Any:
        return self.engine.execution_options(writes=True).begin()

    def _project(
        self, connection: sa.Connection, before: Mapping[str, Standing], made: Sequence[Event]
    ) -> None:
        after: dict[str, Standing] = {}
        for event in made:
            own = fold(after.get(event.stream, before.get(event.stream)), event)
            if own is not None:
                after[event.stream] = own
        days = [to_exposure(event) for event in made if event.kind == "exposure"]
        old = {name for name in after if name in before}
        for names in _chunks(sorted(old)):
            connection.execute(sa.delete(work_ups).where(work_ups.c.stream.in_(names)))
            connection.execute(sa.delete(causes).where(causes.c.stream.in_(names)))
        _insert(connection, work_ups, [to_row(own) for own in after.values()])
        _insert(connection, causes, [row for own in after.values() for row in to_causes(own)])
        _insert(connection, exposures, days)
        _tally(connection, before, after)

    def read(self, stream: str) -> list[Event]:
        """Return the events of one stream, in order; none where there is none."""
        asked = sa.select(events).where(events.c.stream == stream).order_by(events.c.seq)
        with say_trouble(self.engine), self.engine.connect() as connection:
            return [Event(*row) for row in connection.execute(asked)]

    def each(self, *kinds: str, after: int = 0) -> Iterator[Event]:
        """Yield events in the order they were written, few in memory at a time.

        Parameters
        ----------
        *kinds : str
            Only these kinds; left out: all.
        after : int
            Only events with a greater id.
        """
        while True:
            asked = sa.select(events).where(events.c.id > after)
            if kinds:
                asked = asked.where(events.c.kind.in_(kinds))
            asked = asked.order_by(events.c.id).limit(CHUNK)
            with say_trouble(self.engine), self.engine.connect() as connection:
                found = [Event(*row) for row in connection.execute(asked)]
            yield from found
            if len(found) < CHUNK:
                return
            after = found[-1].id

    def find(self, stream: str) -> Standing | None:
        """Return where a work-up stands; None where there is none."""
        with say_trouble(self.engine), self.engine.connect() as connection:
            return read_standings(connection, [stream]).get(stream)

    def count_lines(self, stream: str) -> int:
        """Return how many lines of a record were taken in."""
        with say_trouble(self.engine), self.engine.connect() as connection:
            return int(_read_heads(connection, [stream])[stream]["lines"])

    def head(self) -> Head:
        """Return how long the logbook is and its last digest; noted elsewhere, it proves both."""
        with say_trouble(self.engine), self.engine.connect() as connection:
            row = connection.execute(sa.select(head.c.count, head.c.digest)).one()
            return Head(int(row[0]), row[1])

    def rebuild(self) -> int:
        """Make the read models again from the events; return of how many."""
        with say_trouble(self.engine), self._write() as connection:
            _lock_head(connection)
            for table in READ_MODELS:
                connection.execute(sa.delete(table))
            asked = sa.select(events).order_by(events.c.stream, events.c.seq)
            found = connection.execute(asked.execution_options(yield_per=CHUNK))
            count, batch = 0, list[Event]()
            for row in found:
                own = Event(*row)
                if len(batch) >= CHUNK and own.stream != batch[-1].stream:
                    self._rebuild_some(connection, batch)
                    batch = []
                batch.append(own)
                count += 1
            self._rebuild_some(connection, batch)
        return count

    def _rebuild_some(self, connection: sa.Connection, batch: Sequence[Event]) -> None:
        heads: dict[str, dict[str, Any]] = {}
        for event in batch:
            lines = max(heads.get(event.stream, FIRST_HEAD)["lines"], event.line or 0)
            heads[event.stream] = {"seq": event.seq, "digest": event.digest, "lines": lines}
        _insert(connection, streams, [{"stream": key} | own for key, own in heads.items()])
        self._project(connection, {}, batch)


def _tally(
    connection: sa.Connection, before: Mapping[str, Standing], after: Mapping[str, Standing]
) -> None:
    """Count the confirmed root causes that came, and take away those that were corrected."""
    change: dict[tuple[str, str], int] = {}
    for name, own in after.items():
        for standing, sign in ((before.get(name), -1), (own, 1)):
            for row in to_causes(standing) if standing else ():
                key = (row["cause"], row["zone"])
                change[key] = change.get(key, 0) + sign
    for (cause, zone), by in sorted(change.items()):
        mine = (tallies.c.cause == cause, tallies.c.zone == zone)
        told = sa.update(tallies).where(*mine).values(count=tallies.c.count + by)
        if by and not connection.execute(told).rowcount:
            _insert(connection, tallies, [{"cause": cause, "zone": zone, "count": by}])


def _lock_head(connection: sa.Connection) -> Head:
    row = connection.execute(sa.select(head.c.count, head.c.digest).with_for_update()).one()
    return Head(int(row[0]), row[1])


def _read_heads(connection: sa.Connection, names: Sequence[str]) -> dict[str, dict[str, Any]]:
    found = {name: dict(FIRST_HEAD) for name in names}
    for part in _chunks(names):
        for row in connection.execute(sa.select(streams).where(streams.c.stream.in_(part))):
            found[row.stream] = {"seq": row.seq, "digest": row.digest, "lines": row.lines}
    return found


def read_standings(connection: sa.Connection, names: Sequence[str]) -> dict[str, Standing]:
    """Return where some work-ups stand, by stream."""
    found: dict[str, Standing] = {}
    for part in _chunks(names):
        asked = sa.select(causes).where(causes.c.stream.in_(part))
        roots: dict[str, list[dict[str, Any]]] = {}
        for row in connection.execute(asked.order_by(causes.c.stream, causes.c.place)).mappings():
            roots.setdefault(row["stream"], []).append(dict(row))
        for row in connection.execute(
            sa.select(work_ups).where(work_ups.c.stream.in_(part))
        ).mappings():
            found[row["stream"]] = from_row(dict(row), roots.get(row["stream"], ()))
    return found


def _seal_all(
    drafts: Iterable[Draft], top: Head, heads: dict[str, dict[str, Any]]
) -> Iterator[Event]:
    """Yield the events that drafts become, moving the heads on."""
    before, count = top.digest, top.count
    for draft in drafts:
        own = heads[draft.stream]
        is_known = draft.line is not None and draft.line <= own["lines"]
        if is_known or (draft.is_first and own["seq"]):
            continue
        count += 1
        event = seal(
            before, own["digest"], count, own["seq"] + 1, draft, draft.at or now_text(),
            to_text(draft.facts),
        )  # fmt: skip
        lines = max(own["lines"], draft.line or 0)
        own |= {"seq": event.seq, "digest": event.digest, "lines": lines}
        before = event.digest
        yield event


def _to_row(event: Event) -> dict[str, Any]:
    return {column.name: getattr(event, column.name) for column in events.columns}


def _chunks(names: Sequence[str]) -> Iterator[Sequence[str]]:
    for start in range(0, len(names), CHUNK):
        yield names[start : start + CHUNK]


def _insert(connection: sa.Connection, table: sa.Table, rows: list[dict[str, Any]]) -> None:
    if rows:
        connection.execute(sa.insert(table), rows)


def _replace(
    connection: sa.Connection, table: sa.Table, key: str, names: set[str],
    rows: Mapping[str, dict[str, Any]],
) -> None:  # fmt: skip
    for part in _chunks(sorted(names)):
        connection.execute(sa.delete(table).where(table.c[key].in_(part)))
    _insert(connection, table, [{key: name} | rows[name] for name in sorted(names)])
