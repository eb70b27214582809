"""Who may use a shared server: accounts, sessions, tokens, and the list of sign-ins.

A password is kept as its argon2 digest, a session and a token as their SHA-256: both are 256 random
bits, which nobody finds again from a digest. What this module cannot tell apart by its time or its
answer: a name that nobody has, a wrong password, and an account that is disabled.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import time
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import sqlalchemy as sa
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from diagnose.errors import AccountError
from diagnose.logbook.database import find_url, make_engine, say_trouble
from diagnose.logbook.tables import accounts, sessions, sign_ins, tokens
from diagnose.places import logbook_file

ROLES = ("technician", "trainer", "biomed", "keeper", "admin")
NAME = re.compile(r"[^\W_][\w .'-]{0,39}")
SHORTEST, LONGEST = 12, 200  # characters of a password
SESSION = 12 * 3600.0  # seconds: one shift; judgement
DAY = 24 * 3600.0
MARK = "tenhold-"  # how a token begins, so that a leaked one can be searched for
TERMINAL = "terminal"  # where it came from, if not over the network
#: RFC 9106, second recommended option: 64 MiB, 3 passes, 4 lanes; the defaults of argon2-cffi
HASHER = PasswordHasher()


@dataclass(frozen=True)
class Account:
    """An account, without its password."""

    name: str
    role: str
    is_disabled: bool
    made_at: float
    tokens: tuple[tuple[str, str, float], ...] = ()  # label, role, until when


@dataclass(frozen=True)
class Who:
    """Who sent a request, and as what."""

    name: str
    role: str
    token: str = ""  # label of the API token; "" for a session
    kept: str = field(default="", repr=False)  # the digest that a password was found right by


@dataclass(frozen=True)
class SignIn:
    """One line of the list of sign-ins."""

    at: float
    account: str
    address: str
    result: str


def fold_name(name: str) -> str:
    """Return a name as it is compared.

    >>> fold_name(" KIM  Ö. ") == fold_name("kim ö.")
    True
    """
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()


def digest_secret(secret: str) -> str:
    """Return what is kept of a session or a token."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


@lru_cache(maxsize=1)
def make_dummy() -> str:
    """Return the digest of a password that nobody has: for names that nobody has."""
    return HASHER.hash(secrets.token_urlsafe(32))


def is_any_there(url: str | None = None) -> bool:
    """Tell whether a logbook has accounts; changes nothing, and makes no file.

    Raises
    ------
    LogError
        It cannot be read.
    """
    own = url or find_url()
    if own == f"sqlite:///{logbook_file()}" and not logbook_file().exists():
        return False
    engine = make_engine(own)
    try:
        with say_trouble(engine), engine.connect() as connection:
            if not sa.inspect(connection).has_table(accounts.name):
                return False
            return connection.execute(sa.select(accounts.c.key).limit(1)).first() is not None
    finally:
        engine.dispose()


def check_name(name: str) -> str:
    """Return a name without blanks at its ends; raises AccountError for one that is none."""
    own = " ".join(unicodedata.normalize("NFKC", name).split())
    if not NAME.fullmatch(own):
        do = "give 1 to 40 letters, digits, blanks or . ' -, the first a letter or a digit"
        raise AccountError("name", f"{own[:60]!r} is no name of an account", do)
    return own


def check_password(password: str, name: str) -> str:
    """Return a password; raises AccountError for one that is too short, too long or the name."""
    if not SHORTEST <= len(password) <= LONGEST:
        what = f"has {len(password)} characters"
        raise AccountError("password", what, f"give {SHORTEST} to {LONGEST}; a few words do well")
    if fold_name(password) == fold_name(name):
        raise AccountError("password", "is the name", "give another")
    return password


def check_role(role: str) -> str:
    """Return a role; raises AccountError for an unknown one."""
    if role not in ROLES:
        raise AccountError("role", f"'{role[:40]}' is not known", "give one of them", ROLES)
    return role


