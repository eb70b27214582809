"""Proposals from the logbook, and the set of rates that a person accepted.

A set is an event with a name under it. It holds for a cause only as long as the knowledge says of
that cause what it said then: whoever changes the knowledge is not overruled by old counts.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import sqlalchemy as sa

from diagnose.catalogue import Catalogue, words
from diagnose.errors import EntryError
from diagnose.logbook.biomed import need_actor
from diagnose.logbook.book import Book
from diagnose.logbook.database import say_trouble
from diagnose.logbook.events import Draft, Event, say_time
from diagnose.logbook.learn import (
    Case,
    Change,
    Days,
    Evidence,
    Forgetting,
    Known,
    gather,
    propose,
    tell,
)
from diagnose.logbook.project import OPEN
from diagnose.logbook.tables import causes, exposures, work_ups
from diagnose.model import Reading
from diagnose.outline import checkout_steps
from diagnose.predict import Table
from diagnose.readings import verdict
from diagnose.session import Kit

DIGITS = 9  # of a rate as it is kept


@dataclass(frozen=True)
class Proposal:
    """What the logbook says about the causes of one profile, or one machine."""

    profile: str
    asset: str
    half_life: float | None
    knowledge: str
    share: float
    evidence: Evidence
    changes: tuple[Change, ...]

    def say(self) -> list[str]:
        """Return it in plain words."""
        whole = f"{self.share:.0%} of the ended work-ups have a confirmed root cause"
        return [*tell(self.changes, self.evidence), f"{whole}; days count by that share."]


def chance_seen(catalogue: Catalogue, table: Table) -> np.ndarray:
    """Return how often a whole checkout shows each cause, beyond false alarms, (n_blocks,) [-]."""
    passes = np.ones((len(table.causes), table.n))
    for test in checkout_steps(catalogue):
        at = table.first[table.index[test.id]]
        good = [at + place for place, outcome in enumerate(test.outcomes)
                if verdict(test, Reading(test.id, outcome)) != "fail"]  # fmt: skip
        passes *= table.prob[:, good].sum(axis=1).reshape(passes.shape)
    shown = 1 - passes / np.maximum(passes[0], 1e-9)
    return np.asarray(np.clip(shown.mean(axis=1) * catalogue.shows, 0.01, 1.0))


def know(kit: Kit) -> dict[str, Known]:
    """Return what the knowledge says of every cause of a machine."""
    seen = chance_seen(kit.catalogue, kit.table)
    return {
        cause.id: Known(
            words(kit.catalogue, cause.fault.title, cause.component),
            cause.fault.how_often.per_10000 / 1e4, float(seen[block]), cause.fault.status,
        )
        for block, cause in enumerate(kit.catalogue.causes, 1)
    }  # fmt: skip


def read_cases(book: Book) -> tuple[list[Case], list[Days], float]:
    """Return confirmed causes, machine-days, and which share of ended work-ups is confirmed."""
    asked = sa.select(causes.c.cause, causes.c.profile, causes.c.asset, causes.c.at)
    spent = sa.select(exposures.c.profile, exposures.c.asset, exposures.c.begins_at,
                      exposures.c.ends_at, exposures.c.days)  # fmt: skip
    ended = sa.select(sa.func.count(), sa.func.count(work_ups.c.confirmed_at)).where(
        work_ups.c.state != OPEN
    )
    with say_trouble(book.engine), book.engine.connect() as connection:
        cases = [Case(*row) for row in connection.execute(asked.where(causes.c.cause != ""))]
        days = [Days(*row) for row in connection.execute(spent)]
        whole, known = connection.execute(ended).one()
    return cases, days, known / whole if whole else 1.0


def make_proposal(
    book: Book, kit: Kit, asset: str = "", half_life: float | None = None
) -> Proposal:
    """Return what the logbook proposes for a profile, or for one machine of it.

    Raises
    ------
    EntryError
        No machine-days are in the logbook: without them no rate can be learnt.
    """
    profile = kit.catalogue.circuit.machine_id
    if half_life is not None and not 1 <= half_life < 1e5:
        raise EntryError(profile, "half-life", f"{half_life:g} days", "give from 1 day up")
    cases, days, share = read_cases(book)
    if not days:
        do = "enter them with 'tenhold log exposure'"
        raise EntryError(profile, "exposure", "no machine-days are in the logbook", do)
    evidence = gather(cases, days, profile, asset, Forgetting(time.time(), half_life))
    changes = propose(know(kit), evidence, bool(asset), share)
    return Proposal(profile, asset, half_life, kit.base.version, share, evidence, tuple(changes))


def add_exposure(
    book: Book, asset: str, profile: str, begins_at: float, ends_at: float, actor: str,
    days: float | None = None,
) -> Event:  # fmt: skip
    """Note on how many days a machine was checked out.

    Parameters
    ----------
    book : Book
        The logbook.
    asset, profile : str
        The machine and its kind.
    begins_at, ends_at : float
        From when to when [s since 1970].
    actor : str
        Who says so.
    days : float, optional
        Days of use in that time; left out: every day [days].

    Raises
    ------
    EntryError
        The time runs backwards or into the future, or holds fewer days.
    """
    stream = f"machine-{asset}"
    need_actor(stream, actor)
    most = (ends_at - begins_at) / 86400
    own = most if days is None else days
    if not asset.strip():
        raise EntryError(stream, "asset", "is empty", "give the machine's inventory number")
    if most <= 0 or ends_at > time.time() + 86400:
        raise EntryError(stream, "to", "lies before the begin or in the future", "give both days")
    if not 0 < own <= most + 1e-9:
        raise EntryError(stream, "days", f"{own:g} of {most:g} days", "give days of use")
    facts = {"asset": asset, "profile": profile, "begins": say_time(begins_at),
             "ends": say_time(ends_at), "days": own}  # fmt: skip
    (event,) = book.append([Draft(stream, "exposure", facts, actor)])
    return event


def name_stream(profile: str, asset: str = "") -> str:
    """Return the stream of accepted sets of a profile or machine."""
    return f"priors-{profile}-{asset}" if asset else f"priors-{profile}"


def accept(book: Book, own: Proposal, actor: str) -> Event:
    """Put a proposal into effect, in the name of a person; raises EntryError without one."""
    stream = name_stream(own.profile, own.asset)
    need_actor(stream, actor)
    facts = {
        "profile": own.profile, "asset": own.asset, "half_life_days": own.half_life,
        "share": own.share, "days": list(own.evidence.days), "account": own.say(),
        "rates": {each.cause: [round(each.stock, DIGITS), round(each.learned, DIGITS)]
                  for each in own.changes},
    }  # fmt: skip
    draft = Draft(stream, "priors_accepted", facts, actor, own.knowledge)
    (event,) = book.append([draft])
    return event


def withdraw(book: Book, profile: str, actor: str, asset: str = "") -> Event:
    """Go back to the knowledge's own rates; an event as well."""
    stream = name_stream(profile, asset)
    need_actor(stream, actor)
    facts = {"profile": profile, "asset": asset, "rates": {}}
    (event,) = book.append([Draft(stream, "priors_accepted", facts, actor)])
    return event


def find_accepted(book: Book, catalogue: Catalogue, asset: str = "") -> dict[str, float]:
    """Return the rates in effect: those accepted last, where the knowledge is as it was then.

    A machine without a set of its own has that of its profile.
    """
    profile = catalogue.circuit.machine_id
    found: Mapping[str, list[float]] = {}
    for stream in (name_stream(profile, asset), name_stream(profile)):
        sets = [event for event in book.read(stream) if event.kind == "priors_accepted"]
        if sets:
            found = sets[-1].facts["rates"]
            break
    stock = {cause.id: cause.fault.how_often.per_10000 / 1e4 for cause in catalogue.causes}
    return {
        cause: learned for cause, (then, learned) in found.items()
        if cause in stock and round(stock[cause], DIGITS) == then
    }  # fmt: skip
