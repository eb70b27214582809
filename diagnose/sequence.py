"""Orders of tests and repairs on plain numbers: closed forms and exact plans.

These are the planner's measures. They know no machine, so published worked examples test them.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from diagnose.physics.laws import Array


def repair_cost(chances: Array, costs: Array, service: Array | float) -> tuple[Array, Array, Array]:
    """Return the least expected cost of trying remedies in the best order, service called last.

    Order by chance over cost (Kadane and Simon 1977); stop where going on is dearest to add (Lin
    2014). All rows at once.

    Parameters
    ----------
    chances : array, shape (n_rows, n_remedies)
        Chance that each remedy, and only it, ends the trouble [-].
    costs : array, shape (n_remedies,)
        Cost of each try [min].
    service : array, shape (n_rows,), or float
        Cost of calling for service [min].

    Returns
    -------
    cost, tries, time : array, shape (n_rows,)
        Least expected cost [min], how many remedies are tried before the call [-], and the
        expected time spent on tries [min].

    Examples
    --------
    The call-service table with S = 12: doing all four is best, 11.10, though one step alone looks
    worse.

    >>> p, c = np.array([[0.45, 0.30, 0.20, 0.05]]), np.array([10.0, 4.0, 3.0, 1.0])
    >>> cost, tries, _ = repair_cost(p, c, 12.0)
    >>> round(float(cost[0]), 2), int(tries[0])
    (11.1, 4)
    """
    order = np.argsort(-chances / costs, axis=1, kind="stable")
    ranked = np.take_along_axis(chances, order, axis=1)
    paid = costs[order]
    done = np.cumsum(ranked, axis=1)
    before = np.concatenate([np.zeros((len(chances), 1)), done], axis=1)
    open_ = np.maximum(1 - before, 0.0)
    spent = np.concatenate(
        [np.zeros((len(chances), 1)), np.cumsum(paid * open_[:, :-1], axis=1)], axis=1
    )
    total = spent + np.asarray(service).reshape(-1, 1) * open_
    best = total.argmin(axis=1)
    row = np.arange(len(chances))
    return total[row, best], best, spent[row, best]


def order_cost(chances: Sequence[float], costs: Sequence[float]) -> float:
    """Return the expected cost of trying remedies in the order given, until one ends the trouble.

    >>> round(order_cost([0.30, 0.20, 0.45, 0.05], [4, 3, 10, 1]), 2)
    11.1
    """
    open_, total = 1.0, 0.0
    for chance, cost in zip(chances, costs, strict=True):
        total += cost * open_
        open_ -= chance
    return total


def search_places(chances: Array) -> Array:
    """Return how many wrong places are searched on average, going down the list of causes.

    >>> round(float(search_places(np.array([[0.5, 0.3, 0.2]]))[0]), 2)
    0.7
    """
    ranked = -np.sort(-chances, axis=1)
    return np.asarray(ranked @ np.arange(ranked.shape[1]))


def exact_plan(
    chances: Sequence[float], costs: Sequence[float], outcomes: Sequence[Sequence[int]]
) -> tuple[float, int]:
    """Return the least expected cost of telling states apart with sure tests, and the first test.

    Parameters
    ----------
    chances : sequence of float, length n_states
        Chance of each state [-].
    costs : sequence of float, length n_tests
        Cost of each test [min].
    outcomes : sequence, shape (n_states, n_tests)
        What each test shows in each state.

    Returns
    -------
    cost, first : float, int
        Expected cost [min], and the test to begin with (-1 if none splits the states).

    Examples
    --------
    Six states and five tests of the test-sequencing literature: 2.18 tests, beginning with the
    second.

    >>> rows = [[0,0,0,0,0],[0,1,0,0,1],[0,0,1,1,0],[1,0,0,1,1],[1,1,0,0,0],[1,1,1,1,0]]
    >>> cost, first = exact_plan([.70,.01,.02,.10,.05,.12], [1]*5, rows)
    >>> round(cost, 2), first + 1
    (2.18, 2)
    """

    @cache
    def best(group: tuple[int, ...]) -> tuple[float, int]:
        mass = sum(chances[state] for state in group)
        found = (0.0, -1) if len(group) < 2 else (np.inf, -1)
        for test, cost in enumerate(costs):
            parts = _split(group, test, outcomes)
            if len(parts) > 1:
                total = cost * mass + sum(best(part)[0] for part in parts)
                found = min(found, (total, test))
        return found if np.isfinite(found[0]) else (0.0, -1)

    return best(tuple(range(len(chances))))


def _split(
    group: tuple[int, ...], test: int, outcomes: Sequence[Sequence[int]]
) -> list[tuple[int, ...]]:
    parts: dict[int, list[int]] = {}
    for state in group:
        parts.setdefault(outcomes[state][test], []).append(state)
    return [tuple(part) for part in parts.values()]


def entropy(chances: Array, axis: int = -1) -> Array:
    """Return the entropy along an axis [bit].

    >>> float(entropy(np.array([0.5, 0.5])))
    1.0
    """
    return np.asarray(-(chances * np.log2(np.where(chances > 0, chances, 1.0))).sum(axis=axis))


def gain(prior: Array, likelihood: Array) -> float:
    """Return the information a test is expected to give [bit].

    Parameters
    ----------
    prior : array, shape (n_causes,)
        Chances [-].
    likelihood : array, shape (n_causes, n_outcomes)
        P(outcome | cause) [-].

    Examples
    --------
    >>> t1 = np.array([.95, .90, .10, .10])
    >>> round(gain(np.array([.5, .25, .15, .10]), np.stack([t1, 1 - t1], -1)), 5)
    0.47085
    """
    return float(entropy(prior @ likelihood) - prior @ entropy(likelihood))
