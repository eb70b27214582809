"""The ranking: how likely is each cause, given everything that was read.

A hypothesis is a particle: one cause at one severity in one machine. The chance of a cause is the
sum over its particles of prior times the product of likelihoods, so tests are correlated through
severity as in life. Beside the single causes stand nothing wrong, two at once, and something else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue, Cause, belongs
from diagnose.likelihood import (
    TINY,
    Again,
    Group,
    broad_likelihood,
    is_stated,
    log_likelihood,
)
from diagnose.model import SOMETHING_ELSE, Reading, Remedied, WorkUp
from diagnose.pairs import choose_pairs, weigh_pairs
from diagnose.physics.laws import Array
from diagnose.predict import Table
from diagnose.readings import verdict

ELSE_PRIOR = 0.002  # chance of a cause outside the knowledge at a checkout; judgement [-]
EXCLUDED = 0.05  # what a rule's exclusion leaves of a cause's chance; judgement [-]
CHANGED = 5.0  # how much oftener a slip is there when its part was just changed; judgement [-]
RELEVANT = 2.0  # how much likelier than on the healthy machine a failed reading must be
PAIR_SHOWN = 1e-4  # less likely pairs are not listed [-]


@dataclass(frozen=True)
class Ranking:
    """The posterior, by block of the table and by pair."""

    chance: Array  # (n_blocks,) single causes; block 0 is nothing wrong
    something_else: float
    pairs: tuple[tuple[int, int], ...]
    pair_chance: Array  # (n_pairs,)
    weight: Array = field(repr=False)  # (n_blocks, n) posterior of each particle
    left: Array = field(repr=False)  # (n_blocks,) chance that the cause is still there
    pair_left: Array = field(repr=False)
    groups: tuple[Group, ...] = field(repr=False)
    relevant: NDArray[np.bool_] = field(repr=False)  # (n_blocks,) could explain a failed reading
    means: tuple[Array, ...] = field(
        repr=False
    )  # per group, likelihood of each cause, severities averaged
    surprise: float = 0.0  # log10 of how much better "something else" predicted the readings

    @property
    def remaining(self) -> float:
        """Chance that something that could explain a failed reading is still wrong.

        What no failed reading points at has its usual chance, left to the rest of the checkout.
        """
        return float(self.left[self.relevant].sum() + self.pair_left.sum() + self.something_else)


def prior_of(
    catalogue: Catalogue,
    rates: dict[str, float] | None = None,
    changed: frozenset[str] = frozenset(),
) -> Array:
    """Return the chance of each block before any reading, nothing wrong first.

    Parameters
    ----------
    catalogue : Catalogue
        The machine's causes.
    rates : dict, optional
        Chance per checkout by cause id, in place of the knowledge's.
    changed : frozenset of str, optional
        Components changed since the machine last passed: what a change can bring, a slip at them
        or at what belongs to them, is likelier.

    Returns
    -------
    array, shape (n_blocks,)
        Priors; they sum to one with the prior of something else [-].
    """
    own = catalogue.often.copy()
    for place, cause in enumerate(catalogue.causes if rates else ()):
        own[place] = (rates or {}).get(cause.id, own[place])
    for place, cause in enumerate(catalogue.causes if changed else ()):
        if cause.fault.kind == "slip" and any(belongs(cause.component, it) for it in changed):
            own[place] = min(0.5, CHANGED * own[place])
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
    own = cause.fault.remedy
    swapped = remedy.act == "replace" and own.by == "user"
    return cause.component == remedy.component and (remedy.act == own.act or swapped)


def fixed_at(catalogue: Catalogue, work: WorkUp) -> NDArray[np.int64]:
    """Return after how many remedies each block's cause is put right; a large number for never."""
    never = len(work.remedies) + 1
    found = np.full(len(catalogue.causes) + 1, never)
    for number, remedy in reversed(list(enumerate(work.remedies, 1))):
        for block, cause in enumerate(catalogue.causes, 1):
            if is_fixed_by(cause, remedy):
                found[block] = number
    return found


@dataclass
class Evidence:
    """Log likelihoods of all particles, apart for cause still there and cause put right."""

    there: Array  # (n_blocks, n)
    apart: Array  # (n_blocks, n) what to add for causes that were put right
    other: float
    means: list[Array]  # per group, the likelihood of each cause, severities averaged


