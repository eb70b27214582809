"""Lists that people look at every day: what is out of service, and what a machine had before."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from diagnose.logbook.book import Book, read_standings
from diagnose.logbook.database import say_trouble
from diagnose.logbook.project import QUEUED, Standing
from diagnose.logbook.tables import work_ups

PAGE = 200  # work-ups on one page of a list


def list_queue(book: Book, limit: int = PAGE) -> list[Standing]:
    """Return the machines out of service, those longest out first."""
    asked = sa.select(work_ups.c.stream).where(work_ups.c.state.in_(QUEUED))
    return _list(book, asked.order_by(work_ups.c.closed_at, work_ups.c.stream).limit(limit))


def list_history(book: Book, asset: str, limit: int = PAGE) -> list[Standing]:
    """Return the work-ups of one machine, newest first."""
    asked = sa.select(work_ups.c.stream).where(work_ups.c.asset == asset)
    return _list(book, asked.order_by(work_ups.c.opened_at.desc()).limit(limit))


def list_assets(book: Book, starts: str = "", limit: int = PAGE) -> list[str]:
    """Return names of machines that are in the logbook."""
    asked = sa.select(work_ups.c.asset).where(work_ups.c.asset.startswith(starts, autoescape=True))
    asked = asked.where(work_ups.c.asset != "").distinct().order_by(work_ups.c.asset).limit(limit)
    with say_trouble(book.engine), book.engine.connect() as connection:
        return [row[0] for row in connection.execute(asked)]


def _list(book: Book, asked: sa.Select[Any]) -> list[Standing]:
    with say_trouble(book.engine), book.engine.connect() as connection:
        names: Sequence[str] = [row[0] for row in connection.execute(asked)]
        found = read_standings(connection, names)
    return [found[name] for name in names]