class Accounts:
    """The accounts of one logbook."""

    def __init__(self, engine: sa.Engine, clock: Callable[[], float] = time.time) -> None:
        self.engine, self.clock = engine, clock

    def add(self, name: str, role: str, password: str) -> Account:
        """Make an account; raises AccountError if it cannot be, LogError if it is not written."""
        own, role, now = check_name(name), check_role(role), self.clock()
        row = {"key": fold_name(own), "name": own, "role": role, "disabled": 0,
               "password": HASHER.hash(check_password(password, own)), "made_at": now}  # fmt: skip
        with self._write() as connection:
            if _read(connection, own) is not None:
                raise AccountError("name", f"'{own}' has an account already", "give another")
            connection.execute(sa.insert(accounts), [row])
            self._note(connection, own, TERMINAL, f"account made: {role}")
        return Account(own, role, False, now)

    def each(self) -> list[Account]:
        """Return all accounts by name, with the tokens that still hold."""
        with say_trouble(self.engine), self.engine.connect() as connection:
            held: dict[str, list[tuple[str, str, float]]] = {}
            asked = sa.select(tokens).where(tokens.c.ends_at > self.clock())
            for row in connection.execute(asked.order_by(tokens.c.label)):
                held.setdefault(row.account, []).append((row.label, row.role, row.ends_at))
            found = connection.execute(sa.select(accounts).order_by(accounts.c.key))
            return [Account(row.name, row.role, bool(row.disabled), row.made_at,
                            tuple(held.get(row.key, ()))) for row in found]  # fmt: skip

    def set_role(self, name: str, role: str) -> None:
        """Give another role; sessions and tokens of before end. Raises AccountError."""
        check_role(role)
        self._change(name, f"role: {role}", True, role=role)

    def set_disabled(self, name: str, is_disabled: bool) -> None:
        """Shut an account, or open it again; sessions and tokens end. Raises AccountError."""
        said = "disabled" if is_disabled else "enabled"
        self._change(name, said, True, disabled=int(is_disabled))

    def set_password(self, name: str, password: str, address: str = TERMINAL) -> None:
        """Give another password; every session ends, tokens stay. Raises AccountError."""
        own = HASHER.hash(check_password(password, name))
        self._change(name, "password changed", False, address, password=own)

    def _change(
        self, name: str, said: str, ends_tokens: bool, address: str = TERMINAL, **values: Any
    ) -> None:
        with self._write() as connection:
            key = _need(connection, name).key
            connection.execute(sa.update(accounts).where(accounts.c.key == key).values(**values))
            connection.execute(sa.delete(sessions).where(sessions.c.account == key))
            if ends_tokens:
                connection.execute(sa.delete(tokens).where(tokens.c.account == key))
            self._note(connection, name, address, said)

    def check(self, name: str, password: str) -> Who | None:
        """Return whose name and password these are; None if they are nobody's.

        The same work is done for every answer. Whoever calls notes what came of it.
        """
        with say_trouble(self.engine), self.engine.connect() as connection:
            row = _read(connection, name)
        is_right = _is_right(make_dummy() if row is None else row.password, password)
        if row is None or row.disabled or not is_right:
            return None
        kept = row.password
        if HASHER.check_needs_rehash(kept):
            kept = HASHER.hash(password)
            mine = (accounts.c.key == row.key) & (accounts.c.password == row.password)
            with self._write() as connection:
                connection.execute(sa.update(accounts).where(mine).values(password=kept))
        return Who(row.name, row.role, kept=kept)

    def open_session(self, name: str, address: str, old: str = "", kept: str = "") -> str:
        """Return the secret of a new session, which is kept nowhere; one of before ends.

        Raises
        ------
        AccountError
            The account is disabled, or its password is not the one that was found right.
        """
        secret = secrets.token_urlsafe(32)
        with self._write() as connection:
            row, now = _need(connection, name), self.clock()
            if row.disabled or kept not in ("", row.password):
                raise AccountError("name", "was changed meanwhile", "sign in again")
            key = row.key
            ended = (sessions.c.ends_at <= now) | (sessions.c.digest == digest_secret(old))
            connection.execute(sa.delete(sessions).where(ended))
            row = {"digest": digest_secret(secret), "account": key, "made_at": now,
                   "ends_at": now + SESSION}  # fmt: skip
            connection.execute(sa.insert(sessions), [row])
            self._note(connection, name, address, "signed in")
        return secret

    def find_session(self, secret: str) -> Who | None:
        """Return whose session a secret opens; None for one that is unknown or at its end."""
        own = sa.select(accounts.c.name, accounts.c.role).join(
            sessions, sessions.c.account == accounts.c.key
        )
        found = self._find(own.where(*_holds(sessions, secret, self.clock())))
        return None if found is None else Who(found.name, found.role)

    def end_session(self, secret: str, name: str, address: str) -> None:
        """Sign out."""
        with self._write() as connection:
            mine = sessions.c.digest == digest_secret(secret)
            connection.execute(sa.delete(sessions).where(mine))
            self._note(connection, name, address, "signed out")

    def make_token(self, name: str, label: str, role: str = "", days: float = 365.0) -> str:
        """Return the secret of a new token, which is kept nowhere.

        Raises
        ------
        AccountError
            There is no such account, the label is taken, or the account has not that role.
        """
        own = check_name(label)
        with self._write() as connection:
            row, now = _need(connection, name), self.clock()
            role = check_role(role or row.role)
            if role != row.role and row.role != "admin":
                do = f"give {row.role}; only admin may give away another role"
                raise AccountError("role", f"'{name}' is not {role}", do)
            taken = (tokens.c.account == row.key) & (tokens.c.label == own)
            if connection.execute(sa.select(tokens.c.label).where(taken)).first():
                do = f"give another, or revoke it: tenhold accounts revoke '{name}' --label '{own}'"
                raise AccountError("label", f"'{own}' is taken", do)
            secret = MARK + secrets.token_urlsafe(32)
            value = {"digest": digest_secret(secret), "account": row.key, "label": own,
                     "role": role, "made_at": now, "ends_at": now + days * DAY}  # fmt: skip
            connection.execute(sa.insert(tokens), [value])
            self._note(connection, name, TERMINAL, f"token made: {own} ({role})")
        return secret

    def find_token(self, secret: str) -> Who | None:
        """Return who sends a token, as what; None for one that is unknown or at its end."""
        own = sa.select(accounts.c.name, tokens.c.role, tokens.c.label).join(
            tokens, tokens.c.account == accounts.c.key
        )
        found = self._find(own.where(*_holds(tokens, secret, self.clock())))
        return None if found is None else Who(found.name, found.role, found.label)

    def _find(self, asked: Any) -> Any:
        with say_trouble(self.engine), self.engine.connect() as connection:
            return connection.execute(asked).first()

    def revoke(self, name: str, label: str = "") -> int:
        """End a token, or without a label every session and token; return how many."""
        with self._write() as connection:
            key, count = _need(connection, name).key, 0
            mine = tokens.c.account == key
            if label:
                mine &= tokens.c.label == check_name(label)
            else:
                old = sa.delete(sessions).where(sessions.c.account == key)
                count = connection.execute(old).rowcount
            count += connection.execute(sa.delete(tokens).where(mine)).rowcount
            if label and not count:
                do = "'tenhold accounts list' shows them"
                raise AccountError("label", f"'{name}' has no token '{label[:40]}'", do)
            self._note(connection, name, TERMINAL, f"revoked: {label or 'everything'}")
        return count

    def note(self, name: str, address: str, result: str) -> None:
        """Add to the list of sign-ins; a name that nobody has is not kept: it may be a password."""
        with self._write() as connection:
            self._note(connection, name, address, result)

    def _note(self, connection: sa.Connection, name: str, address: str, result: str) -> None:
        row = _read(connection, name)
        own = {"at": self.clock(), "account": "" if row is None else row.name,
               "address": address[:60], "result": result}  # fmt: skip
        connection.execute(sa.insert(sign_ins), [own])

    def list_sign_ins(self, most: int = 50) -> list[SignIn]:
        """Return the newest lines of the list, the newest first."""
        asked = sa.select(sign_ins).order_by(sign_ins.c.id.desc()).limit(most)
        with say_trouble(self.engine), self.engine.connect() as connection:
            return [SignIn(row.at, row.account, row.address, row.result)
                    for row in connection.execute(asked)]  # fmt: skip

    @contextmanager
    def _write(self) -> Iterator[sa.Connection]:
        with (
            say_trouble(self.engine),
            self.engine.execution_options(writes=True).begin() as connection,
        ):
            yield connection


def _read(connection: sa.Connection, name: str) -> Any:
    own = fold_name(name)
    if not NAME.fullmatch(own):  # nor anything that a database would not take
        return None
    return connection.execute(sa.select(accounts).where(accounts.c.key == own)).first()


def _need(connection: sa.Connection, name: str) -> Any:
    row = _read(connection, name)
    if row is None:
        do = "'tenhold accounts list' shows them"
        raise AccountError("name", f"{name[:40]!r} has no account", do)
    return row


def _holds(table: sa.Table, secret: str, now: float) -> tuple[Any, ...]:
    """Return what must be true of a session or token that holds."""
    return (
        table.c.digest == digest_secret(secret),
        table.c.ends_at > now,
        accounts.c.disabled == 0,
    )


def _is_right(kept: str, password: str) -> bool:
    try:
        own = password[: LONGEST + 1].encode("utf-8", "surrogatepass")
        return HASHER.verify(kept, own) and len(password) <= LONGEST
    except (VerificationError, InvalidHashError):
        return False
