"""The door of a shared server: signing in and out, and whose session a request belongs to.

Without accounts there is no door: a server that only this computer reaches asks nobody. It looks
now and then whether accounts were made, and once it has seen one it asks, also after a restart
with a database that cannot be reached.
"""

from __future__ import annotations

import hashlib
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from api.errors import HeldError, SignInError
from api.throttle import Throttle
from diagnose.errors import AccountError, LogError
from diagnose.places import state_folder

if TYPE_CHECKING:
    from diagnose.logbook.accounts import Accounts, Who

LOOK = 3.0  # seconds between two looks whether there are accounts
KNOWN = 3600.0  # seconds that a session seen here holds while the database cannot be reached
WAITING = 4  # sign-ins worked on or waiting at once: each takes 64 MiB and two or three lanes
WRONG = "the name or the password is wrong"


@dataclass(frozen=True)
class Guest:
    """Whoever sent a request, and what a form of theirs must carry."""

    name: str
    role: str
    form_token: str = ""  # "" for an API token, which no browser sends by itself


def make_form_token(secret: str) -> str:
    """Return what a form of a session carries: made from it, and telling nothing of it."""
    return hashlib.sha256(b"form:" + secret.encode()).hexdigest()


class Door:
    """The door of one server."""

    def __init__(self, is_shared: bool = False) -> None:
        self.is_shared = is_shared  # reached from elsewhere: asks in any case
        self.throttle = Throttle()
        self._accounts: Accounts | None = None
        self._opening, self._signing = threading.Lock(), threading.Lock()
        self._waiting = threading.BoundedSemaphore(WAITING)
        self._seen: dict[str, tuple[Guest, float]] = {}
        self._looked: float | None = None
        self._is_needed = is_shared

    @property
    def cookie(self) -> str:
        """The name of the cookie of a session."""
        return "__Host-tenhold" if self.is_shared else "tenhold"

    @property
    def is_known(self) -> bool:
        """Whether it is known by now if anybody has to sign in."""
        return self._is_needed or self._looked is not None

    def is_needed(self) -> bool:
        """Tell whether anybody has to sign in; never waits but the first time."""
        if self._is_needed:
            return True
        now = time.monotonic()
        if self._looked is None:
            self.look()
        elif now - self._looked > LOOK:
            self._looked = now
            threading.Thread(target=self.look, daemon=True, name="door").start()
        return self._is_needed

    def look(self) -> None:
        """Look whether there are accounts; if that cannot be seen, what was seen last holds."""
        from diagnose.logbook.accounts import is_any_there

        mark = _find_mark()
        try:
            is_there = is_any_there()
        except LogError:
            is_there = mark.exists()
        with suppress(OSError):
            if is_there:
                mark.touch()
            else:
                mark.unlink(missing_ok=True)
        self._is_needed = self._is_needed or is_there
        self._looked = time.monotonic()

    def accounts(self) -> Accounts:
        """Return the accounts; raises LogError if the logbook cannot be opened."""
        from diagnose.logbook.accounts import Accounts, make_dummy
        from diagnose.logbook.book import Book

        with self._opening:
            if self._accounts is None:
                make_dummy()  # so that the first name that nobody has takes no longer than others
                self._accounts = Accounts(Book().engine)
            return self._accounts

    def find(self, secret: str, bearer: str) -> Guest | None:
        """Return whose cookie, or API token, this is; None for nobody's.

        Raises
        ------
        LogError
            The database cannot be reached, and this was not seen here lately.
        """
        key = hashlib.sha256(f"{bool(bearer)}{bearer or secret}".encode()).hexdigest()
        try:
            own = self.accounts()
            who = own.find_token(bearer) if bearer else own.find_session(secret)
        except LogError:
            guest, at = self._seen.get(key, (None, 0.0))
            if guest is None or time.monotonic() - at > KNOWN:
                raise
            return guest
        if who is None:
            self._seen.pop(key, None)
            return None
        guest = to_guest(who, secret)
        if len(self._seen) > 10_000:
            self._seen.clear()
        self._seen[key] = (guest, time.monotonic())
        return guest

    def sign_in(self, name: str, password: str, address: str, old: str = "") -> str:
        """Return the secret of a new session.

        Raises
        ------
        SignInError
            Name or password is wrong, or the account is disabled: which one is not said.
        HeldError
            Too many were wrong lately.
        """
        who = self._check(name, password, address)
        try:
            return self.accounts().open_session(who.name, address, old, who.kept)
        except AccountError as error:  # changed between the two
            raise SignInError("sign-in", WRONG) from error

    def change_password(self, name: str, old: str, new: str, address: str) -> str:
        """Give an account another password; every session ends; return that of a new one.

        Raises
        ------
        SignInError, HeldError
            As for signing in: the old password is asked for.
        AccountError
            The new one cannot be used.
        """
        who = self._check(name, old, address)
        own = self.accounts()
        own.set_password(who.name, new, address)
        return own.open_session(who.name, address)

    def _check(self, name: str, password: str, address: str) -> Who:
        from diagnose.logbook.accounts import fold_name

        key = fold_name(name)
        self._refuse_held(key, address)
        if not self._waiting.acquire(blocking=False):
            raise HeldError(2)
        try:
            with self._signing:
                self._refuse_held(key, address)
                own = self.accounts()
                who = own.check(name, password)
                if who is None:
                    self.throttle.fail(key, address)
                    own.note(name, address, "refused")
                    raise SignInError("sign-in", WRONG)
                self.throttle.clear(key)
                return who
        finally:
            self._waiting.release()

    def _refuse_held(self, key: str, address: str) -> None:
        wait = self.throttle.find_wait(key, address)
        if wait:
            raise HeldError(wait)

    def sign_out(self, secret: str, name: str, address: str) -> None:
        """End a session."""
        self.accounts().end_session(secret, name, address)


def to_guest(who: Who, secret: str) -> Guest:
    """Return who sent a request, with what their forms carry."""
    return Guest(who.name, who.role, "" if who.token else make_form_token(secret))


def _find_mark() -> Path:
    return state_folder() / "accounts-needed"
