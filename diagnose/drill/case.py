"""A drill as a value: a machine profile, what is wrong with it, a seed; and the acts done on it.

Case and acts make the whole state: a drill is resumed, replayed and judged from its acts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from diagnose.catalogue import Catalogue
from diagnose.errors import DrillError
from diagnose.kb.training import Drill

#: kinds of act: a check is read, something is put right, a suspicion is noted, the drill is ended
KINDS = ("check", "remedy", "suspect", "end")
Kind = Literal["check", "remedy", "suspect", "end"]
Course = Literal["return", "remove"]
ACTS_MOST = 80
CAUSES_MOST = 8


@dataclass(frozen=True)
class Case:
    """What a drill hides, and what the trainee may use."""

    machine: str
    causes: tuple[str, ...]
    shares: tuple[float, ...]  # severity of each: share of its range, 0 least, 1 worst [-]
    seed: int
    minutes: float | None = None  # until the machine is needed
    tools: frozenset[str] | None = None  # None: every tool is at hand


@dataclass(frozen=True)
class Act:
    """One thing the trainee did; an end has the causes named and the disposition."""

    kind: Kind
    name: str = ""  # test id, act@component, or cause id
    causes: tuple[str, ...] = ()  # named at the end
    course: Course | None = None  # chosen at the end


def from_file(drill: Drill) -> Case:
    """Return the case of a stock drill."""
    return Case(
        drill.machine,
        tuple(each.cause for each in drill.causes),
        tuple(each.severity for each in drill.causes),
        drill.seed,
        drill.minutes,
        None if drill.tools is None else frozenset(drill.tools),
    )


def to_data(case: Case) -> dict[str, Any]:
    """Return a case as plain data."""
    return {
        "machine": case.machine,
        "causes": list(case.causes),
        "shares": list(case.shares),
        "seed": case.seed,
        "minutes": case.minutes,
        "tools": None if case.tools is None else sorted(case.tools),
    }


def to_case(data: dict[str, Any]) -> Case:
    """Return the case in plain data; raises KeyError, TypeError or ValueError for other data."""
    tools = data["tools"]
    minutes = data["minutes"]
    return Case(
        str(data["machine"]),
        tuple(str(name) for name in data["causes"]),
        tuple(float(share) for share in data["shares"]),
        int(data["seed"]),
        None if minutes is None else float(minutes),
        None if tools is None else frozenset(str(name) for name in tools),
    )


def act_to_data(act: Act) -> dict[str, Any]:
    """Return an act as plain data."""
    return {"kind": act.kind, "name": act.name, "causes": list(act.causes), "course": act.course}


def to_act(data: dict[str, Any]) -> Act:
    """Return the act in plain data; raises KeyError, TypeError or ValueError for other data."""
    kind, course = data["kind"], data["course"]
    if kind not in KINDS or course not in (None, "return", "remove"):
        raise ValueError(f"no act: {kind} {course}")
    return Act(kind, str(data["name"]), tuple(str(name) for name in data["causes"]), course)


def check_case(catalogue: Catalogue, case: Case) -> None:
    """Refuse a case that the machine cannot have.

    Raises
    ------
    DrillError
        An unknown or repeated cause, a severity outside 0 to 1, too many causes, an unknown tool.
    """
    unknown = [name for name in case.causes if name not in catalogue.cause_index]
    machine = catalogue.circuit.machine_id
    if unknown or not case.causes:
        what = f"'{unknown[0]}' is no cause of '{machine}'" if unknown else "no cause is named"
        raise DrillError("causes", what, f"'tenhold causes {machine}' lists them")
    if len(set(case.causes)) < len(case.causes) or len(case.causes) > CAUSES_MOST:
        raise DrillError("causes", "are named twice or too many", f"name 1 to {CAUSES_MOST}, once")
    if len(case.shares) != len(case.causes) or not all(0 <= s <= 1 for s in case.shares):
        raise DrillError("severity", "does not fit", "give one from 0 to 1 for each cause")
    known = {tool for test in catalogue.tests for tool in test.check.tools}
    if missing := sorted((case.tools or frozenset()) - known):
        raise DrillError("tools", f"'{missing[0]}' is used by no check", ", ".join(sorted(known)))