def find_again(
    catalogue: Catalogue, table: Table, groups: tuple[Group, ...]
) -> tuple[Again | None, ...]:
    """Return for each group what is known from the same look before the last remedy.

    What a cause showed to this person on this machine it shows again, unless it was put right.
    """
    before: dict[int, str] = {}
    found: list[Again | None] = []
    for group in groups:
        test, last = catalogue.tests[group.test], group.readings[-1]
        known = before.get(group.test)
        if known is None:
            found.append(None)
        else:
            column = table.first[group.test] + test.outcomes.index(known)
            own = table.prob[:: table.n, column]
            shows = (own > RELEVANT * own[0]) & (catalogue.shows >= 1.0)
            found.append(Again(shows & (not test.check.procedure), last.outcome == known))
        if verdict(test, last) == "fail":
            before[group.test] = last.outcome
        else:
            before.pop(group.test, None)
    return tuple(found)


def weigh(
    catalogue: Catalogue,
    table: Table,
    groups: tuple[Group, ...],
    fixed: NDArray[np.int64],
    again: tuple[Again | None, ...],
) -> Evidence:
    """Return the log likelihood of every reading group, per particle."""
    blocks, n = len(table.causes), table.n
    shows = catalogue.shows
    fitful = np.flatnonzero(shows < 1.0)
    evidence = Evidence(np.zeros((blocks, n)), np.zeros((blocks, n)), 0.0, [])
    for group, known in zip(groups, again, strict=True):
        each = [
            log_likelihood(catalogue, table, group.test, r).reshape(blocks, n)
            for r in group.readings
        ]
        there = pool_repeats(group, each)
        usual = there[0].copy()
        if len(fitful):
            there[fitful] = sum(_fitful(own[fitful], own[0], shows[fitful, None]) for own in each)
        if known is not None:
            there = known.weigh(there, known.shows[:, None])
        is_plain = known is None and len(each) == 1
        if is_plain and is_stated(catalogue.tests[group.test], group.readings[0]):
            evidence.means.append(_stated_means(catalogue, table, group))
        else:
            evidence.means.append(np.exp(there).mean(axis=1))
        evidence.there += there
        gone = group.remedies >= fixed
        if gone.any():
            evidence.apart[gone] += usual - there[gone]
        broad = [np.log(broad_likelihood(catalogue, table, group.test, r)) for r in group.readings]
        other = pool_repeats(group, [np.asarray(own) for own in broad])
        evidence.other += float(other if known is None else known.weigh(other, np.array(True)))
    return evidence


def _stated_means(catalogue: Catalogue, table: Table, group: Group) -> Array:
    """Return the likelihood of each cause for one outcome, from the table, (n_blocks,)."""
    outcomes = catalogue.tests[group.test].outcomes
    own = table.mean_prob[table.first[group.test] + outcomes.index(group.readings[0].outcome)]
    return np.asarray(catalogue.shows * own + (1 - catalogue.shows) * own[0])


def pool_repeats(group: Group, each: list[Array]) -> Array:
    """Return the log likelihood of a group: repeats that agree share their error and count once.

    Repeats that disagree cannot share one, so each outcome counts.

    >>> group = Group(0, 0, (Reading("a", "x"), Reading("a", "x"), Reading("a", "y")))
    >>> float(pool_repeats(group, [np.array(-1.0), np.array(-1.0), np.array(-2.0)]))
    -3.0
    """
    if len(each) == 1:
        return np.array(each[0], dtype=float)
    seen: dict[str, list[Array]] = {}
    for reading, own in zip(group.readings, each, strict=True):
        seen.setdefault(reading.outcome, []).append(own)
    return np.asarray(sum(np.mean(same, axis=0) for same in seen.values()), dtype=float)


def _fitful(own: Array, healthy: Array, shows: Array) -> Array:
    """Return the log likelihood of one occasion for causes that do not always show."""
    return np.asarray(np.log(shows * np.exp(own) + (1 - shows) * np.exp(healthy) + TINY))


