"""The ranking: how likely is each cause, given everything that was read.

A hypothesis is a particle: one cause at one severity in one machine. The chance of a cause is the
sum over its particles of prior times the product of likelihoods, so tests are correlated through
severity as in life. Beside the single causes stand nothing wrong, two at once, and something else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import HEALTHY, Catalogue, Cause, Test
from diagnose.model import SOMETHING_ELSE, Reading, Remedied, WorkUp
from diagnose.physics.laws import Array
from diagnose.predict import Table, band_chances
from diagnose.readings import bands, find_band, verdict

ELSE_PRIOR = 0.004  # chance of a cause outside the knowledge at a checkout; judgement [-]
ELSE_VISIBLE = 0.3  # share of unknown causes that show in looks; judgement [-]
BOTCHED = 0.03  # chance that a remedy was done and did not put its cause right; judgement [-]
EXCLUDED = 0.05  # what a rule's exclusion leaves of a cause's chance; judgement [-]
RELEVANT = 2.0  # how much likelier than on the healthy machine a failed reading must be
PAIR_POOL = 22  # causes that may stand in a pair
PAIR_PARTICLES = 8  # machines a pair is judged on
BEYOND = 1.5  # times the inner edge of an open band
TINY = 1e-12


@dataclass(frozen=True)
class Group:
    """Readings of one test with nothing put right between them: they share their error."""

    test: int
    remedies: int  # how many remedies had been done
    readings: tuple[Reading, ...]


@dataclass(frozen=True)
class Ranking:
    """The posterior, by block of the table and by pair."""

    chance: Array  # (n_blocks,) single causes; block 0 is nothing wrong
    something_else: float
    pairs: tuple[tuple[int, int], ...]
    pair_chance: Array  # (n_pairs,)
    weight: Array = field(repr=False)  # (n_particles,) posterior of each particle
    left: Array = field(repr=False)  # (n_blocks,) chance that the cause is still there
    pair_left: Array = field(repr=False)
    groups: tuple[Group, ...] = field(repr=False)
    relevant: NDArray[np.bool_] = field(repr=False)  # (n_blocks,) could explain a failed reading
    surprise: float = 0.0  # log10 of how much better "something else" predicted the readings

    @property
    def remaining(self) -> float:
        """Chance that something which could explain a failed reading is still wrong with the machine.

        What no failed reading points at has its usual chance, and is left to the rest of the checkout.
        """
        return float(self.left[self.relevant].sum() + self.pair_left.sum() + self.something_else)


def prior_of(catalogue: Catalogue, rates: dict[str, float] | None = None) -> Array:
    """Return the chance of each block before any reading, nothing wrong first.

    Parameters
    ----------
    catalogue : Catalogue
        The machine's causes.
    rates : dict, optional
        Chance per checkout by cause id, in place of the knowledge's.

    Returns
    -------
    array, shape (n_blocks,)
        Priors; they sum to one with the prior of something else [-].
    """
    own = np.array([(rates or {}).get(cause.id, cause.fault.how_often.per_10000 / 1e4) for cause in catalogue.causes])
    return np.concatenate([[max(0.05, 1 - own.sum() - ELSE_PRIOR)], own])


def group_readings(catalogue: Catalogue, work: WorkUp) -> tuple[Group, ...]:
    """Return the readings that say something, repeats together."""
    found: dict[tuple[int, int], list[Reading]] = {}
    remedies = 0
    for entry in work.entries:
        if isinstance(entry, Remedied):
            remedies += 1
        elif entry.is_answer:
            found.setdefault((catalogue.test_index[entry.test], remedies), []).append(entry)
    return tuple(Group(test, count, tuple(readings)) for (test, count), readings in found.items())


def is_fixed_by(cause: Cause, remedy: Remedied) -> bool:
    """Tell whether a remedy puts a cause right: same act on the same component, or a new part."""
    same = cause.component == remedy.component
    return same and remedy.act in (cause.fault.remedy.act, "replace")


def fixed_at(catalogue: Catalogue, work: WorkUp) -> NDArray[np.int64]:
    """Return for each block after how many remedies its cause is put right; a large number for never."""
    never = len(work.remedies) + 1
    found = np.full(len(catalogue.causes) + 1, never)
    for number, remedy in reversed(list(enumerate(work.remedies, 1))):
        for block, cause in enumerate(catalogue.causes, 1):
            if is_fixed_by(cause, remedy):
                found[block] = number
    return found


def likelihood(catalogue: Catalogue, table: Table, test: int, reading: Reading) -> Array:
    """Return how likely each particle makes a reading, (n_particles,)."""
    own = catalogue.tests[test]
    column = table.first[test] + own.outcomes.index(reading.outcome)
    stated = table.prob[:, column].astype(float)
    if reading.number_si is None or not own.check.procedure or _is_beyond(own, reading.number_si):
        return stated
    return _density(own, reading, table.quantity[:, test].astype(float), table.error[:, test].astype(float))


def _density(test: Test, reading: Reading, quantity: Array, error: Array) -> Array:
    """Return the likelihood of a number: normal about what is predicted, broad for a mistake."""
    width = np.array([_width(test, *limits) for limits in bands(test.check.reading)])
    share = test.outcomes.index(find_band(test, float(reading.number_si or 0.0)))
    broad = 1 / (len(width) * width[share])
    z = (float(reading.number_si or 0.0) - quantity) / error
    peak = np.exp(-0.5 * np.minimum(z * z, 200.0)) / (np.sqrt(2 * np.pi) * error)
    misread = test.check.misread
    return np.asarray(((1 - misread) * peak + misread * broad) * width[share])


def _is_beyond(test: Test, number: float) -> bool:
    """Tell whether a number lies so far up an open band that only the band itself says anything."""
    low, high = bands(test.check.reading)[test.outcomes.index(find_band(test, number))]
    return not np.isfinite(high) and number > BEYOND * abs(low)


def _width(test: Test, low: float, high: float) -> float:
    """Return a band's width; an open band is as wide as the widest closed one or its inner edge."""
    if np.isfinite(low) and np.isfinite(high):
        return high - low
    edges = [abs(edge) for pair in bands(test.check.reading) for edge in pair if np.isfinite(edge)]
    return max(edges) if edges else 1.0


