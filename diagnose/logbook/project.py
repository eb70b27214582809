"""The read models as a fold over events: where each work-up stands, and what it really was.

``fold`` is pure; ``Book`` writes what it returns in the same transaction as the events.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from diagnose.logbook.events import Event, read_time
from diagnose.model import REMOVE

OPEN = "open"  # the work-up goes on
RETURNED = "returned"  # to checkout, by the technician
OUT = "out"  # of service, the root cause not confirmed
CONFIRMED = "confirmed"  # out of service, the root cause known
IN_USE = "in_use"  # again, by biomed
QUEUED = (OUT, CONFIRMED)
NO_FAULT = "no_fault_found"


@dataclass(frozen=True)
class Found:
    """One root cause, as biomed confirmed it."""

    cause: str  # id; "" for one told in words
    words: str
    origin: str  # ranking | search | other | no_fault_found


@dataclass(frozen=True)
class Standing:
    """One work-up as it stands."""

    stream: str
    asset: str = ""
    profile: str = ""
    failed: str = ""
    who: str = ""
    knowledge: str = ""
    state: str = OPEN
    disposition: str = ""
    reason: str = ""
    opened_at: float = 0.0
    closed_at: float | None = None
    handed_at: float | None = None
    confirmed_at: float | None = None
    returned_at: float | None = None
    first_cause: str = ""
    first_chance: float | None = None
    last_cause: str = ""
    last_chance: float | None = None
    no_fault: int = 0
    minutes: float | None = None
    downtime: float | None = None
    found: tuple[Found, ...] = field(default=())

    @property
    def zone(self) -> str:
        """Zone of the machine that the failed step belongs to."""
        return self.failed.partition(".")[0]


def fold(before: Standing | None, event: Event) -> Standing | None:
    """Return where a work-up stands after one more event; None where it is about no work-up."""
    facts, when = event.facts, event.when
    if event.kind == "imported":
        return _take_old(event, facts, when)
    if event.kind == "opened":
        return Standing(
            event.stream, str(facts.get("asset") or ""), facts["machine"], facts["failed"],
            facts.get("who", "user"), event.knowledge, opened_at=when,
        )  # fmt: skip
    if before is None:
        return None
    match event.kind:
        case "told":
            return replace(before, who=facts.get("who", before.who))
        case "undone" | "reopened":
            return replace(before, state=OPEN, closed_at=None, disposition="", reason="")
        case "closed":
            return _close(before, facts, when)
        case "ranked":
            names = ("first_cause", "first_chance", "last_cause", "last_chance")
            return replace(before, **{name: facts[name] for name in names})
        case "handed_over":
            return replace(before, handed_at=when, asset=facts.get("asset") or before.asset)
        case "root_cause_confirmed":
            return _confirm(before, facts, when)
        case "amended":
            return _amend(before, facts)
        case "returned_to_use":
            return replace(before, state=IN_USE, returned_at=when)
    return before


def _close(before: Standing, facts: dict[str, Any], when: float) -> Standing:
    is_out = facts["disposition"] == REMOVE
    is_known = before.confirmed_at is not None
    state = (CONFIRMED if is_known else OUT) if is_out else RETURNED
    return replace(
        before, state=state, closed_at=when, disposition="remove" if is_out else "return",
        reason=str(facts.get("reason", "")),
    )  # fmt: skip


def _confirm(before: Standing, facts: dict[str, Any], when: float) -> Standing:
    found = tuple(Found(*(each[n] for n in ("cause", "words", "origin")))
                  for each in facts["causes"])  # fmt: skip
    is_out = before.state in QUEUED
    return replace(
        before,
        asset=facts.get("asset") or before.asset,
        state=CONFIRMED if is_out else before.state,
        confirmed_at=when,
        found=found,
        no_fault=int(any(each.origin == NO_FAULT for each in found)),
        minutes=facts.get("minutes"),
        downtime=facts.get("downtime_minutes"),
    )


def _amend(before: Standing, facts: dict[str, Any]) -> Standing:
    """Take a correction: of the machine it was, or of the whole confirmation."""
    after = replace(before, asset=str(facts["asset"])) if "asset" in facts else before
    if "causes" in facts and before.confirmed_at is not None:
        after = replace(_confirm(after, facts, before.confirmed_at), state=after.state)
    return after


def _take_old(event: Event, facts: dict[str, Any], when: float) -> Standing:
    own = Standing(
        event.stream, facts["asset"], facts["profile"], facts.get("failed", ""), "biomed",
        state=IN_USE, opened_at=when, closed_at=when, returned_at=when, disposition="remove",
    )  # fmt: skip
    return replace(_confirm(own, facts, when), state=IN_USE)


def fold_all(before: Standing | None, events: Iterable[Event]) -> Standing | None:
    """Return where a work-up stands after many events."""
    for event in events:
        before = fold(before, event)
    return before


def to_row(own: Standing) -> dict[str, Any]:
    """Return a standing as a row of ``work_ups``."""
    row = {name: value for name, value in vars(own).items() if name != "found"}
    return row | {"zone": own.zone}


def to_causes(own: Standing) -> list[dict[str, Any]]:
    """Return the confirmed root causes as rows of ``causes``."""
    return [
        {
            "stream": own.stream, "place": place, "cause": each.cause, "words": each.words,
            "origin": each.origin, "at": own.confirmed_at, "profile": own.profile,
            "asset": own.asset, "zone": each.cause.partition(".")[0] or own.zone,
        }
        for place, each in enumerate(own.found)
    ]  # fmt: skip


def from_row(row: dict[str, Any], found: Iterable[dict[str, Any]]) -> Standing:
    """Return a standing from its rows."""
    own = {name: value for name, value in row.items() if name != "zone"}
    causes = tuple(Found(each["cause"], each["words"], each["origin"]) for each in found)
    return Standing(**own, found=causes)


def to_exposure(event: Event) -> dict[str, Any]:
    """Return machine-days as a row of ``exposures``."""
    facts = event.facts
    return {
        "id": event.id, "asset": facts["asset"], "profile": facts["profile"],
        "begins_at": read_time(facts["begins"]), "ends_at": read_time(facts["ends"]),
        "days": facts["days"],
    }  # fmt: skip
