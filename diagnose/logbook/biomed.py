"""What biomed does: take a machine over, confirm what it really was, return it to use.

A machine comes back into use only after its root cause is confirmed and a whole checkout was
passed after that. Nothing is rewritten: a correction is one more event.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from diagnose.errors import EntryError
from diagnose.logbook.book import Book, Guard
from diagnose.logbook.codes import find_near, read_terms
from diagnose.logbook.events import Draft, Event, read_time
from diagnose.logbook.project import CONFIRMED, NO_FAULT, OPEN, OUT, QUEUED, Found, Standing
from diagnose.logbook.tables import work_ups

ORIGINS = ("ranking", "search", "other", NO_FAULT)
LONGEST = 4000  # characters of a text
MOST = 20  # causes, parts or codes of one confirmation
MINUTES_MOST = 60.0 * 24 * 366 * 5
LIST = "'tenhold log queue' lists what is out of service"


@dataclass(frozen=True)
class Confirmation:
    """What it really was, and what it took."""

    causes: tuple[Found, ...]
    parts: tuple[str, ...] = ()
    minutes: float | None = None  # of work
    downtime_minutes: float | None = None
    notes: str = ""
    codes: tuple[str, ...] = ()  # IMDRF
    asset: str = ""  # which machine it was, where the record does not say

    def to_facts(self) -> dict[str, Any]:
        """Return it as it stands in an event."""
        facts = asdict(self)
        return {name: value for name, value in facts.items() if value not in ("", None, ())}


@dataclass(frozen=True)
class Checkout:
    """The checkout that was passed before a machine is used again."""

    by: str
    at: str  # ISO 8601 with offset


def hand_over(book: Book, stream: str, actor: str, asset: str = "", notes: str = "") -> Event:
    """Note that biomed has a machine; raises EntryError where it is not out of service."""
    need_actor(stream, actor)
    _need_texts(stream, {"asset": asset, "notes": notes})

    def guard(standings: Mapping[str, Standing], _: sa.Connection) -> None:
        _need_state(stream, _need(stream, standings), QUEUED, "is not out of service")

    return _add(book, Draft(stream, "handed_over", {"asset": asset, "notes": notes}, actor), guard)


def confirm(
    book: Book, stream: str, own: Confirmation, actor: str, known: Collection[str]
) -> Event:
    """Write down what it really was.

    Parameters
    ----------
    book : Book
        The logbook.
    stream : str
        The work-up.
    own : Confirmation
        What was found.
    actor : str
        Who says so.
    known : collection of str
        Ids of the causes that the machine can have.

    Raises
    ------
    EntryError
        The work-up is still going on or is confirmed already, or something is missing or wrong.
    """
    check(stream, own, known)
    need_actor(stream, actor)

    def guard(standings: Mapping[str, Standing], _: sa.Connection) -> None:
        standing = _need(stream, standings)
        if standing.state == OPEN:
            do = "end it first, or stop it: the machine is then out of service"
            raise EntryError(stream, "state", "the work-up is still going on", do)
        if standing.confirmed_at is not None:
            do = "correct it with 'tenhold log amend'; the first entry stays as it is"
            raise EntryError(stream, "state", "its root cause is confirmed already", do)

    draft = Draft(stream, "root_cause_confirmed", own.to_facts(), actor)
    return _add(book, draft, guard)


def amend(
    book: Book, stream: str, own: Confirmation | None, actor: str, why: str,
    known: Collection[str] = (), asset: str = "",
) -> Event:  # fmt: skip
    """Correct which machine it was, or the whole confirmation; raises EntryError."""
    need_actor(stream, actor)
    if not why.strip():
        raise EntryError(stream, "why", "is empty", "say why it is corrected")
    _need_texts(stream, {"why": why, "asset": asset})
    facts: dict[str, Any] = {"why": why} | ({"asset": asset} if asset else {})
    if own is not None:
        check(stream, own, known)
        facts |= own.to_facts()
    elif not asset:
        raise EntryError(stream, "asset", "nothing is corrected", "name the machine or the causes")

    def guard(standings: Mapping[str, Standing], _: sa.Connection) -> None:
        if own is not None and _need(stream, standings).confirmed_at is None:
            do = "confirm it with 'tenhold log confirm'"
            raise EntryError(stream, "state", "no root cause is confirmed yet", do)
        _need(stream, standings)

    return _add(book, Draft(stream, "amended", facts, actor), guard)


def return_to_use(book: Book, stream: str, actor: str, checkout: Checkout) -> Event:
    """Return a machine to use.

    Raises
    ------
    EntryError
        Its root cause is not confirmed, no checkout was passed after that, or another work-up
        holds the same machine out of service.
    """
    need_actor(stream, actor)
    at = _read_checkout(stream, checkout)

    def guard(standings: Mapping[str, Standing], connection: sa.Connection) -> None:
        own = _need(stream, standings)
        do = "confirm what it was with 'tenhold log confirm', then pass the whole checkout"
        _need_state(stream, own, (CONFIRMED,), "has no confirmed root cause", do)
        if own.confirmed_at is not None and at < own.confirmed_at:
            do = "repeat the whole checkout now, and enter it when it is passed"
            raise EntryError(stream, "checkout", "was before the root cause was confirmed", do)
        _refuse_other(stream, own, connection)

    facts = {"checkout": {"passed": True} | asdict(checkout)}
    return _add(book, Draft(stream, "returned_to_use", facts, actor), guard)


def _read_checkout(stream: str, checkout: Checkout) -> float:
    _need_texts(stream, {"checkout by": checkout.by})
    if not checkout.by.strip():
        raise EntryError(stream, "checkout by", "is empty", "say who passed the whole checkout")
    try:
        at = read_time(checkout.at)
    except ValueError as error:
        do = "write it like 2026-11-25T07:30:00+01:00"
        raise EntryError(stream, "checkout at", f"'{checkout.at}' is no time", do) from error
    if at > datetime.now().timestamp() + 60:
        do = "enter a checkout when it is passed"
        raise EntryError(stream, "checkout at", "is in the future", do)
    return at


def _refuse_other(stream: str, own: Standing, connection: sa.Connection) -> None:
    if not own.asset:
        return
    asked = sa.select(work_ups.c.stream).where(
        work_ups.c.asset == own.asset, work_ups.c.state == OUT, work_ups.c.stream != stream
    )
    other = connection.execute(asked.limit(1)).scalar()
    if other is not None:
        do = "confirm the root cause of that one first"
        raise EntryError(stream, "asset", f"{own.asset} is out of service by {other} too", do)


def check(stream: str, own: Confirmation, known: Collection[str]) -> None:
    """Raise EntryError if a confirmation is not whole."""
    if not own.causes:
        do = "name a cause, tell it in words, or say that no fault was found"
        raise EntryError(stream, "causes", "none is given", do)
    for name, many in (("causes", own.causes), ("parts", own.parts), ("codes", own.codes)):
        if len(many) > MOST:
            raise EntryError(stream, name, f"more than {MOST}", "name those that count")
    for each in own.causes:
        _check_cause(stream, each, known)
    if len(own.causes) > 1 and any(each.origin == NO_FAULT for each in own.causes):
        do = "choose either"
        raise EntryError(stream, "causes", "a cause and no fault found at once", do)
    if len({(each.cause, each.words) for each in own.causes}) < len(own.causes):
        raise EntryError(stream, "causes", "one is named twice", "name each once")
    for code in own.codes:
        if code not in read_terms():
            do = "leave it out, or give one of the codes that are known here"
            raise EntryError(stream, "codes", f"'{code}' is not known", do, find_near(code))
    texts = {"notes": own.notes, "asset": own.asset}
    _need_texts(stream, texts | {f"part {n}": part for n, part in enumerate(own.parts, 1)})
    for name in ("minutes", "downtime_minutes"):
        value = getattr(own, name)
        if value is not None and not (math.isfinite(value) and 0 <= value <= MINUTES_MOST):
            raise EntryError(stream, name, f"{value:g} cannot be", "give minutes from 0 up")


def _check_cause(stream: str, own: Found, known: Collection[str]) -> None:
    if own.origin not in ORIGINS:
        do = "say where it is from"
        raise EntryError(stream, "origin", f"'{own.origin}' is not known", do, ORIGINS)
    _need_texts(stream, {"words": own.words})
    if own.origin in ("ranking", "search"):
        if own.cause not in known:
            do = "'tenhold causes MACHINE' lists them; else tell it in words"
            raise EntryError(stream, "causes", f"'{own.cause}' is no cause of this machine", do)
    elif own.cause:
        raise EntryError(stream, "causes", f"'{own.cause}' beside '{own.origin}'", "leave it out")
    if own.origin == "other" and not own.words.strip():
        raise EntryError(stream, "words", "is empty", "say in words what it was")


def need_actor(stream: str, actor: str) -> None:
    """Raise EntryError if nobody says who enters something."""
    _need_texts(stream, {"by": actor})
    if not actor.strip():
        raise EntryError(stream, "by", "is empty", "say who enters this")


def _need_texts(stream: str, texts: Mapping[str, str]) -> None:
    for name, text in texts.items():
        if len(text) > LONGEST:
            what = f"has {len(text)} characters, more than {LONGEST}"
            raise EntryError(stream, name, what, "shorten it")


def _need(stream: str, standings: Mapping[str, Standing]) -> Standing:
    if stream not in standings:
        raise EntryError(stream, "work-up", "is not in the logbook", LIST)
    return standings[stream]


def _need_state(
    stream: str, own: Standing, states: Sequence[str], what: str, do: str = LIST
) -> None:
    if own.state not in states:
        raise EntryError(stream, "state", f"it {what} (it is: {own.state})", do)


def _add(book: Book, draft: Draft, guard: Guard) -> Event:
    (event,) = book.append([draft], guard)
    return event