def broad_likelihood(catalogue: Catalogue, table: Table, test: int, reading: Reading) -> float:
    """Return how likely a cause outside the knowledge makes a reading."""
    own = catalogue.tests[test]
    uniform = 1 / len(own.outcomes)
    if own.check.procedure:
        return uniform
    usual = float(table.prob[0, table.first[test] + own.outcomes.index(reading.outcome)])
    return ELSE_VISIBLE * uniform + (1 - ELSE_VISIBLE) * usual


@dataclass
class Evidence:
    """Log likelihoods of all particles, apart for cause still there and cause put right."""

    there: Array  # (n_particles,)
    gone: Array  # (n_particles,)
    other: float


def weigh(catalogue: Catalogue, table: Table, groups: tuple[Group, ...], fixed: NDArray[np.int64]) -> Evidence:
    """Return the log likelihood of every reading group, per particle."""
    blocks, n = len(table.causes), table.n
    shows = np.array([1.0] + [cause.fault.intermittent for cause in catalogue.causes])
    fitful = np.repeat(shows < 1.0, n)
    share = np.repeat(shows, n)
    evidence = Evidence(np.zeros(blocks * n), np.zeros(blocks * n), 0.0)
    for group in groups:
        steady, each = np.zeros(blocks * n), np.zeros(blocks * n)
        for reading in group.readings:
            own = likelihood(catalogue, table, group.test, reading)
            healthy = np.tile(own[:n], blocks)
            steady += np.log(own + TINY) / len(group.readings)
            each += np.log(share * own + (1 - share) * healthy + TINY)
            evidence.other += np.log(broad_likelihood(catalogue, table, group.test, reading)) / len(group.readings)
        there = np.where(fitful, each, steady)
        evidence.there += there
        is_gone = np.repeat(group.remedies >= fixed, n)
        evidence.gone += np.where(is_gone, np.tile(steady[:n], blocks), there)
    return evidence


