"""What the logbook shows when looked at as a whole: as data, for pages and for programs.

Every share and rate has an interval: few cases say little, and must look so.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import sqlalchemy as sa

from diagnose.logbook.book import Book
from diagnose.logbook.database import say_trouble
from diagnose.logbook.learn import gamma_quantile
from diagnose.logbook.project import NO_FAULT, OPEN, OUT, QUEUED
from diagnose.logbook.tables import causes, exposures, tallies, work_ups

INSIDE = 0.9  # chance that an interval holds the truth [-]
Z = 1.6449  # of a normal variable for it
BINS = 10
DAY = 86400.0


@dataclass(frozen=True)
class Share:
    """A part of a whole, with its interval (Wilson)."""

    part: int
    whole: int

    @property
    def share(self) -> float | None:
        """The share [-]; None of nothing."""
        return self.part / self.whole if self.whole else None

    def interval(self) -> tuple[float, float] | None:
        """Return where the true share lies with a chance of 9 in 10.

        >>> low, high = Share(8, 10).interval()
        >>> round(low, 3), round(high, 3)
        (0.541, 0.931)
        """
        if not self.whole:
            return None
        n, p = self.whole, self.part / self.whole
        middle = (p + Z * Z / (2 * n)) / (1 + Z * Z / n)
        half = Z * math.sqrt(p * (1 - p) / n + Z * Z / (4 * n * n)) / (1 + Z * Z / n)
        return max(0.0, middle - half), min(1.0, middle + half)

    def to_data(self) -> dict[str, Any]:
        """Return it for programs."""
        return asdict(self) | {"share": self.share, "interval": self.interval()}


def list_pareto(book: Book, limit: int = 30, since: float = 0.0) -> list[dict[str, Any]]:
    """Return the confirmed root causes, most frequent first, with the share up to each.

    Parameters
    ----------
    book : Book
        The logbook.
    limit : int
        How many causes.
    since : float
        Only those confirmed later [s since 1970].
    """
    count = sa.func.count().label("count")
    asked = sa.select(causes.c.cause, causes.c.zone, count)
    asked = asked.where(causes.c.cause != "", causes.c.at >= since)
    asked = asked.group_by(causes.c.cause, causes.c.zone).order_by(count.desc(), causes.c.cause)
    if not since:  # all of them are counted already
        asked = sa.select(tallies.c.cause, tallies.c.zone, tallies.c.count)
        asked = asked.where(tallies.c.cause != "", tallies.c.count > 0)
        asked = asked.order_by(tallies.c.count.desc(), tallies.c.cause)
    with say_trouble(book.engine), book.engine.connect() as connection:
        rows = connection.execute(asked).all()
    total, up_to, found = sum(row[2] for row in rows), 0, []
    for cause, zone, own in rows[:limit]:
        up_to += own
        found.append({"cause": cause, "zone": zone, "count": own, "share": own / total,
                      "share_up_to": up_to / total})  # fmt: skip
    return found


def count_zones(book: Book) -> list[dict[str, Any]]:
    """Return for each zone its failures and the mean days between two, with intervals.

    A failure is a confirmed root cause; the days are machine-days of use. The interval is exact for
    a Poisson count (Garwood): half a case less to one case more.
    """
    asked = sa.select(causes.c.zone, sa.func.count()).where(causes.c.origin != NO_FAULT)
    days = sa.select(sa.func.coalesce(sa.func.sum(exposures.c.days), 0.0))
    with say_trouble(book.engine), book.engine.connect() as connection:
        total = float(connection.execute(days).scalar_one())
        rows = connection.execute(asked.group_by(causes.c.zone).order_by(causes.c.zone)).all()
    return [mean_days(zone, count, total) for zone, count in rows]


def mean_days(zone: str, count: int, days: float) -> dict[str, Any]:
    """Return the mean days between failures of a zone.

    >>> own = mean_days("supply", 10, 1000.0)
    >>> own["mean_days"], [round(day, 1) for day in own["interval_days"]]
    (100.0, [59.0, 184.3])
    """
    tail = (1 - INSIDE) / 2
    few = gamma_quantile(tail, float(count)) if count else 0.0
    many = gamma_quantile(1 - tail, count + 1.0)
    longest = days / few if few else None
    return {
        "zone": zone, "failures": count, "machine_days": days,
        "mean_days": days / count if count and days else None,
        "interval_days": [days / many, longest] if days else None,
    }  # fmt: skip


def _right(name: str) -> sa.ColumnElement[bool]:
    """Return the condition that the cause named first is a confirmed one."""
    column = work_ups.c[f"{name}_cause"]
    found = sa.exists().where(causes.c.stream == work_ups.c.stream, causes.c.cause == column)
    nothing = sa.and_(work_ups.c.no_fault == 1, column == "nothing_wrong")
    return sa.or_(found, nothing)


def count_right(book: Book, name: str = "first", since: float = 0.0) -> Share:
    """Return in how many confirmed work-ups the tool's first cause was a confirmed one.

    Parameters
    ----------
    book : Book
        The logbook.
    name : str
        ``first`` for the ranking at the first reading, ``last`` for that at the end.
    since : float
        Only those confirmed later [s since 1970].
    """
    whole = _ranked(name, since)
    asked = sa.select(sa.func.count(), sa.func.sum(sa.case((_right(name), 1), else_=0)))
    with say_trouble(book.engine), book.engine.connect() as connection:
        row = connection.execute(asked.where(*whole)).one()
    return Share(int(row[1] or 0), int(row[0]))


def _ranked(name: str, since: float) -> list[sa.ColumnElement[bool]]:
    return [work_ups.c.confirmed_at >= since, work_ups.c[f"{name}_cause"] != ""]


def list_calibration(book: Book, name: str = "last", since: float = 0.0) -> list[dict[str, Any]]:
    """Return by tenths of the chance given how often the first cause was right."""
    chance = work_ups.c[f"{name}_chance"]
    column = sa.cast(sa.func.floor(chance * BINS), sa.Integer)
    place = sa.case((column >= BINS, BINS - 1), else_=column).label("place")
    right = sa.func.sum(sa.case((_right(name), 1), else_=0))
    asked = sa.select(place, sa.func.count(), sa.func.avg(chance), right)
    asked = asked.where(*_ranked(name, since)).group_by(place).order_by(place)
    with say_trouble(book.engine), book.engine.connect() as connection:
        rows = connection.execute(asked).all()
    return [
        {"from": row[0] / BINS, "to": (row[0] + 1) / BINS, "mean_chance": float(row[2])}
        | Share(int(row[3]), int(row[1])).to_data()
        for row in rows
    ]


def over_time(book: Book, days: float = 91.0, parts: int = 8, now: float | None = None
              ) -> list[dict[str, Any]]:  # fmt: skip
    """Return by spans of time how often the first cause was right and what the tool expected.

    Parameters
    ----------
    book : Book
        The logbook.
    days : float
        Length of a span [days].
    parts : int
        How many spans, the last one ending now.
    now : float, optional
        When that is [s since 1970]; left out: now.
    """
    end, found = now or time.time(), []
    chance = sa.func.avg(work_ups.c.first_chance)
    right = sa.func.sum(sa.case((_right("first"), 1), else_=0))
    with say_trouble(book.engine), book.engine.connect() as connection:
        for place in range(parts, 0, -1):
            low, high = end - place * days * DAY, end - (place - 1) * days * DAY
            asked = sa.select(sa.func.count(), chance, right).where(
                work_ups.c.confirmed_at >= low, work_ups.c.confirmed_at < high,
                work_ups.c.first_cause != "",
            )  # fmt: skip
            row = connection.execute(asked).one()
            own = Share(int(row[2] or 0), int(row[0])).to_data()
            mean = None if row[1] is None else float(row[1])
            found.append({"from": low, "to": high, "mean_chance": mean} | own)
    return found


def list_minutes(book: Book) -> dict[str, Any]:
    """Return how long work-ups took from their opening to their disposition [min]."""
    spent = ((work_ups.c.closed_at - work_ups.c.opened_at) / 60.0).label("spent")
    whole = (work_ups.c.closed_at.is_not(None), work_ups.c.failed != "")
    found: dict[str, Any] = {}
    with say_trouble(book.engine), book.engine.connect() as connection:
        count = int(connection.execute(sa.select(sa.func.count()).where(*whole)).scalar_one())
        for name, part in (("lower_quarter", 0.25), ("median", 0.5), ("upper_quarter", 0.75),
                           ("nine_in_ten", 0.9)):  # fmt: skip
            place = min(count - 1, int(part * count))
            asked = sa.select(spent).where(*whole).order_by(spent).offset(max(0, place)).limit(1)
            found[name] = connection.execute(asked).scalar()
    return {"work_ups": count} | found


def count_states(book: Book) -> dict[str, int]:
    """Return how many work-ups stand where."""
    asked = sa.select(work_ups.c.state, sa.func.count()).group_by(work_ups.c.state)
    with say_trouble(book.engine), book.engine.connect() as connection:
        return {row[0]: int(row[1]) for row in connection.execute(asked)}


def count_no_fault(book: Book) -> Share:
    """Return in how many confirmed work-ups no fault was found."""
    asked = sa.select(sa.func.count(work_ups.c.confirmed_at), sa.func.sum(work_ups.c.no_fault))
    with say_trouble(book.engine), book.engine.connect() as connection:
        row = connection.execute(asked.where(work_ups.c.confirmed_at >= 0)).one()
    return Share(int(row[1] or 0), int(row[0]))


def list_figures(book: Book) -> dict[str, Any]:
    """Return everything there is to look at."""
    states = count_states(book)
    return {
        "work_ups": sum(states.values()),
        "going_on": states.get(OPEN, 0),
        "out_of_service": sum(states.get(name, 0) for name in QUEUED),
        "not_confirmed": states.get(OUT, 0),
        "pareto": list_pareto(book),
        "zones": count_zones(book),
        "right_at_first_reading": count_right(book, "first").to_data(),
        "right_at_the_end": count_right(book, "last").to_data(),
        "calibration": list_calibration(book),
        "over_time": over_time(book),
        "minutes_to_disposition": list_minutes(book),
        "no_fault_found": count_no_fault(book).to_data(),
    }


def say_figures(found: dict[str, Any]) -> Sequence[str]:
    """Return the figures in lines to read."""
    spent = found["minutes_to_disposition"]
    median = spent["median"]
    lines = [
        f"{found['work_ups']} work-ups: {found['going_on']} going on, "
        f"{found['out_of_service']} out of service, of these {found['not_confirmed']} without a "
        "confirmed cause",
        f"First cause right at the first reading: {_say(found['right_at_first_reading'])}",
        f"First cause right at the end: {_say(found['right_at_the_end'])}",
        f"No fault found: {_say(found['no_fault_found'])}",
        "Minutes to a disposition, median: " + ("-" if median is None else f"{median:.0f}"),
        "Root causes, most frequent first:",
    ]
    lines += [f"   {own['count']:6} {own['cause']} ({own['share_up_to']:.0%} up to here)"
              for own in found["pareto"][:15]]  # fmt: skip
    lines.append("Mean machine-days between failures, by zone (9 chances in 10):")
    for own in found["zones"]:
        held = own["interval_days"]
        days = "no machine-days entered"
        if held is not None:
            most = "more" if held[1] is None else f"{held[1]:.0f}"
            days = f"{own['mean_days']:.0f} ({held[0]:.0f} to {most})"
        lines.append(f"   {own['zone'] or '(no zone)'}: {days}; {own['failures']} failures")
    return lines


def _say(own: dict[str, Any]) -> str:
    if own["share"] is None:
        return "nothing confirmed yet"
    low, high = own["interval"]
    return f"{own['share']:.0%} of {own['whole']} ({low:.0%} to {high:.0%})"
