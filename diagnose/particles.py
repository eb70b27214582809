"""What every check would read: machines of a profile on the bench, each cause at many severities.

A particle is one cause at one severity in one machine. Causes share the machines, so a cause that a
check cannot feel reads as the healthy machine does, and is not solved again.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Callable, MutableMapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.catalogue import Catalogue, Cause, Test
from diagnose.circuit import KNOWN_GOOD, SUPPLIES, ordinary
from diagnose.kb.schema import PARAMETERS, Severity
from diagnose.physics.laws import Array
from diagnose.physics.network import Network, Settings, build, ends, move, typical, vary
from diagnose.physics.procedure import play, reach_rows
from diagnose.units import to_si

N_MACHINES = 24  # machines of a profile, and severities of a cause
SEED = 20_261_125

#: what of a check and its reading decides the solution
_SOLVED = {"set_up", "isolate", "procedure", "quantity", "at", "reach", "when", "signs"}

Memory = MutableMapping[str, Array]

_WRITES = {
    "leak": ("bore", "seep"),
    "block": ("open",),
    "unseat": ("seep", "bore", "open"),
    "feed": ("flow",),
    "misread": ("gain", "offset", "bias", "top"),
    "empty": ("fill",),
    "shift": ("keeps",),
}


@dataclass(frozen=True)
class Draws:
    """The random part of a table: how machines differ and how bad each cause is."""

    machines: Array  # (n_machines, n_columns) standard normal
    severities: Array  # (n_causes, n_machines) in 0..1


def draw(causes: Sequence[str], columns: Sequence[str], n_machines: int, seed: int) -> Draws:
    """Return stratified severities and machine variation, dealt to each cause and part by its name.

    So another cause or part in the knowledge leaves the draws of all the others as they were.
    """
    machines = [
        np.clip(_dealer(name, seed).standard_normal(n_machines), -2.5, 2.5) for name in columns
    ]
    severities = []
    for name in causes:
        rng = _dealer(name, seed)
        severities.append((rng.permutation(n_machines) + rng.uniform(size=n_machines)) / n_machines)
    return Draws(
        np.array(machines).reshape(len(columns), n_machines).T,
        np.array(severities).reshape(len(causes), n_machines),
    )


def _dealer(name: str, seed: int) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


@dataclass
class Bench:
    """The machines of a profile on the bench, ready to be set up for one check after the other."""

    network: Network
    ready: Settings
    causes: tuple[Cause, ...]
    draws: Draws

    @property
    def n(self) -> int:
        """Machines, and particles per cause."""
        return len(self.draws.machines)

    @cached_property
    def wiring(self) -> list[Any]:
        """What the network is made of, as plain data: another look or word does not change it."""
        circuit = self.network.circuit
        kinds = {
            name: kind.model_dump(mode="json", include={"elements", "positions"})
            for name, kind in circuit.kinds.items()
            if kind.elements
        }
        ready = [self.ready.value.tolist(), self.ready.spread.tolist()]
        return [kinds, sorted(circuit.spaces.items()), ready]

    @cached_property
    def touched(self) -> tuple[frozenset[tuple[str, str]], ...]:
        """The elements (component, element) that each cause's edits lie on."""
        names = {column: (own, e) for (own, e, _), column in self.network.column.items()}
        found = []
        for cause in self.causes:
            edits = fault_edits(self, cause, np.zeros(1))
            edits += stay_edits(self, cause)
            found.append(frozenset(names[column] for column, _ in edits))
        return tuple(found)


def set_bench(catalogue: Catalogue, n_machines: int = N_MACHINES, seed: int = SEED) -> Bench:
    """Return the bench of a machine profile."""
    network = build(catalogue.circuit)
    columns = [".".join(name) for name in network.column]
    draws = draw([cause.id for cause in catalogue.causes], columns, n_machines, seed)
    return Bench(network, typical(network), catalogue.causes, draws)


Edit = tuple[int, Array]


def severity_values(severity: Severity, parameter: str, share: Array) -> Array:
    """Return a severity at given shares of its range, in SI."""
    kind = PARAMETERS[parameter]
    low, high = (to_si(text, kind) for text in severity.range)
    if severity.spread == "log_uniform":
        return np.asarray(low * (high / low) ** share)
    return np.asarray(low + (high - low) * share)


def fault_edits(bench: Bench, cause: Cause, share: Array) -> list[Edit]:
    """Return the columns a cause's faults write and what they write, one value a machine."""
    edits: list[Edit] = []
    for effect in cause.fault.effect:
        for parameter in _WRITES.get(effect.do, ()):
            severity = getattr(effect, parameter)
            if severity is not None:
                column = bench.network.find(cause.component, str(effect.at), parameter)
                edits.append((column, severity_values(severity, parameter, share)))
    if cause.also is not None:
        edits += fault_edits(bench, cause.also, share[::-1])
    return edits


def stay_edits(bench: Bench, cause: Cause) -> list[Edit]:
    """Return what a slip writes that leaves a component in a position."""
    edits: list[Edit] = []
    for effect in cause.fault.effect:
        if effect.do == "stay":
            own = bench.ready.copy()
            part = effect.part or cause.component
            columns = move(bench.network, own, part, str(effect.position))
            rows = vary(own, bench.draws.machines)
            edits += [(column, rows[:, column]) for column in columns]
    if cause.also is not None:
        edits += stay_edits(bench, cause.also)
    return edits


