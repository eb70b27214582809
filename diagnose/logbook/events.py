"""What the logbook is made of: one event, what it says, and the digest that ties it to the rest.

Each event carries the digest of the one before it in its stream and of the one before it in the
whole logbook. A change, a gap, a stream taken out: each breaks a link that ``verify`` names.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

FROM_JOURNAL = (
    "opened", "told", "reading", "remedied", "undone", "reopened", "resumed", "closed",
)  # fmt: skip
KINDS = (
    *FROM_JOURNAL,
    "ranked",
    "handed_over",
    "root_cause_confirmed",
    "amended",
    "returned_to_use",
    "exposure",
    "imported",
    "priors_accepted",
)
START = "0" * 64  # the digest before the first event


@dataclass(frozen=True, slots=True)
class Draft:
    """An event that is to be written."""

    stream: str
    kind: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    actor: str = ""
    knowledge: str = ""
    at: str = ""  # ISO 8601 with offset; "" for now
    line: int | None = None  # of the record that it was taken from
    is_first: bool = False  # only where the stream is still empty; else it is left out


@dataclass(frozen=True, slots=True)
class Event:
    """An event as it is written."""

    id: int  # over the whole logbook, from 1, without a gap
    stream: str
    seq: int  # in its stream, from 1, without a gap
    line: int | None
    at: str
    actor: str
    kind: str
    knowledge: str
    told: str  # the facts, as JSON
    before: str  # digest of the event with the id before
    stream_before: str  # digest of the event before in the same stream
    digest: str

    @property
    def facts(self) -> dict[str, Any]:
        """What it says."""
        found: dict[str, Any] = json.loads(self.told)
        return found

    @property
    def when(self) -> float:
        """When it was, in seconds since 1970."""
        return read_time(self.at)


def now_text() -> str:
    """Return the time now as it is written in events."""
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


def read_time(text: str) -> float:
    """Return a time in seconds since 1970.

    >>> read_time("1970-01-01T01:00:00+01:00")
    0.0
    """
    return datetime.fromisoformat(text).timestamp()


def say_time(seconds: float) -> str:
    """Return a time as text, in the zone of this computer."""
    return datetime.fromtimestamp(seconds).astimezone().isoformat(timespec="seconds")


def to_text(facts: Mapping[str, Any]) -> str:
    r"""Return facts as JSON that is the same everywhere: keys in order, plain ASCII.

    >>> to_text({"b": 1, "a": "°"})
    '{"a":"\\u00b0","b":1}'
    """
    return json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def seal(
    before: str, stream_before: str, id_: int, seq: int, draft: Draft, at: str, told: str
) -> Event:
    """Return a draft as an event, its digest made."""
    own = (
        id_, draft.stream, seq, draft.line, at, draft.actor, draft.kind, draft.knowledge, told,
        before, stream_before,
    )  # fmt: skip
    return Event(*own, digest_of(own))


def digest_of(fields: tuple[Any, ...]) -> str:
    """Return the digest of an event's fields, all but the digest itself."""
    return hashlib.sha256(json.dumps(fields, ensure_ascii=True).encode()).hexdigest()


def is_whole(event: Event) -> bool:
    """Tell whether an event is as it was written."""
    fields = (
        event.id, event.stream, event.seq, event.line, event.at, event.actor, event.kind,
        event.knowledge, event.told, event.before, event.stream_before,
    )  # fmt: skip
    return digest_of(fields) == event.digest