def rank(catalogue: Catalogue, table: Table, work: WorkUp, excluded: frozenset[str] = frozenset(),
         rates: dict[str, float] | None = None) -> Ranking:  # fmt: skip
    """Return the posterior over everything that could be wrong.

    Parameters
    ----------
    catalogue, table : Catalogue, Table
        The machine.
    work : WorkUp
        Readings and remedies so far.
    excluded : frozenset of str
        Fault ids that a rule excludes.
    rates : dict, optional
        Chance per checkout by cause id, in place of the knowledge's.

    Returns
    -------
    Ranking
        Chances that sum to one.
    """
    groups = group_readings(catalogue, work)
    fixed = fixed_at(catalogue, work)
    prior = prior_of(catalogue, rates)
    for block, cause in enumerate(catalogue.causes, 1):
        if cause.fault_id in excluded:
            prior[block] *= EXCLUDED
    evidence = weigh(catalogue, table, groups, fixed)
    n = table.n
    own = np.log(np.repeat(prior, n) / n + TINY)
    was_fixed = np.repeat(fixed <= len(work.remedies), n)
    gone = own + evidence.gone + np.where(was_fixed, np.log(1 - BOTCHED), 0.0)
    there = np.where(was_fixed, own + evidence.there + np.log(BOTCHED), -np.inf)
    pairs, pair_log, pair_left = _rank_pairs(catalogue, table, groups, fixed, prior, evidence)
    other = float(np.log(ELSE_PRIOR) + evidence.other)
    top = max(float(gone.max()), float(there.max()), other, float(pair_log.max(initial=-np.inf)))
    gone_w, there_w = np.exp(gone - top), np.exp(there - top)
    pair_w, other_w = np.exp(pair_log - top), float(np.exp(other - top))
    total = gone_w.sum() + there_w.sum() + pair_w.sum() + other_w
    weight = (gone_w + there_w) / total
    chance = weight.reshape(-1, n).sum(axis=1)
    left = np.where(was_fixed, there_w, gone_w).reshape(-1, n).sum(axis=1) / total
    best = float(np.log((gone_w + there_w).sum() / np.repeat(prior, n).sum() * n + TINY)) + top
    relevant = find_relevant(catalogue, table, groups)
    touched = np.array([relevant[a] or relevant[b] for a, b in pairs], dtype=float)
    return Ranking(chance, float(other_w / total), pairs, pair_w / total, weight, left,
                   pair_w / total * pair_left * touched, groups, relevant,
                   (evidence.other - best) / np.log(10))  # fmt: skip


def find_relevant(catalogue: Catalogue, table: Table, groups: tuple[Group, ...]) -> NDArray[np.bool_]:
    """Return which causes make some failed reading clearly likelier than the healthy machine does."""
    found = np.zeros(len(table.causes), dtype=bool)
    for group in groups:
        for reading in group.readings:
            if verdict(catalogue.tests[group.test], reading) == "fail":
                column = table.first[group.test] + catalogue.tests[group.test].outcomes.index(reading.outcome)
                own = table.prob[:, column].reshape(-1, table.n).max(axis=1)
                found |= own > RELEVANT * own[0]
    found[0] = False
    return found


def _pool(table: Table, groups: tuple[Group, ...], prior: Array, evidence: Evidence, lead: Array) -> list[int]:
    """Return the blocks that may stand in a pair: likely alone, or good at explaining some reading."""
    n = table.n
    alone = prior * np.exp(evidence.gone.reshape(-1, n).max(axis=1) - evidence.gone.max())
    score = alone / (alone[1:].max() + TINY) + prior / prior[1:].max() * lead
    order = np.argsort(-score[1:], kind="stable")[:PAIR_POOL] + 1
    return sorted(int(block) for block in order)


