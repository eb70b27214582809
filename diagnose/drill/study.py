"""Preset-fault study: several faults on one machine, the whole checkout, a list of what is wrong.

Scored as the published studies do: the share of the preset faults that was written down.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from diagnose.catalogue import Catalogue, Cause
from diagnose.drill.case import CAUSES_MOST, Case
from diagnose.drill.judge import alike
from diagnose.drill.machine import Rig
from diagnose.drill.play import Standing
from diagnose.errors import DrillError
from diagnose.model import WorkUp
from diagnose.outline import checkout_steps
from diagnose.readings import verdict
from diagnose.session import Kit

DRAW = 4_003
TRIES = 300
USUAL = 5  # faults in most of the published studies


@dataclass(frozen=True)
class StudyResult:
    """What was found of the preset faults."""

    hidden: tuple[str, ...]
    found: tuple[str, ...]
    missed: tuple[str, ...]
    wrong: tuple[str, ...]  # written down and not there
    shown: dict[str, tuple[str, ...]]  # by each fault: the checkout steps that fail because of it
    steps_done: int
    steps_all: int
    minutes: float

    @property
    def share(self) -> float:
        """Share of the preset faults found [-]."""
        return len(self.found) / len(self.hidden)


def begin_study(case: Case) -> WorkUp:
    """Return the work-up of a study: nothing done yet, no step failed yet."""
    return WorkUp(case.machine, "", tools=case.tools)


def draw_study(catalogue: Catalogue, number: int, faults: int = USUAL) -> Rig:
    """Return a machine with several faults, each of which fails a checkout step.

    Parameters
    ----------
    catalogue : Catalogue
        The machine profile.
    number : int
        Of the draw; the same number gives the same machine.
    faults : int
        How many, each in a component of its own.

    Raises
    ------
    DrillError
        More than can be set, or too few that a checkout can find.
    """
    if not 1 <= faults <= CAUSES_MOST:
        raise DrillError("faults", f"{faults} cannot be set", f"set 1 to {CAUSES_MOST}")
    rng = np.random.default_rng([DRAW, number])
    seed, often = int(rng.integers(2**31)), np.sqrt(catalogue.often)
    chosen: list[Cause] = []
    shares: list[float] = []
    for _ in range(TRIES):
        cause = catalogue.causes[int(rng.choice(len(often), p=often / often.sum()))]
        share = float(np.round(rng.uniform(), 3))
        if cause.component in {each.component for each in chosen}:
            continue
        alone = Rig(catalogue, Case(catalogue.circuit.machine_id, (cause.id,), (share,), seed))
        if cause.fault.intermittent == 1.0 and list_failing(alone):
            chosen.append(cause)
            shares.append(share)
        if len(chosen) == faults:
            names = tuple(each.id for each in chosen)
            return Rig(catalogue, Case(catalogue.circuit.machine_id, names, tuple(shares), seed))
    raise DrillError("faults", f"only {len(chosen)} can be found by a checkout", "set fewer")


def list_failing(rig: Rig) -> tuple[str, ...]:
    """Return the checkout steps that fail here and pass on the same machine when sound."""
    sound = Rig(rig.catalogue, replace(rig.case, causes=(), shares=()))
    return tuple(
        test.id
        for test in checkout_steps(rig.catalogue)
        if verdict(test, rig.answer(test.id, (), 0)) == "fail"
        and verdict(test, sound.answer(test.id, (), 0)) != "fail"
    )


def score_study(kit: Kit, rig: Rig, standing: Standing) -> StudyResult:
    """Return what was found; a cause that no check tells from the preset one counts as found."""
    assert standing.end is not None
    groups, named = alike(kit.catalogue, kit.table), set(standing.end.causes)
    hidden = rig.case.causes
    found = tuple(n for n in hidden if groups.get(n, frozenset({n})) & named)
    covered = {each for name in hidden for each in groups.get(name, frozenset({name}))}
    steps = [test.id for test in checkout_steps(kit.catalogue)]
    done = {reading.test for reading in standing.work.readings}
    shown = {name: list_failing(_alone(rig, place)) for place, name in enumerate(hidden)}
    return StudyResult(
        hidden,
        found,
        tuple(name for name in hidden if name not in found),
        tuple(sorted(named - covered)),
        shown,
        len(done & set(steps)),
        len(steps),
        standing.minutes,
    )


def _alone(rig: Rig, place: int) -> Rig:
    names, shares = (rig.case.causes[place],), (rig.case.shares[place],)
    return Rig(rig.catalogue, replace(rig.case, causes=names, shares=shares))
