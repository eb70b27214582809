"""Playing a drill: the checkout that fails, then one act after the other, always from the start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.catalogue import Catalogue, Test
from diagnose.drill.case import ACTS_MOST, Act, Case
from diagnose.drill.machine import Rig
from diagnose.errors import DrillError
from diagnose.explain import minutes_used
from diagnose.model import Reading, Remedied, WorkUp
from diagnose.outline import checkout_steps
from diagnose.readings import verdict

DRAW = 4_001  # apart from every other draw
TRIES = 200


@dataclass(frozen=True)
class Noted:
    """What the trainee suspected, and how many entries the work-up had then."""

    cause: str
    entries: int


@dataclass(frozen=True)
class Standing:
    """A drill as it stands: what was read and done, what was suspected, how it ended."""

    work: WorkUp
    opening: int  # entries when the trainee took over
    minutes: float  # simulated, since the step failed
    noted: tuple[Noted, ...] = ()
    end: Act | None = None

    @property
    def own(self) -> tuple[Reading | Remedied, ...]:
        """What the trainee did, the failed step left out."""
        return self.work.entries[self.opening :]


def check_out(rig: Rig) -> WorkUp | None:
    """Return the work-up that begins where the checkout fails; None if every step passes."""
    case = rig.case
    work = WorkUp(case.machine, "", minutes_left=case.minutes, tools=case.tools)
    for test in checkout_steps(rig.catalogue):
        reading = rig.answer(test.id, (), 0)
        work = work.add(reading)
        if verdict(test, reading) == "fail":
            return replace(work, failed=test.id)
    return None


def begin(rig: Rig) -> WorkUp:
    """Return the work-up that a drill begins with.

    Raises
    ------
    DrillError
        No step of this checkout fails.
    """
    work = check_out(rig)
    if work is None:
        raise DrillError("drill", "no step of this checkout fails", "set it worse, or another seed")
    return work


def replay(rig: Rig, start: WorkUp, acts: Sequence[Act]) -> Standing:
    """Return a drill after a list of acts; the same list gives the same drill again.

    Raises
    ------
    DrillError
        An act is not possible where it stands.
    """
    standing = Standing(start, len(start.entries), 0.0)
    for act in acts:
        standing = do(rig, standing, act)
    return standing


def do(rig: Rig, standing: Standing, act: Act) -> Standing:
    """Return a drill after one more act.

    Raises
    ------
    DrillError
        The act is not possible here.
    """
    if standing.end is not None:
        raise DrillError("drill", "it is ended", "open its debrief")
    if len(standing.own) >= ACTS_MOST:
        raise DrillError("drill", f"{ACTS_MOST} acts are done", "name the cause and end it")
    work = standing.work
    if act.kind == "check":
        find_check(rig.catalogue, work, act.name)
        times = sum(reading.test == act.name for reading in work.readings)
        return _add(rig, standing, rig.answer(act.name, work.remedies, times))
    if act.kind == "remedy":
        return _add(rig, standing, find_remedy(rig.catalogue, act.name))
    if act.kind == "suspect":
        check_names(rig.catalogue, [act.name])
        noted = Noted(act.name, len(work.entries))
        return replace(standing, noted=(*standing.noted, noted))
    check_names(rig.catalogue, act.causes)
    if act.course is None:
        raise DrillError("end", "no disposition is chosen", "choose 'return' or 'remove'")
    return replace(standing, end=act)


def _add(rig: Rig, standing: Standing, entry: Reading | Remedied) -> Standing:
    work = standing.work.add(entry)
    own = replace(work, entries=work.entries[standing.opening :])
    return replace(standing, work=work, minutes=minutes_used(rig.catalogue, own))


def find_check(catalogue: Catalogue, work: WorkUp, name: str) -> Test:
    """Return a check that the trainee may do; raises DrillError for another."""
    if name not in catalogue.test_index:
        raise DrillError("check", f"'{name}' is no check of this machine")
    test = catalogue.tests[catalogue.test_index[name]]
    if test.check.by != "user":
        raise DrillError("check", f"'{name}' is done by biomed", "choose another")
    lacks = set(test.check.tools) - work.tools if work.tools is not None else set()
    if lacks:
        raise DrillError(
            "check", f"needs {', '.join(sorted(lacks))}, not at hand", "choose another"
        )
    return test


def list_checks(catalogue: Catalogue, work: WorkUp) -> list[Test]:
    """Return the checks that the trainee may do: never those of biomed, tools at hand."""
    return [
        test
        for test in catalogue.tests
        if test.check.by == "user" and (work.tools is None or set(test.check.tools) <= work.tools)
    ]


def find_remedy(catalogue: Catalogue, name: str) -> Remedied:
    """Return a remedy that a user may do, from ``act@component``; raises DrillError for another."""
    found = {
        f"{cause.fault.remedy.act}@{cause.component}": cause
        for cause in catalogue.causes
        if cause.fault.remedy.by == "user"
    }
    if name not in found:
        raise DrillError("remedy", f"'{name}' is none that a user may do here")
    act, _, component = name.partition("@")
    return Remedied(act, component)


def check_names(catalogue: Catalogue, names: Sequence[str]) -> None:
    """Refuse causes that the machine does not know; raises DrillError."""
    for name in names:
        if name not in catalogue.cause_index:
            raise DrillError("cause", f"'{name}' is no cause of this machine")


def is_felt(rig: Rig, work: WorkUp) -> bool:
    """Tell whether the step failed because of what is hidden: the sound machine passes it."""
    sound = Rig(rig.catalogue, replace(rig.case, causes=(), shares=()))
    test = rig.catalogue.tests[rig.catalogue.test_index[work.failed]]
    return verdict(test, sound.answer(test.id, (), 0)) != "fail"


def draw_case(catalogue: Catalogue, number: int, causes: Sequence[str] = ()) -> Rig:
    """Return a machine drawn afresh whose checkout fails because of what is hidden.

    Parameters
    ----------
    catalogue : Catalogue
        The machine profile.
    number : int
        Of the draw; the same number gives the same machine.
    causes : sequence of str
        Hide one of these; left out: any, by how often it happens.

    Raises
    ------
    DrillError
        None of them fails a checkout step, in many draws.
    """
    rng = np.random.default_rng([DRAW, number])
    chosen = [catalogue.cause_index[name] - 1 for name in causes]
    often = catalogue.often if not chosen else np.zeros(len(catalogue.causes))
    often = often.copy()
    often[chosen] = 1.0
    for _ in range(TRIES):
        place = int(rng.choice(len(often), p=often / often.sum()))
        share, seed = float(np.round(rng.uniform(), 3)), int(rng.integers(2**31))
        name = catalogue.causes[place].id
        rig = Rig(catalogue, Case(catalogue.circuit.machine_id, (name,), (share,), seed))
        work = check_out(rig)
        if work is not None and is_felt(rig, work):
            return rig
    raise DrillError("cause", f"fails no checkout step of '{catalogue.circuit.machine_id}'")
