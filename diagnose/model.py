"""The frozen values that travel the line of one diagnosis, from a reading to an assessment.

A work-up is a list of entries: readings, and remedies done between them. Everything else is
computed from that list, so undo is leaving the last entry away.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from diagnose.language import mark

NOT_SURE = "not_sure"
NOT_DONE = "not_done"
OTHER_ANSWERS = {NOT_SURE: mark("not sure"), NOT_DONE: mark("could not be done")}
SOMETHING_ELSE = "something_else"

RETURN = mark("return to checkout")
REMOVE = mark("remove from service and call biomed")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a person saw at one test: an outcome, and the number if one was read."""

    test: str
    outcome: str  # outcome id, NOT_SURE or NOT_DONE
    number_si: float | None = None
    text: str = ""  # as it was entered

    @property
    def is_answer(self) -> bool:
        """Tell whether it says anything."""
        return self.outcome not in OTHER_ANSWERS


@dataclass(frozen=True, slots=True)
class Remedied:
    """A remedy that was done: what was done to which component."""

    act: str
    component: str


Entry = Reading | Remedied


@dataclass(frozen=True, slots=True)
class WorkUp:
    """One failed step on its way to a disposition."""

    machine: str
    failed: str  # test id of the failed step
    entries: tuple[Entry, ...] = ()
    minutes_left: float | None = None  # until the machine is needed
    tools: frozenset[str] | None = None  # None: every tool is at hand
    who: Literal["user", "biomed"] = "user"
    stopped: bool = False  # the person stops here
    changed: frozenset[str] = frozenset()  # components changed since the machine last passed
    asset: str = ""  # the number on the single machine; "" where it was not told

    def add(self, entry: Entry) -> WorkUp:
        """Return the work-up with one more entry."""
        return replace(self, entries=(*self.entries, entry))

    def undo(self) -> WorkUp:
        """Return the work-up without its last entry; the failed step itself stays."""
        last = self.entries[-1:] and self.entries[-1]
        is_first = (
            isinstance(last, Reading)
            and last.test == self.failed
            and self.readings.count(last) == 1
        )
        return (
            self
            if not self.entries or (is_first and self.repeats == 1)
            else replace(self, entries=self.entries[:-1])
        )

    @property
    def readings(self) -> tuple[Reading, ...]:
        """The readings, in order."""
        return tuple(entry for entry in self.entries if isinstance(entry, Reading))

    @property
    def remedies(self) -> tuple[Remedied, ...]:
        """The remedies done, in order."""
        return tuple(entry for entry in self.entries if isinstance(entry, Remedied))

    @property
    def repeats(self) -> int:
        """How often the failed step was read."""
        return sum(reading.test == self.failed for reading in self.readings)


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause and how likely it is; two ids when two are present at once."""

    ids: tuple[str, ...]
    title: str
    chance: float
    kind: str  # fault | slip | two | nothing_wrong | something_else
    component: str = ""
    leak_si: float | None = None  # estimated leak at 30 cmH2O [m^3/s]
    leak_range_si: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """A rule's conclusion, in words."""

    rule: str
    kind: str
    names: tuple[str, ...]
    because: str
    matched: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class OutcomeMeaning:
    """What one outcome of a suggested test would mean."""

    outcome: str
    title: str
    chance: float
    then: str  # what the ranking would say


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that could be done next: a check, or a remedy and a repeat of the failed step."""

    kind: Literal["check", "remedy", "repeat"]
    test: str
    title: str
    say: tuple[str, ...]
    minutes: float
    worth: float  # expected minutes (and risk, in minutes) saved
    means: tuple[OutcomeMeaning, ...]
    remedy: Remedied | None = None
    tools: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Disposition:
    """One of exactly two, with the reason; ``final`` when nothing more is worth doing."""

    say: str
    final: bool
    reason: str
    rule: str = ""
    hazard: str = ""
    missing: tuple[str, ...] = ()  # what "return to checkout" still lacks


@dataclass(frozen=True, slots=True)
class Account:
    """Why a cause ranks where it does."""

    cause: str
    title: str
    chance: float
    speaks: tuple[
        tuple[str, str, float], ...
    ]  # (reading in words, strength in words, log10 factor)
    changes: str = ""  # which answer would change the order


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything a diagnosis says about a work-up."""

    machine: str
    failed: str
    knowledge_version: str
    ranking: tuple[RankedCause, ...]
    said: tuple[Said, ...]
    choices: tuple[Choice, ...]
    disposition: Disposition
    accounts: tuple[Account, ...]
    suspects: tuple[str, ...]  # components, by the graph
    minutes_used: float
    minutes_ahead: float
    minutes_left: float | None
    swap_first: bool  # the clock runs out before a safe machine is likely
    left_out: tuple[str, ...] = ()  # readings not used, and why
    advice: tuple[str, ...] = ()  # what is safe to do meanwhile, by the rules
    cautions: tuple[str, ...] = field(default=())
