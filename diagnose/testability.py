"""Which causes can be told apart at all on a machine, and by which check."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import networkx as nx
import numpy as np

from diagnose.catalogue import Catalogue
from diagnose.physics.laws import Array
from diagnose.predict import Table

TELLS = 0.5  # difference of outcome chances from which a check tells two causes apart [-]


@dataclass(frozen=True)
class AmbiguityGroup:
    """Causes that no check tells apart, and the check that comes nearest to splitting them."""

    causes: tuple[str, ...]
    best_check: str
    best_difference: float


def mean_chances(table: Table) -> Array:
    """Return the chance of outcomes by cause, severities averaged, (n_blocks, n_outcomes)."""
    return np.asarray(table.prob.reshape(len(table.causes), table.n, -1).mean(axis=1, dtype=float))


def difference(table: Table, chances: Array, test: int) -> Array:
    """Return how differently every two causes read at a test, (n_blocks, n_blocks) [-].

    The measure is the total variation distance of their outcome chances: 0 alike, 1 never confused.

    Parameters
    ----------
    table : Table
        The machine's.
    chances : array, shape (n_blocks, n_outcomes)
        Chances of all outcomes for the causes that are compared [-].
    test : int
        Place of the test.
    """
    own = chances[:, table.columns(test)]
    found = np.zeros((len(own), len(own)))
    for outcome in own.T:
        found += np.abs(outcome[:, None] - outcome[None, :])
    return found / 2


def best_difference(table: Table, chances: Array, tests: Iterable[int]) -> Array:
    """Return how well the best of some tests tells every two causes apart, as ``difference``."""
    best = np.zeros((len(chances), len(chances)))
    for test in tests:  # one at a time: all together would fill hundreds of megabytes
        np.maximum(best, difference(table, chances, test), out=best)
    return best


def find_groups(catalogue: Catalogue, table: Table) -> list[AmbiguityGroup]:
    """Return the ambiguity groups of a machine, each with the user's check that comes nearest.

    Causes that the same remedy puts right are still named apart: biomed wants the cause.
    """
    chances, tests = mean_chances(table), _users_tests(catalogue)
    return [_describe(table, chances, group, tests) for group in join_alike(catalogue, table)]


def join_alike(catalogue: Catalogue, table: Table) -> list[list[int]]:
    """Return blocks of causes joined by pairs that no user's check tells apart, by name."""
    best = best_difference(table, mean_chances(table), _users_tests(catalogue))
    graph = nx.Graph()
    blocks = range(1, len(table.causes))
    graph.add_nodes_from(blocks)
    graph.add_edges_from((a, b) for a in blocks for b in blocks if a < b and best[a, b] < TELLS)
    groups = [sorted(group) for group in nx.connected_components(graph) if len(group) > 1]
    return sorted(groups, key=lambda group: [table.causes[block] for block in group])


def _users_tests(catalogue: Catalogue) -> list[int]:
    return [i for i, test in enumerate(catalogue.tests) if test.check.by == "user"]


def _describe(
    table: Table, chances: Array, group: list[int], tests: Sequence[int]
) -> AmbiguityGroup:
    inside = [float(difference(table, chances[group], test).max()) for test in tests]
    best = int(np.argmax(inside))
    names = tuple(table.causes[block] for block in group)
    return AmbiguityGroup(names, table.tests[tests[best]], inside[best])
