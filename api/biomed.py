"""What stands on the pages of biomed: work-ups in words, and a confirmation read from a form."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from api.booking import STATES, Told, say_cause, to_confirmation
from api.engine import Engine
from api.form import Form
from diagnose.catalogue import words
from diagnose.errors import DiagnoseError, EntryError
from diagnose.logbook.biomed import Confirmation
from diagnose.logbook.book import Book
from diagnose.logbook.events import Event, say_time
from diagnose.logbook.project import Found, Standing

DEEDS = {
    "opened": "Failed step reported",
    "reading": "Read",
    "remedied": "Put right",
    "undone": "Last entry taken back",
    "reopened": "Taken up again",
    "closed": "Ended",
    "handed_over": "Handed over to biomed",
    "root_cause_confirmed": "Root cause confirmed",
    "amended": "Corrected",
    "returned_to_use": "Returned to use",
    "imported": "From an old work order",
}


def list_titles(engine: Engine) -> dict[str, str]:
    """Return the title of every fault of the knowledge."""
    return {name: fault.title for name, fault in engine.base().faults.items()}


@lru_cache(maxsize=32)
def title_causes(engine: Engine, profile: str) -> dict[str, str]:
    """Return every cause of a machine in words, by id; none for one not known any more."""
    try:
        catalogue = engine.catalogue(profile)
    except DiagnoseError:
        return {}
    return {cause.id: words(catalogue, cause.fault.title, cause.component)
            for cause in catalogue.causes}  # fmt: skip


def title_cause(engine: Engine, profile: str, name: str) -> str:
    """Return a cause in words; its id where the knowledge has it no more."""
    return title_causes(engine, profile).get(name, name)


def title_step(engine: Engine, profile: str, name: str) -> str:
    """Return a step in words; its id where the knowledge has it no more."""
    steps = {step.id: step.title for own in engine.outline.machines if own.id == profile
             for step in own.steps}  # fmt: skip
    return steps.get(name, name)


def show_row(engine: Engine, own: Standing) -> dict[str, Any]:
    """Return a work-up for a list."""
    titles = {each.id: each.title for each in engine.outline.machines}
    return {
        "name": own.stream,
        "asset": own.asset,
        "machine": titles.get(own.profile, own.profile),
        "failed": title_step(engine, own.profile, own.failed),
        "since": say_moment(own.closed_at or own.opened_at),
        "state": STATES[own.state],
        "is_out": own.state in ("out", "confirmed"),
        "reason": own.reason,
        "found": [say_found(engine, own.profile, each) for each in own.found],
    }


def say_found(engine: Engine, profile: str, own: Found) -> str:
    """Return a root cause in words."""
    return title_cause(engine, profile, own.cause) if own.cause else say_cause(own)


def say_moment(seconds: float) -> str:
    """Return a time to the minute.

    >>> len(say_moment(0.0))
    16
    """
    return say_time(seconds)[:16].replace("T", " ")


def show_events(engine: Engine, profile: str, events: Sequence[Event]) -> list[dict[str, str]]:
    """Return what happened, in order, in words."""
    tests = engine.base().checks
    rows = []
    for event in events:
        if event.kind not in DEEDS:
            continue
        facts, told = event.facts, ""
        if event.kind == "reading":
            check = tests.get(str(facts.get("test", "")).partition("@")[0])
            title = check.title if check else facts.get("test", "")
            told = f"{title}: {facts.get('text') or facts.get('outcome', '')}"
        elif event.kind == "remedied":
            told = f"{facts.get('act', '')} {facts.get('component', '')}".replace("_", " ")
        elif event.kind == "closed":
            told = str(facts.get("disposition", ""))
        elif "causes" in facts:
            found = (Found(each["cause"], each["words"], each["origin"])
                     for each in facts["causes"])  # fmt: skip
            told = ", ".join(say_found(engine, profile, each) for each in found)
        if facts.get("notes"):
            told += f". {facts['notes']}"
        rows.append({"at": say_moment(event.when), "deed": DEEDS[event.kind], "told": told,
                     "actor": event.actor})  # fmt: skip
    return rows


def read_confirmation(book: Book, engine: Engine, own: Standing, form: Form) -> Confirmation:
    """Return what a form confirms; raises EntryError for a number that is none."""
    causes = [*form.all("cause"), *filter(None, [form.one("search")])]
    no_fault = "no_fault_found" in causes
    told = Told(
        [name for name in dict.fromkeys(causes) if name != "no_fault_found"],
        list(filter(None, [form.one("other")])), no_fault, _split(form.one("parts")),
        _number(own.stream, "minutes", form), _number(own.stream, "downtime", form),
        form.one("notes"), _split(form.one("codes")), form.one("asset"),
    )  # fmt: skip
    return to_confirmation(book, engine, own.stream, told)


def _split(text: str) -> list[str]:
    return [part.strip() for part in text.split(";") if part.strip()]


def _number(stream: str, name: str, form: Form) -> float | None:
    text = form.one(name)
    if not text:
        return None
    try:
        return float(text)
    except ValueError as error:
        do = "give minutes, such as 45, or leave it empty"
        raise EntryError(stream, name, f"'{text}' is no number", do) from error
