"""What the ranking said at the first reading and at the end, kept to be judged by what it was.

A record holds what was entered; what was then thought follows from it and from the knowledge. It is
worked out once, by the knowledge of that day, and kept as an event.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import sqlalchemy as sa

from diagnose.errors import DiagnoseError
from diagnose.logbook.book import Book
from diagnose.logbook.database import say_trouble
from diagnose.logbook.events import Draft
from diagnose.logbook.project import OPEN
from diagnose.logbook.tables import work_ups
from diagnose.logbook.work import read_work
from diagnose.model import WorkUp
from diagnose.rank import name_ranking, rank
from diagnose.rulebase import list_excluded, read_facts
from diagnose.session import Kit

TOP = 5  # causes kept of each ranking
JOINED = " and "


def rank_work(kit: Kit, work: WorkUp) -> list[tuple[str, float]]:
    """Return the likeliest causes of a work-up, likeliest first; two at once as one name."""
    fired = kit.rules.fire(read_facts(kit.catalogue, work))
    excluded = list_excluded(kit.catalogue, fired)
    found = rank(kit.catalogue, kit.table, work, excluded, dict(kit.rates))
    return [(JOINED.join(ids), chance) for ids, chance in name_ranking(kit.table, found)[:TOP]]


def cut_first(work: WorkUp) -> WorkUp:
    """Return a work-up as it was when the failed step had just been read."""
    for place, entry in enumerate(work.entries, 1):
        if getattr(entry, "test", "") == work.failed:
            return replace(work, entries=work.entries[:place])
    return work


def judge(kit: Kit, work: WorkUp) -> dict[str, Any]:
    """Return the facts of a ``ranked`` event."""
    first, last = rank_work(kit, cut_first(work)), rank_work(kit, work)
    return {
        "first_cause": first[0][0], "first_chance": round(first[0][1], 6),
        "last_cause": last[0][0], "last_chance": round(last[0][1], 6),
        "first": [[name, round(p, 6)] for name, p in first],
        "last": [[name, round(p, 6)] for name, p in last],
    }  # fmt: skip


def keep_ranking(book: Book, kit: Kit, stream: str) -> bool:
    """Work out and keep what was thought of one work-up; False if it is kept already.

    Raises
    ------
    DiagnoseError
        Its entries are not in the knowledge any more.
    """
    standing = book.find(stream)
    if standing is None or standing.first_cause:
        return False
    facts = judge(kit, read_work(book, stream).work)
    draft = Draft(stream, "ranked", facts, knowledge=kit.base.version)
    return bool(book.append([draft]))


def list_unranked(book: Book) -> Iterator[tuple[str, str]]:
    """Yield the ended work-ups whose ranking is not kept yet: name and profile."""
    asked = sa.select(work_ups.c.stream, work_ups.c.profile).where(
        work_ups.c.first_cause == "", work_ups.c.state != OPEN, work_ups.c.failed != ""
    )
    with say_trouble(book.engine), book.engine.connect() as connection:
        found = connection.execute(asked.order_by(work_ups.c.profile, work_ups.c.stream)).all()
    yield from ((row[0], row[1]) for row in found)


def rank_all(book: Book, find_kit: Callable[[str], Kit]) -> tuple[int, list[str]]:
    """Keep every ranking that is missing; return how many, and what could not be and why."""
    count, left = 0, []
    for stream, profile in list_unranked(book):
        try:
            count += keep_ranking(book, find_kit(profile), stream)
        except (DiagnoseError, KeyError, ValueError) as error:
            left.append(f"{stream}: {error}")
    return count, left
