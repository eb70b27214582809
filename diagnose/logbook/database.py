"""Opening a database: SQLite beside the records, or PostgreSQL by one address.

Every commit is on the disk before it returns. A writer takes its lock when it begins, so two
writers wait for each other and never meet half-way.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from diagnose.errors import LogError
from diagnose.logbook.tables import REVISION
from diagnose.places import logbook_file

log = logging.getLogger(__name__)
BUSY = 30.0  # seconds to wait for another writer
CONNECT = 5  # seconds to wait for a database server
_MIGRATING = 5_031_005  # key of the advisory lock under which one process migrates
_STEPS = Path(__file__).parent / "migrations"
DO = "see that it runs and can be reached; what was entered stays in the records of the work-ups"


def find_url() -> str:
    """Return the address of the logbook: TENHOLD_DATABASE, or a file in the state folder."""
    return os.environ.get("TENHOLD_DATABASE") or f"sqlite:///{logbook_file()}"


def make_engine(url: str) -> sa.Engine:
    """Return an engine whose commits are durable.

    Raises
    ------
    LogError
        The address cannot be used.
    """
    try:
        own = sa.make_url(url)
        if own.drivername in ("postgres", "postgresql"):
            own = own.set(drivername="postgresql+psycopg")
        if own.get_backend_name() == "sqlite":
            return _make_sqlite(own)
        options = {"connect_timeout": CONNECT}
        engine = sa.create_engine(own, connect_args=options, pool_pre_ping=True)
    except (sa.exc.ArgumentError, ImportError) as error:
        what = f"is no address of a database ({type(error).__name__})"
        do = "write TENHOLD_DATABASE=postgresql://USER@HOST/NAME; it needs pip install "
        raise LogError(url.split("@")[-1], what, f"{do}'tenhold[postgres]'") from error
    sa.event.listen(engine, "connect", _make_durable)
    return engine


def _make_sqlite(url: sa.URL) -> sa.Engine:
    if url.database:
        with contextlib.suppress(OSError):  # opening says it better
            Path(url.database).parent.mkdir(parents=True, exist_ok=True)
    engine = sa.create_engine(url, connect_args={"timeout": BUSY})
    sa.event.listen(engine, "connect", _set_pragmas)
    sa.event.listen(engine, "begin", _begin)
    return engine


def _set_pragmas(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # transactions are begun by _begin, with their lock
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "cache_size=-32000"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: sa.Connection) -> None:
    is_writing = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writing else "BEGIN")


def _make_durable(connection: Any, _record: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit = on")
    connection.commit()


@contextlib.contextmanager
def say_trouble(engine: sa.Engine) -> Iterator[None]:
    """Turn what a database raises into a LogError.

    Raises
    ------
    LogError
        The database cannot be reached, read or written.
    """
    try:
        yield
    except sa.exc.SQLAlchemyError as error:
        own = getattr(error, "orig", None) or error
        what = f"the logbook cannot be used ({str(own).strip().splitlines()[0]})"
        is_file = isinstance(own, sqlite3.Error)
        do = "free space on the disk, or set TENHOLD_STATE to a folder that can be written"
        raise LogError(say_place(engine), what, do if is_file else DO) from error


def say_place(engine: sa.Engine) -> str:
    """Return where a logbook lies, without a password."""
    return engine.url.render_as_string(hide_password=True)


def migrate(engine: sa.Engine, to: str = "head") -> bool:
    """Lead an older logbook to this form; True if anything was changed.

    Raises
    ------
    LogError
        A newer version of tenhold wrote it.
    """
    with engine.connect() as connection:
        found = read_revision(connection)
    if found == (REVISION if to == "head" else to):
        return False
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_MIGRATING})"))
        if read_revision(connection) == found:
            _run_steps(connection, to)
    return True


def read_revision(connection: sa.Connection) -> str | None:
    """Return which migration a logbook is at; None for an empty database."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    own = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return None if own is None else str(own)


def _run_steps(connection: sa.Connection, to: str) -> None:
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(_STEPS).replace("%", "%%"))
    steps = ScriptDirectory.from_config(config)
    quiet = logging.getLogger("alembic")
    level, quiet.level = quiet.level, max(quiet.level, logging.WARNING)
    try:
        with EnvironmentContext(
            config, steps, fn=lambda revision, _: steps._upgrade_revs(to, revision)
        ) as environment:
            environment.configure(connection=connection)
            environment.run_migrations()
    except CommandError as error:
        what = "was written by a newer version of tenhold"
        raise LogError(say_place(connection.engine), what, "use that version") from error
    finally:
        quiet.level = level
