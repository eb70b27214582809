"""A bench for published comparisons: leaks of known size set on machines, and checks played."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest

from diagnose.catalogue import Catalogue, Cause, Test, list_catalogue
from diagnose.kb.load import KnowledgeBase, load
from diagnose.kb.schema import Effect, Fault
from diagnose.particles import Bench, Draws, draw, predict_quantity
from diagnose.physics.laws import Array
from diagnose.physics.network import build, move, typical
from diagnose.readings import find_band

TRADE = {"time": 1.0, "pressure": 98.0665, "flow": 1e-6 / 60}  # s, cmH2O, mL/min

Ready = Mapping[str, str] | None  # positions other than those of the ready machine


def set_fault(component: str, do: str, at: str, **severity: str) -> Cause:
    """Return a cause of one exact size, such as a needle of known bore put into a joint."""
    sizes = {key: {"range": [size, size], "source": "judgement"} for key, size in severity.items()}
    effect = Effect.model_validate({"do": do, "at": at, **sizes})
    name = f"{component}.{at} {severity}"
    return Cause(name, name, component, Fault.model_construct(effect=[effect], intermittent=1.0))


@dataclass(frozen=True)
class Lab:
    """Plays checks on machines with faults of known size; readings come in trade units."""

    base: KnowledgeBase
    known: dict[str, Catalogue] = field(default_factory=dict)

    def catalogue(self, machine: str) -> Catalogue:
        if machine not in self.known:
            self.known[machine] = list_catalogue(self.base, machine)
        return self.known[machine]

    def test(self, machine: str, name: str) -> Test:
        catalogue = self.catalogue(machine)
        return catalogue.tests[catalogue.test_index[name]]

    def bench(self, machine: str, causes: Sequence[Cause], number: int, ready: Ready) -> Bench:
        """Return drawn machines of a profile; one machine is the typical one."""
        network = build(self.catalogue(machine).circuit)
        columns = [".".join(name) for name in network.column]
        draws = draw([cause.id for cause in causes], columns, number, seed=1997)
        if number == 1:
            draws = Draws(np.zeros_like(draws.machines), draws.severities)
        settings = typical(network)
        for component, position in (ready or {}).items():
            move(network, settings, component, position)
        return Bench(network, settings, tuple(causes), draws)

    def read(self, machine: str, name: str, causes: Sequence[Cause], number: int = 1,
             ready: Ready = None) -> Array:  # fmt: skip
        """Return what a check reads, (n_causes + 1, number); row 0 is the machine with no leak."""
        test = self.test(machine, name)
        shown = predict_quantity(self.bench(machine, causes, number, ready), test)
        return shown / TRADE.get(str(test.check.reading.quantity), 1.0)

    def finds(self, machine: str, name: str, causes: Sequence[Cause], number: int = 1,
             ready: Ready = None) -> Array:  # fmt: skip
        """Return whether the check fails, (n_causes + 1, number), without any reading error."""
        test = self.test(machine, name)
        shown = predict_quantity(self.bench(machine, causes, number, ready), test)
        outcomes = test.check.reading.outcomes
        return np.vectorize(lambda value: outcomes[find_band(test, value)].means == "fail")(shown)


@pytest.fixture(scope="session")
def lab() -> Lab:
    return Lab(load())


@pytest.fixture(scope="session")
def leak():
    return lambda component, at, **size: set_fault(component, "leak", at, **size)


@pytest.fixture(scope="session")
def inflow():
    return lambda component, at, size: set_fault(component, "feed", at, flow=size)


@pytest.fixture(scope="session")
def fault():
    return set_fault
