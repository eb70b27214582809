"""What can be wrong with one machine, and what can be asked of it.

A cause is a fault or slip of a kind of component, placed in one component; a test is a check at one
place. The knowledge knows kinds; from here on everything is about one machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.circuit import SUPPLIES, Circuit, wire
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.schema import Check, Fault
from diagnose.language import inside

HEALTHY = "nothing_wrong"


@dataclass(frozen=True)
class Cause:
    """One fault or slip in one component of this machine."""

    id: str
    fault_id: str
    component: str
    fault: Fault = field(repr=False)
    also: Cause | None = None  # another cause present with it, in a machine that is simulated


@dataclass(frozen=True)
class Test:
    """One check at one place of this machine."""

    id: str
    check_id: str
    it: str
    check: Check = field(repr=False)

    @cached_property
    def outcomes(self) -> tuple[str, ...]:
        """The outcomes a person can report, apart from "not sure" and "could not be done"."""
        return tuple(self.check.reading.outcomes)

    @cached_property
    def bands(self) -> tuple[bool, ...]:
        """Whether a number can fall in each outcome; else it is seen instead of a number."""
        return tuple(outcome.is_band for outcome in self.check.reading.outcomes.values())


@dataclass(frozen=True)
class Catalogue:
    """What can be wrong with a machine and what can be asked of it."""

    circuit: Circuit
    causes: tuple[Cause, ...]
    tests: tuple[Test, ...]

    @cached_property
    def cause_index(self) -> dict[str, int]:
        """Cause id -> block of particles; block 0 is the machine with nothing wrong."""
        return {HEALTHY: 0} | {cause.id: i + 1 for i, cause in enumerate(self.causes)}

    @cached_property
    def often(self) -> NDArray[np.float64]:
        """Chance of each cause at the start of a checkout, (n_causes,) [-]."""
        return np.array([cause.fault.how_often.per_10000 / 1e4 for cause in self.causes])

    @cached_property
    def botched(self) -> NDArray[np.float64]:
        """Chance that a remedy does not put right its cause, healthy first, (n_blocks,) [-]."""
        return np.array([0.0] + [cause.fault.remedy.botched for cause in self.causes])

    @cached_property
    def shows(self) -> NDArray[np.float64]:
        """Chance that each block shows on one occasion, nothing wrong first, (n_blocks,) [-]."""
        return np.array([1.0] + [cause.fault.intermittent for cause in self.causes])

    @cached_property
    def titles(self) -> tuple[str, ...]:
        """Each block's cause in words, nothing wrong first."""
        own = (words(self, cause.fault.title, cause.component) for cause in self.causes)
        return ("Nothing wrong", *own)

    @cached_property
    def test_index(self) -> dict[str, int]:
        """Test id -> its place."""
        return {test.id: i for i, test in enumerate(self.tests)}


def list_catalogue(base: KnowledgeBase, machine_id: str) -> Catalogue:
    """Return the causes and tests that exist on a machine.

    >>> from diagnose.kb.load import load
    >>> "breathing.bag_torn" in list_catalogue(load(), "small").cause_index
    True
    """
    circuit = wire(base, machine_id)
    causes = [
        Cause(_instance(name, it, circuit.of_kind(fault.component)), name, it, fault)
        for name, fault in base.faults.items()
        if fault.status != "retired" and has_options(circuit, fault.needs)
        for it in circuit.of_kind(fault.component)
    ]
    tests = []
    for name, check in base.checks.items():
        places = circuit.of_kind(check.each) if check.each else [""]
        found = [it for it in places if is_possible(circuit, check, it)]
        tests += [
            Test(
                f"{name}@{it}" if it else name,
                name,
                it,
                of_gas(check, circuit.machine.gases.get(it)),
            )
            for it in found
        ]
    return Catalogue(circuit, tuple(causes), tuple(tests))


def _instance(name: str, it: str, all_of_kind: Sequence[str]) -> str:
    return f"{name}@{it}" if len(all_of_kind) > 1 or it[-1:].isdigit() else name


def of_gas(check: Check, gas: str | None) -> Check:
    """Return a check with the bands that hold where a component feeds a gas; None for oxygen.

    >>> from diagnose.kb.load import load
    >>> check = load().checks["supply.cylinder_pressure"]
    >>> of_gas(check, "nitrous_oxide").reading.outcomes["enough"].least
    '600 psi'
    """
    changed = {
        name: own.model_copy(update=own.gases[gas].model_dump())
        for name, own in check.reading.outcomes.items()
        if gas in own.gases
    }
    if not changed:
        return check
    outcomes = dict(check.reading.outcomes) | changed
    reading = check.reading.model_copy(update={"outcomes": outcomes})
    return check.model_copy(update={"reading": reading})


def is_possible(circuit: Circuit, check: Check, it: str) -> bool:
    """Tell whether a machine has everything a check names."""
    if not has_options(circuit, check.needs):
        return False
    names = {name for name in check.isolate if name != SUPPLIES}
    for each in check.procedure:
        names |= set(each.set_ or {})
        names |= {each.port.split(".")[0]} if each.port else set()
    names |= {port.split(".")[0] for port in check.reading.ports}
    return all(name.replace("$it", it) in circuit.kinds for name in names)


def has_options(circuit: Circuit, needs: Sequence[str]) -> bool:
    """Tell whether a machine has every option named: ``name``, ``name=value``, ``name=a|b``."""
    for need in needs:
        option, _, wanted = need.partition("=")
        have = circuit.machine.options.get(option, "no")
        if have not in (wanted or "yes").split("|"):
            return False
    return True


def belongs(component: str, it: str) -> bool:
    """Tell whether a component stands at the place a check was done at.

    >>> belongs("mount_1", "vaporizer_1"), belongs("o2_control", "n2o_tube"), belongs("bag", "")
    (True, False, True)
    """
    if not it or component == it:
        return True
    own, place = component.split("_"), it.split("_")
    if place[-1].isdigit():
        return own[-1] == place[-1]
    return len(own) > 1 and len(place) > 1 and own[0] == place[0]


def sightings(cause: Cause, test: Test) -> dict[str, float]:
    """Return what a cause says is seen at a test: outcome -> chance; empty if it says nothing."""
    if not belongs(cause.component, test.it):
        return {}
    return {
        seen.outcome: seen.chance
        for seen in cause.fault.seen
        if seen.check == test.check_id and seen.at in (None, cause.component)
    }


def words(catalogue: Catalogue, text: str, it: str) -> str:
    """Return knowledge words with ``{it}`` replaced by the component's name."""
    return text.replace("{it}", inside(catalogue.circuit.title(it)) if it else "")