def rank(
    catalogue: Catalogue,
    table: Table,
    work: WorkUp,
    excluded: frozenset[str] = frozenset(),
    rates: dict[str, float] | None = None,
) -> Ranking:
    """Return the posterior over everything that could be wrong.

    Parameters
    ----------
    catalogue, table : Catalogue, Table
        The machine.
    work : WorkUp
        Readings and remedies so far.
    excluded : frozenset of str
        Cause ids that a rule excludes.
    rates : dict, optional
        Chance per checkout by cause id, in place of the knowledge's.

    Returns
    -------
    Ranking
        Chances that sum to one.
    """
    groups = group_readings(catalogue, work)
    again = find_again(catalogue, table, groups)
    fixed = fixed_at(catalogue, work)
    prior = prior_of(catalogue, rates, work.changed)
    for block, cause in enumerate(catalogue.causes, 1):
        if cause.id in excluded:
            prior[block] *= EXCLUDED
    evidence = weigh(catalogue, table, groups, fixed, again)
    n = table.n
    own = np.log(prior / n + TINY)[:, None]
    was_fixed = (fixed <= len(work.remedies))[:, None]
    botched = catalogue.botched[:, None]
    gone = own + evidence.there + evidence.apart + np.where(was_fixed, np.log(1 - botched), 0.0)
    there = np.where(was_fixed, own + evidence.there + np.log(botched + TINY), -np.inf)
    relevant = find_relevant(catalogue, table, groups)
    chosen = choose_pairs(prior, evidence.means, groups, fixed, relevant)
    pairs, pair_log = weigh_pairs(catalogue, table, groups, fixed, prior, chosen, again)
    other = float(np.log(ELSE_PRIOR) + evidence.other)
    top = max(float(gone.max()), float(there.max()), other, float(pair_log.max(initial=-np.inf)))
    gone_w, there_w = np.exp(gone - top), np.exp(there - top)
    pair_w, other_w = np.exp(pair_log - top), float(np.exp(other - top))
    total = float(gone_w.sum() + there_w.sum() + pair_w.sum() + other_w)
    weight = (gone_w + there_w) / total
    chance = weight.sum(axis=1)
    pair_left = (
        pair_w
        / total
        * _share_left(pairs, pair_w / total, chance, prior, relevant, was_fixed[:, 0])
    )
    known = float(np.log(weight.sum() * total / prior.sum() + TINY)) + top
    return Ranking(
        chance=chance,
        something_else=other_w / total,
        pairs=pairs,
        pair_chance=pair_w / total,
        weight=weight,
        left=np.where(was_fixed, there_w, gone_w).sum(axis=1) / total,
        pair_left=pair_left,
        groups=groups,
        relevant=relevant,
        means=tuple(evidence.means),
        surprise=(evidence.other - known) / np.log(10),
    )


def find_relevant(
    catalogue: Catalogue, table: Table, groups: tuple[Group, ...]
) -> NDArray[np.bool_]:
    """Return which causes make some failed reading clearly likelier than a healthy machine does."""
    found = np.zeros(len(table.causes), dtype=bool)
    for group in groups:
        for reading in group.readings:
            if verdict(catalogue.tests[group.test], reading) == "fail":
                column = table.first[group.test] + catalogue.tests[group.test].outcomes.index(
                    reading.outcome
                )
                own = table.prob[:, column].reshape(-1, table.n).max(axis=1)
                found |= own > RELEVANT * own[0]
    found[0] = False
    return found


def _share_left(
    pairs: tuple[tuple[int, int], ...],
    pair_chance: Array,
    chance: Array,
    prior: Array,
    relevant: NDArray[np.bool_],
    fixed: NDArray[np.bool_],
) -> Array:
    """Return how much of each pair's chance is a fault that is still there.

    Beside a cause that was put right, another counts only as far as the readings raise it above
    what any machine carries unseen.
    """
    if not pairs:
        return np.zeros(0)
    one, two = np.array(pairs).T
    open_one, open_two = (relevant & ~fixed)[one], (relevant & ~fixed)[two]
    whole = (open_one & open_two) | ((open_one | open_two) & ~fixed[one] & ~fixed[two])
    own, other = np.where(open_one, one, two), np.where(open_one, two, one)
    usual = chance[other] * prior[own] / prior[0]
    part = np.maximum(0.0, 1 - usual / np.maximum(pair_chance, TINY))
    return np.where(whole, 1.0, np.where(open_one | open_two, part, 0.0))


def name_ranking(table: Table, ranking: Ranking) -> list[tuple[tuple[str, ...], float]]:
    """Return all causes with their chance, likeliest first; ties in a fixed order."""
    named: list[tuple[tuple[str, ...], float]] = [
        ((name,), float(p)) for name, p in zip(table.causes, ranking.chance, strict=True)
    ]
    named.append(((SOMETHING_ELSE,), ranking.something_else))
    named += [
        ((table.causes[a], table.causes[b]), float(p))
        for (a, b), p in zip(ranking.pairs, ranking.pair_chance, strict=True)
        if p >= PAIR_SHOWN
    ]
    return sorted(named, key=lambda item: (-item[1], item[0]))
