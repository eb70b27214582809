"""Two causes at once: what they show together, from what each shows alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue
from diagnose.chances import band_chances
from diagnose.likelihood import TINY, Again, Group, density, is_beyond, log_likelihood
from diagnose.physics.laws import Array
from diagnose.predict import Table

PAIR_PARTICLES = 8  # machines a pair is judged on
PAIRS = 231  # pairs that are weighed


def choose_pairs(
    prior: Array,
    means: list[Array],
    groups: tuple[Group, ...],
    fixed: NDArray[np.int64],
    relevant: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Return the pairs worth weighing, (n_pairs, 2): the likeliest if the better of both explains.

    Every pair of relevant causes is looked at, each reading taken to be as likely as with the one
    of the two that makes it likelier. What this leaves out was measured: docs/limits.md.
    """
    blocks = np.flatnonzero(relevant)
    if len(blocks) < 2 or not groups:
        return np.zeros((0, 2), dtype=np.int64)
    score = np.add.outer(np.log(prior[blocks] + TINY), np.log(prior[blocks] + TINY))
    for group, own in zip(groups, means, strict=True):
        here = np.where(group.remedies >= fixed[blocks], own[0], own[blocks])
        log = np.log(here + TINY)
        score += np.maximum.outer(log, log)
    a, b = np.triu_indices(len(blocks), 1)
    value = score[a, b]
    best = np.sort(np.argsort(-value, kind="stable")[:PAIRS])
    return np.stack([blocks[a[best]], blocks[b[best]]], axis=1)


def weigh_pairs(
    catalogue: Catalogue,
    table: Table,
    groups: tuple[Group, ...],
    fixed: NDArray[np.int64],
    prior: Array,
    chosen: NDArray[np.int64],
    again: tuple[Again | None, ...],
) -> tuple[tuple[tuple[int, int], ...], Array]:
    """Return the chosen pairs of causes, and the log of prior times likelihood of each."""
    if not len(chosen) or not groups:
        return (), np.zeros(0)
    a, b = chosen.T
    pairs = tuple(zip(a.tolist(), b.tolist(), strict=True))
    total = np.zeros((len(pairs), len(range(0, table.n, max(1, table.n // PAIR_PARTICLES)))))
    for group, known in zip(groups, again, strict=True):
        here = [np.where(group.remedies >= fixed[side], 0, side) for side in (a, b)]
        own = _pair_likelihood(catalogue, table, group, *here)
        if known is not None:
            own = known.weigh(own, (known.shows[here[0]] | known.shows[here[1]])[:, None])
        total += own
    top = total.max(axis=1)
    mean = top + np.log(np.exp(total - top[:, None]).mean(axis=1))
    return pairs, np.log(prior[a] * prior[b] / prior[0] + TINY) + mean


def _pair_likelihood(
    catalogue: Catalogue, table: Table, group: Group, a: NDArray[np.int64], b: NDArray[np.int64]
) -> Array:
    """Return the log likelihood of a group of readings with two causes present, (n_pairs, n).

    Where only one of the two can be felt, it reads as that one does; only the rest is combined.
    """
    stride = max(1, table.n // PAIR_PARTICLES)
    log = log_likelihood(catalogue, table, group.test, group.readings[-1]).reshape(-1, table.n)[
        :, ::stride
    ]
    felt_a, felt_b = table.felt[a, group.test], table.felt[b, group.test]
    found = np.where(felt_a[:, None], log[a], log[b]).astype(float)
    both = np.flatnonzero(felt_a & felt_b)
    if len(both):
        found[both] = _both(catalogue, table, group, a[both], b[both], stride)
    return found


def _both(
    catalogue: Catalogue,
    table: Table,
    group: Group,
    a: NDArray[np.int64],
    b: NDArray[np.int64],
    stride: int,
) -> Array:
    test, reading = catalogue.tests[group.test], group.readings[-1]
    told: NDArray[np.bool_] = np.isnan(table.quantity[:: table.n, group.test])
    seen = told[a] | told[b]
    if seen.any() and not seen.all():
        found = np.zeros((len(a), -(-table.n // stride)))
        for part in (seen, ~seen):
            found[part] = _both(catalogue, table, group, a[part], b[part], stride)
        return found
    is_band = test.check.reading.outcomes[reading.outcome].is_band
    if seen.all() or not is_band:
        columns = table.columns(group.test)
        prob = table.prob.reshape(-1, table.n, table.prob.shape[1])[:, 0, columns]
        largest = np.maximum(prob[a], prob[b])
        own = largest[:, test.outcomes.index(reading.outcome)] / largest.sum(axis=1)
        return np.asarray(np.log(own + TINY))[:, None]
    shown = table.shown[group.test].reshape(-1, table.n)[:, ::stride].astype(float)
    spreads = table.spreads[group.test].reshape(-1, table.n)[:, ::stride].astype(float)
    value = combine(str(test.check.reading.quantity), shown[a], shown[b], shown[:1])
    error = np.maximum(spreads[a], spreads[b])
    if reading.number_si is not None and not is_beyond(test, reading.number_si):
        return np.asarray(np.log(density(test, reading, value, error) + TINY))
    chances = band_chances(test.check.reading, value, error, test.check.misread)
    return np.asarray(np.log(chances[..., test.outcomes.index(reading.outcome)] + TINY))


def combine(quantity: str, one: Array, two: Array, none: Array) -> Array:
    """Return what two causes together would show, from what each shows alone.

    Leak flows add; so pressures in a hold multiply (each leak takes its share of what is left), and
    rates of filling add. Measured against solving the pair: docs/limits.md.

    Parameters
    ----------
    quantity : str
        ``pressure``, ``flow``, ``time``, ``volume`` or ``oxygen``.
    one, two, none : array
        The reading with the first, the second, neither, in SI [Pa, m^3/s, s, m^3].

    Returns
    -------
    array
        The reading with both, in SI.

    Examples
    --------
    Two leaks that each let 30 cmH2O fall to 15 together let it fall to 7.5:

    >>> half = np.array(15.0)
    >>> float(combine("pressure", half, half, np.array(30.0)))
    7.5
    """
    added = one + two - none
    if quantity == "time":
        rate = 1 / np.maximum(one, 1e-3) + 1 / np.maximum(two, 1e-3) - 1 / np.maximum(none, 1e-3)
        return np.asarray(1 / np.maximum(rate, 1e-3))
    if quantity == "pressure":
        falls = (none > 0) & (one >= 0) & (two >= 0) & (one <= none) & (two <= none)
        return np.asarray(np.where(falls, one * two / np.where(none > 0, none, 1.0), added))
    return np.asarray(added)
