"""A work-up as it stands, and the sheet that is handed over, as they leave in JSON."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from api.desk import Standing
from api.ending import list_do, list_likely, say_reason
from api.screens import say_entry
from api.shapes import (
    ActIn,
    AssessmentOut,
    CauseOut,
    DispositionOut,
    ReadingIn,
    Shape,
    read_whole,
    to_cause,
    to_shape,
)
from api.show import SAFETY
from diagnose.journal import Record, list_events
from diagnose.language import first_capital
from diagnose.model import Entry, Reading
from diagnose.readings import say_reading, verdict

Length = Annotated[
    int,
    Field(ge=1, le=1_000_000, description="of the record, as it was last read"),
    BeforeValidator(read_whole),
]


class LengthIn(Shape):
    """On which state of the record a write was decided."""

    length: Length


class ReadingAddedIn(LengthIn, ReadingIn):
    """What was seen at one more check."""


class RemedyAddedIn(LengthIn, ActIn):
    """What was put right."""


class EntryOut(Shape):
    """Something read or done."""

    kind: Literal["reading", "remedy"]
    at: Annotated[str | None, Field(description="when it was entered")]
    say: str
    check: str | None
    outcome: str | None
    entered: Annotated[str | None, Field(description="as it was entered, with its unit")]
    means: str | None
    act: str | None
    component: str | None


class BriefOut(Shape):
    """A work-up in a list."""

    name: str
    length: int
    machine: str
    failed: str
    opened_at: str
    needed_at: str | None
    closed_at: str | None


class WorkUpOut(BriefOut):
    """A work-up as it stands."""

    entries: list[EntryOut]
    assessment: AssessmentOut


class ListOut(Shape):
    """The newest work-ups; those whose record cannot be read only by name."""

    work_ups: list[BriefOut]
    unreadable: list[str]


class HandoverOut(BriefOut):
    """What biomed, or whoever goes on, needs to know."""

    form: Literal[1] = 1
    machine_title: str
    failed_say: str
    who: Literal["user", "biomed"]
    changed: list[str]
    passed_before: int
    entries: list[EntryOut]
    disposition: DispositionOut
    why: str
    do: list[str]
    likely: list[CauseOut]
    knowledge_version: str
    cautions: list[str]


def to_brief(record: Record) -> dict[str, Any]:
    """Return what a list says of a work-up."""
    return {
        "name": record.name, "length": record.length, "machine": record.work.machine,
        "failed": record.work.failed, "opened_at": record.opened_at.isoformat(),
        "needed_at": _say_time(record.needed_at), "closed_at": _say_time(record.closed_at),
    }  # fmt: skip


def _say_time(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def to_work_up_out(standing: Standing) -> WorkUpOut:
    """Return a work-up as it stands."""
    return WorkUpOut.model_validate({
        **to_brief(standing.record),
        "entries": _list_entries(standing),
        "assessment": to_shape(standing.view.assessment),
    })  # fmt: skip


def to_handover(standing: Standing) -> HandoverOut:
    """Return the sheet to hand over."""
    view, record, shape = standing.view, standing.record, to_shape(standing.view.assessment)
    failed = next(r for r in view.work.readings if r.test == view.work.failed)
    start = view.work.entries.index(failed)
    return HandoverOut.model_validate({
        **to_brief(record),
        "machine_title": view.catalogue.circuit.machine.title,
        "failed_say": first_capital(say_reading(view.catalogue, failed)),
        "who": view.work.who,
        "changed": sorted(view.work.changed),
        "passed_before": start,
        "entries": _list_entries(standing)[start:],
        "disposition": shape.disposition,
        "why": say_reason(view),
        "do": list(list_do(view)),
        "likely": [to_cause(cause) for cause in list_likely(view)],
        "knowledge_version": shape.knowledge_version,
        "cautions": list(SAFETY),
    })  # fmt: skip


def _list_entries(standing: Standing) -> list[dict[str, Any]]:
    entries = standing.record.work.entries
    times = list_times(list_events(standing.record.path)[: standing.record.length])
    if len(times) != len(entries):  # an undo that took nothing back: the pairs are not known
        times = [None] * len(entries)
    return [_entry(standing, each, at) for each, at in zip(entries, times, strict=True)]


def list_times(events: list[dict[str, Any]]) -> list[str | None]:
    """Return when each entry was made that was not taken back.

    >>> list_times([{"event": "opened", "at": "1"}, {"event": "reading", "at": "2"},
    ...             {"event": "remedied", "at": "3"}, {"event": "undone", "at": "4"}])
    ['2']
    """
    found: list[str | None] = []
    for event in events:
        if event["event"] in ("reading", "remedied"):
            found.append(event["at"])
        elif event["event"] == "undone":
            found = found[:-1]
    return found


def _entry(standing: Standing, entry: Entry, at: str | None) -> dict[str, Any]:
    catalogue = standing.view.catalogue
    found = dict.fromkeys(EntryOut.model_fields)
    found |= {"kind": "remedy", "at": at, "say": say_entry(catalogue, entry)}
    if not isinstance(entry, Reading):
        return found | {"act": entry.act, "component": entry.component}
    test = catalogue.tests[catalogue.test_index[entry.test]]
    own = {"check": entry.test, "outcome": entry.outcome, "entered": entry.text or None}
    return found | own | {"kind": "reading", "means": verdict(test, entry)}