def _rank_pairs(catalogue: Catalogue, table: Table, groups: tuple[Group, ...], fixed: NDArray[np.int64],
                prior: Array, evidence: Evidence) -> tuple[tuple[tuple[int, int], ...], Array, Array]:  # fmt: skip
    """Return the pairs, the log of prior times likelihood of each, and how much of each is left."""
    n, stride = table.n, max(1, table.n // PAIR_PARTICLES)
    lead = np.zeros(len(table.causes))
    for group in groups:
        own = likelihood(catalogue, table, group.test, group.readings[-1]).reshape(-1, n)
        lead = np.maximum(lead, np.minimum(1.0, own.mean(axis=1) / (own[0].mean() + TINY) / 20))
    pool = _pool(table, groups, prior, evidence, lead)
    pairs = tuple((a, b) for i, a in enumerate(pool) for b in pool[i + 1 :])
    if not pairs or not groups:
        return (), np.zeros(0), np.zeros(0)
    a, b = (np.array(side) for side in zip(*pairs, strict=True))
    own_rows = np.arange(0, n, stride)
    total = np.zeros((len(pairs), len(own_rows)))
    for group in groups:
        here = [np.where(group.remedies >= fixed[side], 0, side) for side in (a, b)]
        rows_a, rows_b = (block[:, None] * n + own_rows for block in here)
        total += _pair_likelihood(catalogue, table, group, rows_a, rows_b, own_rows)
    top = total.max(axis=1)
    mean = top + np.log(np.exp(total - top[:, None]).mean(axis=1))
    remedies = max((group.remedies for group in groups), default=0)
    left = np.where((fixed[a] <= remedies) & (fixed[b] <= remedies), 0.0, 1.0)
    return pairs, np.log(prior[a] * prior[b] / prior[0] + TINY) + mean, left


def _pair_likelihood(catalogue: Catalogue, table: Table, group: Group, rows_a: NDArray[np.int64],
                     rows_b: NDArray[np.int64], rows_0: NDArray[np.int64]) -> Array:  # fmt: skip
    """Return the log likelihood of a group of readings with two causes present, (n_pairs, n)."""
    test = catalogue.tests[group.test]
    reading = group.readings[-1]
    if not test.check.procedure:
        columns = table.columns(group.test)
        both = np.maximum(table.prob[rows_a, columns], table.prob[rows_b, columns])
        pick = test.outcomes.index(reading.outcome)
        return np.asarray(np.log(both[..., pick] / both.sum(axis=-1) + TINY))
    one, two, none = (table.quantity[rows, group.test].astype(float) for rows in (rows_a, rows_b, rows_0))
    both = combine(str(test.check.reading.quantity), one, two, none)
    error = np.maximum(table.error[rows_a, group.test], table.error[rows_b, group.test]).astype(float)
    if reading.number_si is not None and not _is_beyond(test, reading.number_si):
        return np.asarray(np.log(_density(test, reading, both, error) + TINY))
    chances = band_chances(test.check.reading, both, error, test.check.misread)
    return np.asarray(np.log(chances[..., test.outcomes.index(reading.outcome)] + TINY))


def combine(quantity: str, one: Array, two: Array, none: Array) -> Array:
    """Return what two causes together would show, from what each shows alone.

    Leak flows add; so pressures in a hold multiply (each leak takes its share of what is left), and
    rates of filling add. Measured against solving the pair: docs/limits.md.

    Parameters
    ----------
    quantity : str
        ``pressure``, ``flow``, ``time`` or ``volume``.
    one, two, none : array
        The reading with the first, the second, neither, in SI [Pa, m^3/s, s, m^3].

    Returns
    -------
    array
        The reading with both, in SI.

    Examples
    --------
    >>> [round(float(combine("pressure", np.array(a), np.array(b), np.array(30.0)))) for a, b in [(15, 15), (30, 10)]]
    [8, 10]
    """
    added = one + two - none
    if quantity == "time":
        rate = 1 / np.maximum(one, 1e-3) + 1 / np.maximum(two, 1e-3) - 1 / np.maximum(none, 1e-3)
        return np.asarray(1 / np.maximum(rate, 1e-3))
    if quantity == "pressure":
        falls = (none > 0) & (one >= 0) & (two >= 0) & (one <= none) & (two <= none)
        return np.asarray(np.where(falls, one * two / np.where(none > 0, none, 1.0), added))
    return np.asarray(added)


def cause_name(table: Table, block: int) -> str:
    """Return the id of a block."""
    return table.causes[block]


def name_ranking(table: Table, ranking: Ranking) -> list[tuple[tuple[str, ...], float]]:
    """Return all causes with their chance, likeliest first; ties in a fixed order."""
    named: list[tuple[tuple[str, ...], float]] = [((name,), float(p)) for name, p in
                                                  zip(table.causes, ranking.chance, strict=True)]  # fmt: skip
    named.append(((SOMETHING_ELSE,), ranking.something_else))
    named += [((table.causes[a], table.causes[b]), float(p)) for (a, b), p in
              zip(ranking.pairs, ranking.pair_chance, strict=True)]  # fmt: skip
    return sorted(named, key=lambda item: (-item[1], item[0]))


__all__ = ["HEALTHY", "Ranking", "combine", "name_ranking", "rank"]
