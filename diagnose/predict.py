"""The likelihood table of a machine profile: P(outcome | particle) for every check, compiled once.

Numbers keep their likelihood: every particle also carries the quantity it would show, so that a
leak's size, seen once, must fit every later reading.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue, Test, sightings
from diagnose.chances import band_chances, judge, near, reading_error, usual
from diagnose.circuit import suspects
from diagnose.particles import (
    N_MACHINES,
    SEED,
    Bench,
    Memory,
    fault_edits,
    predict_quantity,
    set_bench,
)
from diagnose.physics.laws import P_SEEP, Array, hole_coefficient

Float32 = NDArray[np.float32]
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Table:
    """Everything the ranking needs to know of a machine, as arrays.

    ``prob`` has one row per particle (block 0 is the healthy machine) and one column per outcome of
    each test; ``quantity`` and ``error`` hold the number each particle would show, in SI, and how
    far a reading may lie from it; ``tested`` says which components a test puts to the test.
    """

    machine_id: str
    version: str
    causes: tuple[str, ...]
    tests: tuple[str, ...]
    first: tuple[int, ...]  # first outcome column of each test; one more at the end
    n: int
    prob: Float32 = field(repr=False)  # (n_particles, n_outcomes)
    quantity: Float32 = field(repr=False)  # (n_particles, n_tests)
    error: Float32 = field(repr=False)  # (n_particles, n_tests)
    leak: Float32 = field(repr=False)  # (n_particles,) flow at 30 cmH2O [m^3/s], nan for no leak

    @cached_property
    def index(self) -> dict[str, int]:
        """Test id -> place."""
        return {test: i for i, test in enumerate(self.tests)}

    @cached_property
    def log_prob(self) -> Float32:
        """Log chance of every outcome, one outcome a row, (n_outcomes, n_particles)."""
        return np.asarray(np.log(np.ascontiguousarray(self.prob.T) + np.float32(1e-9)))

    @cached_property
    def mean_prob(self) -> NDArray[np.float64]:
        """Chance of every outcome, severities averaged, (n_outcomes, n_blocks)."""
        blocks = self.prob.reshape(len(self.causes), self.n, -1)
        return np.ascontiguousarray(blocks.mean(axis=1, dtype=float).T + 1e-9)

    @cached_property
    def shown(self) -> Float32:
        """Predicted quantity in the usual machine, one test a row, (n_tests, n_particles)."""
        blocks = self.quantity.T.reshape(len(self.tests), len(self.causes), self.n)
        return np.ascontiguousarray(usual(blocks).reshape(len(self.tests), -1))

    @cached_property
    def spreads(self) -> Float32:
        """Error of a reading, one test a row, (n_tests, n_particles)."""
        return np.ascontiguousarray(self.error.T)

    @cached_property
    def felt(self) -> NDArray[np.bool_]:
        """Whether a test reads a cause otherwise than the healthy machine, (n_blocks, n_tests)."""
        blocks = self.prob.reshape(len(self.causes), self.n, -1)
        differs = np.abs(blocks - blocks[0]).max(axis=1) > 1e-6
        return np.stack(
            [differs[:, self.columns(t)].any(axis=1) for t in range(len(self.tests))], axis=1
        )

    def columns(self, test: int) -> slice:
        """Return the outcome columns of a test."""
        return slice(self.first[test], self.first[test + 1])

    def block(self, cause: int) -> slice:
        """Return the particles of a cause; block 0 is the healthy machine."""
        return slice(cause * self.n, (cause + 1) * self.n)


def compile_table(
    catalogue: Catalogue,
    version: str,
    *,
    n_machines: int = N_MACHINES,
    seed: int = SEED,
    progress: Progress | None = None,
    memory: Memory | None = None,
) -> Table:
    """Return the likelihood table of a machine profile.

    Parameters
    ----------
    catalogue : Catalogue
        The machine's causes and tests.
    version : str
        Digest of the knowledge it is compiled from.
    n_machines : int
        Machines drawn from the profile, and severities of each cause.
    seed : int
        Of the draw; another seed draws other machines and severities.
    progress : callable, optional
        Told (done, all, test id) before each test.
    memory : dict, optional
        Solutions of an earlier compilation, by digest; those used are left in it.

    Returns
    -------
    Table
        Likelihoods of every outcome of every test.
    """
    bench = set_bench(catalogue, n_machines, seed)
    parts, quantities, errors = [], [], []
    for done, test in enumerate(catalogue.tests):
        if progress:
            progress(done, len(catalogue.tests), test.id)
        prob, quantity, error = predict_test(catalogue, bench, test, memory)
        parts.append(prob)
        quantities.append(quantity)
        errors.append(error)
    first = np.concatenate([[0], np.cumsum([part.shape[1] for part in parts])])
    return Table(
        machine_id=catalogue.circuit.machine_id,
        version=version,
        causes=tuple(catalogue.cause_index),
        tests=tuple(catalogue.test_index),
        first=tuple(int(i) for i in first),
        n=n_machines,
        prob=np.concatenate(parts, axis=1).astype(np.float32),
        quantity=np.stack(quantities, axis=1).astype(np.float32),
        error=np.stack(errors, axis=1).astype(np.float32),
        leak=leak_sizes(bench).reshape(-1).astype(np.float32),
    )


def predict_test(
    catalogue: Catalogue, bench: Bench, test: Test, memory: Memory | None = None
) -> tuple[Array, Array, Array]:
    """Return outcome chances, quantity and error of one test, for every particle."""
    blocks = len(catalogue.causes) + 1
    if not test.check.procedure:
        prob = observe(catalogue, test)
        nothing = np.full(blocks * bench.n, np.nan)
        return np.repeat(prob, bench.n, axis=0), nothing, nothing
    quantity = predict_quantity(bench, test, memory)
    if test.check.reading.signs:
        prob = judge(test, np.moveaxis(quantity, -1, 0)).reshape(blocks, bench.n, -1)
        return _tell(catalogue, test, prob, np.full((2, blocks, bench.n), np.nan))
    shown = usual(quantity)
    error = np.hypot(reading_error(test.check.reading, shown), near(shown)).reshape(-1)
    differ = quantity[0] - np.median(quantity[0])
    each = [
        band_chances(test.check.reading, shown.reshape(-1) + own, error, test.check.misread)
        for own in differ
    ]
    prob = np.mean(each, axis=0).reshape(blocks, bench.n, -1)
    error = np.hypot(error, differ.std()).reshape(blocks, bench.n)
    return _tell(catalogue, test, prob, np.stack([quantity, error]))


def _tell(
    catalogue: Catalogue, test: Test, prob: Array, numbers: Array
) -> tuple[Array, Array, Array]:
    """Return chances, quantity and error with what is stated written over what is calculated."""
    for row, told in enumerate(stated_rows(catalogue, test)):
        if told is not None:
            prob[row] = told + (1 - told.sum()) * prob[row]
            if told[np.array(test.bands)].any():
                numbers[:, row] = np.nan  # what is stated has no number behind it
    quantity, error = numbers.reshape(2, -1)
    return prob.reshape(len(quantity), -1), quantity, error


def stated_rows(catalogue: Catalogue, test: Test) -> list[Array | None]:
    """Return what is stated of the outcomes of a calculated check, healthy first; None for nothing.

    An outcome without a band is seen instead of a number, such as a dead display; and a cause that
    the physics does not know may state how often it shows as which outcome.
    """
    words = {name: test.check.reading.otherwise.get(name, 0.0) for name in test.outcomes}
    found: list[Array | None] = []
    for seen in [{}, *(sightings(cause, test) for cause in catalogue.causes)]:
        own = np.array([seen.get(name, usual_) for name, usual_ in words.items()])
        found.append((1 - test.check.misread) * own if own.any() else None)
    return found


def words_shown(test: Test, chances: Array, quantity: float) -> Array:
    """Return the chances of what a calculated check shows in place of a number, (n_outcomes,).

    All of them where there is no number behind the check; else only those without a band.
    """
    if np.isnan(quantity):
        return np.asarray(chances)
    return np.where(test.bands, 0.0, chances)


def observe(catalogue: Catalogue, test: Test) -> Array:
    """Return the stated chances of an observation, one row per cause, healthy first."""
    outcomes = test.outcomes
    usual = np.array([test.check.reading.otherwise.get(name, 0.0) for name in outcomes])
    rows = np.tile(usual, (len(catalogue.causes) + 1, 1))
    for row, cause in enumerate(catalogue.causes, 1):
        if seen := sightings(cause, test):
            told = np.array([seen.get(name, 0.0) for name in outcomes])
            rest = np.where([name in seen for name in outcomes], 0.0, usual)
            left = max(0.0, 1.0 - told.sum())
            rows[row] = told + (left * rest / rest.sum() if rest.sum() > 0 else 0.0)
    rows = rows / rows.sum(axis=1, keepdims=True)
    return np.asarray((1 - test.check.misread) * rows + test.check.misread / len(outcomes))


def leak_sizes(bench: Bench) -> Array:
    """Return each particle's leak at 30 cmH2O [m^3/s]; nan where the cause is no leak."""
    found = np.full((len(bench.causes) + 1, bench.n), np.nan)
    names = {column: name for name, column in bench.network.column.items()}
    for row, cause in enumerate(bench.causes, 1):
        if not any(effect.do in ("leak", "unseat") for effect in cause.fault.effect):
            continue
        total = np.zeros(bench.n)
        for column, values in fault_edits(bench, cause, bench.draws.severities[row - 1]):
            if names[column][2] == "bore":
                total += hole_coefficient(values) * np.sqrt(P_SEEP)
            elif names[column][2] == "seep":
                total += values
        found[row] = total
    return found


def tested_components(catalogue: Catalogue) -> dict[str, frozenset[str]]:
    """Return for each test the components that the graph says it puts to the test.

    Beside those stand the components whose causes say that they are seen at the test.
    """
    found = {}
    for test in catalogue.tests:
        if test.check.procedure:
            parts = suspects(catalogue.circuit, test.check, test.it)
            found[test.id] = frozenset([*parts, *_shown(catalogue, test)])
        else:
            found[test.id] = frozenset(_shown(catalogue, test))
    return found


def _shown(catalogue: Catalogue, test: Test) -> Sequence[str]:
    return [cause.component for cause in catalogue.causes if sightings(cause, test)]
