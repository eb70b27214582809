"""Readings that the knowledge found surprising, the root cause being known: for its keeper.

Under the confirmed cause each outcome has a chance, severities weighed by what was read before. An
outcome that comes clearly oftener than the sum of its chances is a number of the knowledge to be
looked at again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from diagnose.logbook.book import Book
from diagnose.logbook.learn import gamma_below
from diagnose.logbook.work import to_record
from diagnose.model import Reading, WorkUp
from diagnose.session import Kit

LISTED = 0.01  # chance of seeing it so often, below which an outcome is listed; judgement [-]


@dataclass(frozen=True)
class Surprise:
    """One outcome of one check under one cause."""

    cause: str
    test: str
    outcome: str
    asked: int  # how often the check was done under this cause
    seen: int  # how often it read this
    expected: float  # how often by the knowledge
    tail: float  # chance of so many or more, by the knowledge
    work_ups: tuple[str, ...]  # some of those in which it was seen


def predict(kit: Kit, work: WorkUp, cause: str) -> Iterator[tuple[Reading, dict[str, float]]]:
    """Yield each first reading of a check with the chances its outcomes had.

    Only readings before the first remedy: after it the cause may be gone.
    """
    table = kit.table
    rows = table.block(kit.catalogue.cause_index[cause])
    weight = np.full(table.n, 1.0 / table.n)
    asked = set()
    for entry in work.entries:
        if not isinstance(entry, Reading):
            return
        if not entry.is_answer or entry.test in asked or entry.test not in table.index:
            continue
        asked.add(entry.test)
        place = table.index[entry.test]
        prob = table.prob[rows, table.columns(place)].astype(float)
        outcomes = kit.catalogue.tests[place].outcomes
        if entry.outcome not in outcomes:
            continue
        chances = weight @ prob
        yield entry, dict(zip(outcomes, chances.tolist(), strict=True))
        weight = weight * (prob[:, outcomes.index(entry.outcome)] + 1e-9)
        weight /= weight.sum()


def find_surprises(book: Book, kit: Kit) -> list[Surprise]:
    """Return what is seen clearly oftener than the knowledge says, most surprising first."""
    asked: dict[tuple[str, str], int] = {}
    expected: dict[tuple[str, str, str], float] = {}
    seen: dict[tuple[str, str, str], list[str]] = {}
    for stream, work, cause in _list_known(book, kit):
        for reading, chances in predict(kit, work, cause):
            key = (cause, reading.test)
            asked[key] = asked.get(key, 0) + 1
            for outcome, chance in chances.items():
                expected[*key, outcome] = expected.get((*key, outcome), 0.0) + chance
            seen.setdefault((*key, reading.outcome), []).append(stream)
    found = [
        Surprise(*key, asked[key[0], key[1]], len(names), expected[key],
                 gamma_below(expected[key], len(names)), tuple(names[:5]))
        for key, names in seen.items()
    ]  # fmt: skip
    return sorted((own for own in found if own.tail < LISTED), key=lambda own: own.tail)


def _list_known(book: Book, kit: Kit) -> Iterator[tuple[str, WorkUp, str]]:
    """Yield the work-ups of a profile with one confirmed cause that the machine can have."""
    profile = kit.catalogue.circuit.machine_id
    for event in book.each("root_cause_confirmed"):
        own = book.find(event.stream)
        if own is None or own.profile != profile or len(own.found) != 1 or not own.failed:
            continue
        cause = own.found[0].cause
        if cause in kit.catalogue.cause_index:
            record = to_record(event.stream, book.read(event.stream), book.place)
            yield event.stream, record.work, cause
