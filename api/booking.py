"""What ``tenhold log`` says: work-ups as they stand, confirmations, imports, verdicts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from api.engine import Engine
from api.errors import BAD_INPUT, NOT_SAVED, OK, InputError
from diagnose.errors import DiagnoseError
from diagnose.logbook.biomed import Confirmation, amend, confirm
from diagnose.logbook.book import Book
from diagnose.logbook.events import say_time
from diagnose.logbook.intake import Taken, take_in
from diagnose.logbook.look import list_assets
from diagnose.logbook.orders import import_orders
from diagnose.logbook.project import NO_FAULT, Found, Standing
from diagnose.logbook.rankings import JOINED, keep_ranking, rank_all
from diagnose.logbook.replay import replay
from diagnose.logbook.verify import Verdict

SHOWN = 50  # bad lines or changes printed before the rest is only counted
STATES = {
    "open": "going on",
    "returned": "returned to checkout",
    "out": "OUT OF SERVICE, cause not confirmed",
    "confirmed": "OUT OF SERVICE, cause confirmed",
    "in_use": "in use again",
}


@dataclass(frozen=True)
class Told:
    """A confirmation as it was typed."""

    causes: Sequence[str]
    others: Sequence[str]
    no_fault: bool
    parts: Sequence[str]
    minutes: float | None
    downtime: float | None
    notes: str
    codes: Sequence[str]
    asset: str


def open_book(takes_in: bool) -> Book:
    """Return the logbook, with the records of this computer in it if asked."""
    import typer

    book = Book()
    for line in take_in(book).broken if takes_in else ():
        typer.echo(f"Not taken in: {line}", err=True)
    return book


def say_taken(done: Taken) -> list[str]:
    """Return what a take-in did, in lines."""
    lines = [f"Taken in: {done.events} events of {done.records} work-ups"]
    lines += [f"Open in another window, taken in later: {name}" for name in done.waiting]
    return lines + [f"Not taken in: {line}" for line in done.broken]


def show_standing(own: Standing) -> dict[str, Any]:
    """Return a work-up as it stands, for programs."""
    found = asdict(own) | {"zone": own.zone}
    for name in [name for name in found if name.endswith("_at")]:
        found[name] = None if found[name] is None else say_time(found[name])
    return found


def standing_lines(found: Sequence[Standing], empty: str) -> list[str]:
    """Return work-ups to read."""
    lines: list[str] = [] if found else [empty]
    for own in found:
        since = say_time(own.closed_at or own.opened_at)[:16].replace("T", " ")
        lines.append(f"{own.asset or '(machine not named)'}  {own.profile}  {since}  "
                     f"{STATES[own.state]}")  # fmt: skip
        lines.append(f"   {own.stream}  failed: {own.failed or '-'}")
        lines += [f"   was: {say_cause(each)}" for each in own.found]
        if own.reason and not own.found:
            lines.append(f"   because: {own.reason}")
    return lines


def say_cause(own: Found) -> str:
    """Return a root cause in words.

    >>> say_cause(Found("", "", NO_FAULT)), say_cause(Found("breathing.bag_torn", "", "search"))
    ('no fault found', 'breathing.bag_torn')
    """
    if own.origin == NO_FAULT:
        return "no fault found" + (f" ({own.words})" if own.words else "")
    return f"{own.cause} ({own.words})" if own.cause and own.words else own.cause or own.words


def need_asset(book: Book, asset: str) -> list[Standing]:
    """Raise InputError: a machine is not in the logbook."""
    near = list_assets(book, asset[:2], 8)
    raise InputError("asset", f"nothing is known of '{asset}'", near)


def list_causes(engine: Engine, profile: str) -> frozenset[str]:
    """Return the ids of the causes that a machine can have; none for one not known any more."""
    try:
        return frozenset(cause.id for cause in engine.catalogue(profile).causes)
    except DiagnoseError:
        return frozenset()


def to_confirmation(book: Book, engine: Engine, stream: str, told: Told) -> Confirmation:
    """Return what was typed as a confirmation; says of each cause whether the ranking named it."""
    standing = book.find(stream)
    named: set[str] = set()
    if standing is not None and told.causes:
        with suppress(DiagnoseError, KeyError, ValueError):  # it is confirmed all the same
            keep_ranking(book, engine.kit(standing.profile), stream)
        ranked = [event.facts for event in book.read(stream) if event.kind == "ranked"]
        named = {part for facts in ranked[-1:] for name, _ in facts["last"]
                 for part in name.split(JOINED)}  # fmt: skip
    found = [Found(name, "", "ranking" if name in named else "search") for name in told.causes]
    found += [Found("", words, "other") for words in told.others]
    found += [Found("", "", NO_FAULT)] if told.no_fault else []
    return Confirmation(
        tuple(found), tuple(told.parts), told.minutes, told.downtime, told.notes,
        tuple(told.codes), told.asset,
    )  # fmt: skip


def confirm_work(book: Book, engine: Engine, stream: str, told: Told, by: str) -> list[str]:
    """Confirm a root cause and return what to say."""
    own = to_confirmation(book, engine, stream, told)
    standing = book.find(stream)
    known = list_causes(engine, standing.profile) if standing else frozenset()
    confirm(book, stream, own, by, known)
    after = book.find(stream)
    lines = [f"{stream}: it was {', '.join(map(say_cause, own.causes))}."]
    if after is not None and after.state == "confirmed":
        lines.append("Still out of service, until the whole checkout is passed: tenhold log return")
    return lines


def amend_work(book: Book, engine: Engine, stream: str, told: Told, by: str, why: str) -> list[str]:
    """Correct an entry and return what to say."""
    has_causes = bool(told.causes or told.others or told.no_fault)
    own = to_confirmation(book, engine, stream, told) if has_causes else None
    standing = book.find(stream)
    known = list_causes(engine, standing.profile) if standing else frozenset()
    amend(book, stream, own, by, why, known, told.asset)
    return [f"{stream}: corrected. What was entered first stays in the logbook as well."]


def import_file(
    book: Book, engine: Engine, file: Path, by: str, is_dry: bool
) -> tuple[dict[str, Any], list[str], int]:
    """Import work orders; return what was done for programs and for people, and the exit code."""
    known = {name: list_causes(engine, name) for name in engine.base().machines}
    done = import_orders(book, file, known, by, is_dry)
    found = {"good": done.good, "written": done.written, "known": done.known,
             "bad": [asdict(bad) for bad in done.bad], "dry_run": is_dry}  # fmt: skip
    lines = [f"{file}: {bad}" for bad in done.bad]
    did = f"{done.good} would be taken" if is_dry else f"{done.written} taken"
    also = f", {done.known} were there before" if done.known else ""
    lines.append(f"{did}{also}, {len(done.bad)} lines cannot be used")
    return found, lines, BAD_INPUT if done.bad else OK


def check_head(text: str) -> str:
    """Return a head that was typed; raises InputError where it is none."""
    count, _, digest = text.partition(":")
    if text and not (count.isdecimal() and len(digest) == 64):
        raise InputError("--head", f"'{text}' is no head", do="give it as COUNT:DIGEST")
    return text


def say_verdict(found: Verdict) -> list[str]:
    """Return what a check of the logbook found, in lines."""
    if found.wrong:
        do = "Keep this logbook as it is and restore the last backup into another place."
        return [f"NOT AS WRITTEN: {found.wrong}", f"First bad event: {found.event}", do]
    if found.stale:
        names = ", ".join(found.stale[:SHOWN])
        return [f"Every event is as it was written, but lists do not follow: {names}",
                "Make them again with: tenhold log rebuild"]  # fmt: skip
    return [f"All {found.count} events are there and as they were written.", f"Head: {found.head}"]


def verdict_code(found: Verdict) -> int:
    """Return the exit code of a check of the logbook."""
    return OK if found.is_well else NOT_SAVED


def rank_missing(book: Book, engine: Engine) -> list[str]:
    """Keep the rankings that are missing; return what to say."""
    count, left = rank_all(book, engine.kit)
    return [f"Ranked: {count} work-ups", *(f"Not ranked: {line}" for line in left[:SHOWN])]


def replay_all(book: Book, engine: Engine, only: str) -> tuple[list[dict[str, Any]], list[str]]:
    """Return what would change under the knowledge of today, for programs and for people."""
    changes, count = [], Counter[str]()
    for change in replay(book, engine.kit, only):
        count["all"] += 1
        if change.is_same:
            continue
        changes.append(change)
        count["not replayed" if change.trouble else "changed"] += 1
    lines: list[str] = []
    for own in changes[:SHOWN]:
        lines.append(f"{own.stream} (knowledge {own.knowledge})")
        if own.trouble:
            lines.append(f"   {own.trouble}")
        if own.says and own.says != own.said:
            lines.append(f"   then: {own.said}; now: {own.says}")
        if own.first and own.first_now and own.first != own.first_now:
            lines.append(f"   first cause then: {own.first}; now: {own.first_now}")
    lines.append(f"{count['all']} ended work-ups replayed, {count['changed']} would change, "
                 f"{count['not replayed']} cannot be replayed")  # fmt: skip
    return [asdict(own) for own in changes], lines
