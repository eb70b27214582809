"""What a drill's end is worth: safety before everything, then the cause, the course, the minutes.

A wrong "return to checkout" is a failed drill whatever else was right, and so is a return that
nothing has shown to be safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from diagnose.catalogue import Catalogue
from diagnose.drill.case import Act
from diagnose.drill.machine import Rig
from diagnose.drill.play import Standing, do
from diagnose.model import REMOVE, RETURN, SOMETHING_ELSE, WorkUp
from diagnose.predict import Table
from diagnose.progress import state_repeat
from diagnose.session import Kit, diagnose
from diagnose.testability import join_alike

CAUSE, COURSE, TIME = 50.0, 30.0, 20.0  # points of 100; judgement
NEAR = 0.5  # of the points for a cause in the right part; judgement [-]
LOST = 0.5  # of the points for removing a machine that the user could have mended; judgement [-]
ACTS = 30  # the planner is given up after so many
Verdict = Literal["unsafe", "not shown", "solved", "safe"]


@dataclass(frozen=True)
class Judged:
    """How a drill went."""

    verdict: Verdict
    named: float  # share of what was wrong that was named [-]
    should: str  # the disposition that the hidden causes call for
    course: str  # the one chosen
    minutes: float
    score: float  # 0 to 100

    @property
    def is_failed(self) -> bool:
        """Tell whether it is failed, whatever else was right."""
        return self.verdict in ("unsafe", "not shown")


def judge(kit: Kit, rig: Rig, standing: Standing, planner: Standing) -> Judged:
    """Return how an ended drill went, against the planner's own course on the same drill.

    Removal is right where biomed must mend it, and where the planner removed the machine too:
    nobody is asked to take more risk than it does. It is solved with everything named, or with
    something named and everything put right.
    """
    assert standing.end is not None and planner.end is not None
    named = share_named(kit, rig, standing.end.causes)
    removes = REMOVE in (should_be(rig), say_course(planner.end))
    should, course = REMOVE if removes else RETURN, say_course(standing.end)
    safe = find_safety(rig, standing)
    if safe is not None:
        return Judged(safe, named, should, course, standing.minutes, 0.0)
    fits = 1.0 if course in (should, should_be(rig)) else LOST
    # a minute for reading and deciding, so that seconds do not decide
    quick = min(1.0, (planner.minutes + 1.0) / (standing.minutes + 1.0))
    score = CAUSE * named + COURSE * fits + TIME * quick * named
    mended = named > 0 and not rig.find_present(standing.work.remedies)
    verdict: Verdict = "solved" if fits == 1.0 and (named == 1.0 or mended) else "safe"
    return Judged(verdict, named, should, course, standing.minutes, round(score, 1))


def find_safety(rig: Rig, standing: Standing) -> Verdict | None:
    """Return what makes an end a failed drill: a wrong return, or one not shown to be safe."""
    assert standing.end is not None
    if standing.end.course != "return":
        return None
    if rig.find_present(standing.work.remedies):
        return "unsafe"
    return None if state_repeat(rig.catalogue, standing.work) == "passed" else "not shown"


def should_be(rig: Rig) -> str:
    """Return the disposition that the hidden causes call for: return where users mend them all."""
    people = {cause.fault.remedy.by for cause in rig.causes}
    return RETURN if people == {"user"} else REMOVE


def say_course(end: Act) -> str:
    """Return the disposition chosen, in its full words."""
    return RETURN if end.course == "return" else REMOVE


def share_named(kit: Kit, rig: Rig, named: Sequence[str]) -> float:
    """Return how much of what was wrong was named; each wrong name takes from it [-].

    A cause that no check of a user tells from the hidden one counts as the hidden one.
    """
    hidden = rig.case.causes
    groups = alike(kit.catalogue, kit.table)
    parts = {name: kit.catalogue.causes[kit.catalogue.cause_index[name] - 1].component
             for name in {*hidden, *named}}  # fmt: skip
    worth = 0.0
    for name in hidden:
        if groups.get(name, frozenset({name})) & set(named):
            worth += 1.0
        elif parts[name] in {parts[each] for each in named}:
            worth += NEAR
    return worth / max(len(hidden), len(set(named)))


_ALIKE: dict[tuple[str, str], dict[str, frozenset[str]]] = {}


def alike(catalogue: Catalogue, table: Table) -> dict[str, frozenset[str]]:
    """Return for each cause that is not told from others by any check all of them, itself too."""
    key = (table.machine_id, table.version)
    if key not in _ALIKE:
        groups = [
            frozenset(table.causes[b] for b in group) for group in join_alike(catalogue, table)
        ]
        _ALIKE[key] = {name: group for group in groups for name in group}
    return _ALIKE[key]


@dataclass(frozen=True)
class Followed:
    """The planner's own course on a drill."""

    acts: tuple[Act, ...]
    standing: Standing
    why: str = ""  # its reason for the disposition


def follow(kit: Kit, rig: Rig, start: WorkUp, first: Sequence[int] = ()) -> Followed:
    """Return the course of always doing the first choice; ``first`` takes others at the beginning.

    It sees what the trainee sees: the failed step, and what each check reads.

    Parameters
    ----------
    kit : Kit
        The machine.
    rig : Rig
        The machine of the drill.
    start : WorkUp
        The failed step.
    first : sequence of int
        Which choice is taken at the first acts, 0 for the first of them.
    """
    standing, acts = Standing(start, len(start.entries), 0.0), []
    for number in range(ACTS):
        work = _with_clock(standing)
        told = diagnose(kit, work)
        if told.disposition.final or not told.choices:
            break
        wanted = first[number] if number < len(first) else 0
        choice = told.choices[min(wanted, len(told.choices) - 1)]
        if choice.remedy is not None:
            acts.append(Act("remedy", f"{choice.remedy.act}@{choice.remedy.component}"))
            standing = do(rig, standing, acts[-1])
        acts.append(Act("check", choice.test))
        standing = do(rig, standing, acts[-1])
    named = next((each.ids for each in told.ranking if each.kind in ("fault", "slip", "two")), ())
    course: Literal["return", "remove"] = (
        "return" if told.disposition.final and told.disposition.say == RETURN else "remove"
    )
    acts.append(Act("end", "", tuple(n for n in named if n != SOMETHING_ELSE), course))
    return Followed(tuple(acts), do(rig, standing, acts[-1]), told.disposition.reason)


def _with_clock(standing: Standing) -> WorkUp:
    left = standing.work.minutes_left
    if left is None:
        return standing.work
    return replace(standing.work, minutes_left=max(0.0, left - standing.minutes))