def predict_quantity(bench: Bench, test: Test, memory: Memory | None = None) -> Array:
    """Return what a check would read for every particle, in SI; block 0 is the healthy machine.

    What is found in ``memory`` is not solved again; what is solved is put there.

    Returns
    -------
    array, shape (n_causes + 1, n_machines) or (n_causes + 1, n_machines, n_signs)
        The reading before any reading error; or the signs that a person judges by.
    """
    felt = _felt(bench, test)
    key = _name_solution(bench, test, felt) if memory is not None else ""
    solved = memory.get(key) if memory is not None else None
    if solved is None:
        solved = _solve(bench, test, felt)
    if memory is not None:
        memory[key] = solved
    found = np.repeat(solved[:1], len(bench.causes) + 1, axis=0)
    found[np.array(felt, dtype=int) + 1] = solved[1:]
    return found


def _name_solution(bench: Bench, test: Test, felt: Sequence[int]) -> str:
    """Return a digest of everything a check's solution depends on beside the code."""
    check = test.check.model_dump(mode="json", include=_SOLVED)
    reading = test.check.reading.model_dump(mode="json", include=_SOLVED)
    chosen = [bench.causes[index] for index in felt]
    causes = [
        (cause.id, cause.component, [e.model_dump(mode="json") for e in cause.fault.effect])
        for cause in chosen
    ]
    draws = bench.draws.machines.tobytes() + bench.draws.severities[list(felt)].tobytes()
    text = json.dumps([bench.wiring, test.it, check, reading, causes], sort_keys=True)
    return hashlib.sha256(text.encode() + draws).hexdigest()[:24]


def _felt(bench: Bench, test: Test) -> list[int]:
    """Return the causes whose edits lie on elements that a set-up can feel, each on its own."""
    rows, retable = _tables(bench, test, list(range(len(bench.causes))), one=True)
    found = reach_rows(bench.network, test.check, test.it, rows, retable)
    outside = np.zeros((1, found.shape[1]), dtype=bool)
    before, after = ends(bench.network)
    padded = np.concatenate([found, outside])
    near = padded[before] | padded[after]
    pieces = bench.network.pieces
    reads_oxygen = test.check.reading.quantity == "oxygen"
    names = {
        place: (piece.component, piece.name)
        for place, piece in enumerate(pieces)
        if reads_oxygen or piece.element.type != "cell"
    }
    return [
        index
        for index, touched in enumerate(bench.touched)
        if touched & {names.get(own) for own in np.flatnonzero(near[:, index + 1]).tolist()}
    ]


def _tables(
    bench: Bench, test: Test, chosen: list[int], *, one: bool = False
) -> tuple[Array, Callable[[dict[str, str]], Array]]:
    """Return parameter rows for the healthy machine and the chosen causes, and how to move on."""
    draws = bench.draws.machines[:1] if one else bench.draws.machines
    n = len(draws)
    settings = bench.ready.copy()
    for component, position in ordinary(bench.network.circuit, test.check, test.it).items():
        move(bench.network, settings, component, position)
    start = vary(settings, draws)
    rows = np.tile(start, (len(chosen) + 1, 1))

    def write(edits: Sequence[Edit], block: int) -> None:
        for column, values in edits:
            rows[block * n : (block + 1) * n, column] = values[:n]

    def write_faults() -> None:
        for block, index in enumerate(chosen, 1):
            share = np.ones(1) if one else bench.draws.severities[index]
            write(fault_edits(bench, bench.causes[index], share), block)

    for block, index in enumerate(chosen, 1):
        cause = bench.causes[index]
        write(stay_edits(bench, cause), block)
    write_faults()
    _isolate(bench, test, rows, settings, start, draws)

    def retable(moved: dict[str, str]) -> Array:
        for component, position in moved.items():
            columns = move(bench.network, settings, component, position)
            fresh = vary(settings, draws)
            for column in columns:
                rows[:, column] = np.tile(fresh[:, column], len(chosen) + 1)
        write_faults()
        return rows.copy()

    return rows, retable


def _isolate(
    bench: Bench, test: Test, rows: Array, settings: Settings, start: Array, draws: Array
) -> None:
    """Write the deliberate acts, which beat faults and slips."""
    blocks = len(rows) // len(draws)
    for name, how in test.check.isolate.items():
        component = name.replace("$it", test.it)
        if name == SUPPLIES:
            continue
        if how == KNOWN_GOOD:
            columns = [c for (own, _, _), c in bench.network.column.items() if own == component]
            rows[:, columns] = np.tile(start[:, columns], (blocks, 1))
            continue
        columns = move(bench.network, settings, component, how)
        fresh = vary(settings, draws)
        rows[:, columns] = np.tile(fresh[:, columns], (blocks, 1))


def _solve(bench: Bench, test: Test, chosen: list[int]) -> Array:
    rows, retable = _tables(bench, test, chosen)
    supplies = test.check.isolate.get(SUPPLIES) != "off"
    read = play(bench.network, test.check, test.it, rows.copy(), retable, supplies=supplies)
    return read.reshape(len(chosen) + 1, bench.n, *read.shape[1:])
