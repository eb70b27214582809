"""Which causes can be told apart at all on a machine, and by which check."""

from __future__ import annotations

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


def differences(table: Table) -> Array:
    """Return for every test how differently two causes read, (n_tests, n_blocks, n_blocks).

    The measure is the total variation distance of their outcome chances: 0 alike, 1 never confused.
    """
    chances = mean_chances(table)
    found = np.zeros((len(table.tests), len(chances), len(chances)))
    for test in range(len(table.tests)):
        own = chances[:, table.columns(test)]
        found[test] = 0.5 * np.abs(own[:, None, :] - own[None, :, :]).sum(axis=-1)
    return found


def find_groups(catalogue: Catalogue, table: Table) -> list[AmbiguityGroup]:
    """Return the ambiguity groups of a machine: causes joined by pairs that no check tells apart.

    Causes that the same remedy puts right are still named apart: biomed wants the cause.
    """
    apart = differences(table)
    apart = apart[[test.check.by == "user" for test in catalogue.tests]]
    best = apart.max(axis=0)
    graph = nx.Graph()
    blocks = range(1, len(table.causes))
    graph.add_nodes_from(blocks)
    graph.add_edges_from((a, b) for a in blocks for b in blocks if a < b and best[a, b] < TELLS)
    names = [test.id for test in catalogue.tests if test.check.by == "user"]
    found = []
    for group in nx.connected_components(graph):
        if len(group) > 1:
            found.append(_describe(table, sorted(group), apart, names))
    return sorted(found, key=lambda group: group.causes)


def _describe(table: Table, group: list[int], apart: Array, names: list[str]) -> AmbiguityGroup:
    inside = apart[:, group][:, :, group].max(axis=(1, 2))
    test = int(inside.argmax())
    return AmbiguityGroup(tuple(table.causes[b] for b in group), names[test], float(inside[test]))
