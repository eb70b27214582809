"""Beliefs about a machine, and what the simple course from each would cost.

The simple course tries user-level remedies in their best order and then calls for service. It is
what planning measures every act against.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue
from diagnose.circuit import put
from diagnose.likelihood import broad_chances
from diagnose.model import Remedied, WorkUp
from diagnose.physics.laws import Array
from diagnose.predict import Float32, Table
from diagnose.progress import is_independent
from diagnose.rank import Ranking, fixed_at, is_fixed_by
from diagnose.sequence import repair_cost, search_places

REMOVAL = 25.0  # taking the machine out and bringing another; judgement [min]
PLACE = 12.0  # biomed's search for each wrongly named cause; judgement [min]
NAME = 15.0  # what not knowing the cause costs later, for each place searched; judgement [min]
LIGHT = 1e-7  # a cause less likely than this changes no plan [-]
ALL = slice(None)
WRONG_RETURN = 20_000.0  # a machine returned with its cause, in minutes of loss; judgement [min]


@dataclass(frozen=True)
class State:
    """What planning must know of the work-up beside the belief."""

    fixed: NDArray[np.bool_]  # (n_live,) or (n_rows, n_live): causes already put right
    repeat: float  # minutes of repeating the failed step
    may_return: bool  # the failed step was repeated and passed
    may_confirm: bool  # it can still be shown that nothing is wrong

    @property
    def open_(self) -> NDArray[np.bool_]:
        """Causes that would still be there, something else last, (..., n_live + 1)."""
        found = np.ones((*self.fixed.shape[:-1], self.fixed.shape[-1] + 1), dtype=bool)
        found[..., :-1] = ~self.fixed
        found[..., 0] = False
        return found


@dataclass(frozen=True)
class Course:
    """The cost of going on in the simple way, for many beliefs at once."""

    cost: Array  # (n_rows,) [min], risk included
    time: Array  # (n_rows,) expected time on remedies [min]
    first: Array  # (n_rows,) the remedy to begin with, of the belief's; their number for confirming
    tries: Array  # (n_rows,) how many are tried before the call; 0 means remove now


@dataclass
class Planner:
    """What a machine's planning needs and never changes, made once per machine."""

    catalogue: Catalogue
    table: Table
    groups: tuple[Remedied, ...]
    member: Array  # (n_blocks + 1, n_groups) 1 where a remedy puts the cause right
    group_minutes: Array  # (n_groups,)
    chances: Float32  # (n_blocks, n, n_outcomes)
    other: Array  # (n_outcomes,) outcome chances when the cause is something else
    position: Array  # (n_tests, n_components) codes of positions
    test_minutes: Array  # (n_tests,)
    check_minutes: Mapping[str, float]  # of a check at all its places
    fitful: Array  # (n_blocks,) chance that a cause shows at one occasion
    tested: Mapping[str, frozenset[str]]
    confirms: (
        Array  # (n_tests, n_tests) whether a check independently confirms that a failed one is well
    )


def make_planner(
    catalogue: Catalogue, table: Table, tested: Mapping[str, frozenset[str]]
) -> Planner:
    """Return the planner of a machine."""
    groups = sorted(
        {
            Remedied(c.fault.remedy.act, c.component)
            for c in catalogue.causes
            if c.fault.remedy.by == "user"
        },
        key=lambda g: (g.component, g.act),
    )
    member = np.zeros((len(table.causes) + 1, len(groups)))
    minutes = np.zeros(len(groups))
    for row, cause in enumerate(catalogue.causes, 1):
        for column, group in enumerate(groups):
            if cause.fault.remedy.by == "user" and is_fixed_by(cause, group):
                member[row, column] = 1.0
                minutes[column] = max(minutes[column], cause.fault.remedy.minutes)
    return Planner(
        catalogue,
        table,
        tuple(groups),
        member,
        minutes,
        table.prob.reshape(len(table.causes), table.n, -1),
        _other(catalogue, table),
        _positions(catalogue),
        np.array([test.check.minutes for test in catalogue.tests]),
        _add_minutes(catalogue),
        np.array([1.0] + [cause.fault.intermittent for cause in catalogue.causes]),
        tested,
        np.array(
            [
                [is_independent(catalogue, tested, a.id, b.id) for b in catalogue.tests]
                for a in catalogue.tests
            ]
        ),
    )


def _add_minutes(catalogue: Catalogue) -> dict[str, float]:
    found: dict[str, float] = {}
    for test in catalogue.tests:
        found[test.check_id] = found.get(test.check_id, 0.0) + test.check.minutes
    return found


def _other(catalogue: Catalogue, table: Table) -> Array:
    return np.concatenate(
        [broad_chances(catalogue, table, test) for test in range(len(table.tests))]
    )


def _positions(catalogue: Catalogue) -> Array:
    names = list(catalogue.circuit.kinds)
    codes: dict[str, int] = {}
    rows = []
    for test in catalogue.tests:
        positions = put(catalogue.circuit, test.check, test.it)
        rows.append([codes.setdefault(positions.get(name, ""), len(codes)) for name in names])
    return np.array(rows, dtype=float).reshape(len(rows), len(names))


@dataclass(frozen=True)
class Belief:
    """Particle weights of the causes that still weigh anything, and of something else.

    Planning works on these alone: most causes of a machine are out of the question, and every
    belief that an act may lead to has their number of columns.
    """

    live: NDArray[np.int64]  # (n_live,) blocks; nothing wrong is the first
    weight: Array  # (n_live, n)
    other: float
    is_fixed: NDArray[np.bool_]  # (n_live,)
    groups: NDArray[np.int64]  # (n_groups,) remedies that put any of them right
    member: Array  # (n_live + 1, n_groups) 1 where the remedy puts the cause right
    minutes: Array  # (n_groups,) of the remedies

    @property
    def blocks(self) -> Array:
        """Chance of every live block and of something else, (n_live + 1,)."""
        return np.append(self.weight.sum(axis=1), self.other)


def believe(planner: Planner, ranking: Ranking, work: WorkUp) -> Belief:
    """Return the belief that planning starts from; two at once counts for what of it is left."""
    n = planner.table.n
    weight = ranking.weight.copy()
    fixed = fixed_at(planner.catalogue, work) <= len(work.remedies)
    for pair, chance in zip(ranking.pairs, ranking.pair_chance, strict=True):
        open_ = [block for block in pair if ranking.relevant[block] and not fixed[block]] or list(
            pair
        )
        for block in open_:
            weight[block] += chance / len(open_) / n
    away = ~ranking.relevant & ~fixed
    away[0] = False
    weight[0] += (
        weight[away].sum() / n
    )  # what cannot explain any failed reading is left to the rest of the checkout
    weight[away] = 0.0
    return _focus(planner, weight, ranking.something_else, fixed)


def _focus(planner: Planner, weight: Array, other: float, fixed: NDArray[np.bool_]) -> Belief:
    """Leave out the causes that weigh nothing; what they weigh together goes to something else."""
    blocks = weight.sum(axis=1)
    total = blocks.sum() + other
    is_live = blocks > LIGHT * total
    is_live[0] = True
    live = np.flatnonzero(is_live)
    rows = np.append(live, len(blocks))
    groups = np.flatnonzero(planner.member[live].any(axis=0))
    return Belief(
        live, weight[live] / total, float(other + blocks[~is_live].sum()) / float(total),
        fixed[live], groups, planner.member[np.ix_(rows, groups)], planner.group_minutes[groups],
    )  # fmt: skip


def joint(planner: Planner, belief: Belief, columns: slice = ALL) -> Array:
    """Return P(cause, outcome) for outcomes of the tests, all or some, (n_live + 1, n_outcomes)."""
    usual = belief.weight @ planner.chances[0][:, columns]
    weights = belief.weight.astype(planner.chances.dtype)
    pairs = zip(weights, belief.live, strict=True)  # one by one: a copy would cost more
    felt = np.array([weight @ planner.chances[block, :, columns] for weight, block in pairs])
    shows = np.where(belief.is_fixed, 0.0, planner.fitful[belief.live])[:, None]
    found = shows * felt + (1 - shows) * usual
    return np.concatenate([found, belief.other * planner.other[None, columns]], axis=0)


def course(belief: Belief, beliefs: Array, state: State) -> Course:
    """Return the cost of the simple course for many beliefs.

    Parameters
    ----------
    belief : Belief
        What is believed now, for the remedies there are.
    beliefs : array, shape (n_rows, n_live + 1)
        Chances, rows summing to one [-].
    state : State
        What is put right, and what may still be shown.

    Returns
    -------
    Course
        Cost and time of each row [min].
    """
    left = beliefs * state.open_
    places = search_places(beliefs)
    service = REMOVAL + PLACE * places
    well = 1 - left.sum(axis=1)
    if state.may_return:  # nothing more to put right: return at the risk that is left, or remove
        cost = np.minimum(service, WRONG_RETURN * (1 - well))
        first = np.full(len(cost), len(belief.groups))
        tries = np.full(len(cost), int(state.may_confirm))
        return Course(cost + NAME * places, np.zeros_like(cost), first, tries)
    confirm = well if state.may_confirm else np.zeros(len(beliefs))
    chances = np.concatenate([left @ belief.member, confirm[:, None]], axis=1)
    costs = np.append(belief.minutes + state.repeat, 2 * state.repeat)
    cost, tries, time = repair_cost(chances, costs, service)
    return Course(cost + NAME * places, time, (chances / costs).argmax(axis=1), tries)


def stop_cost(beliefs: Array, state: State) -> Array:
    """Return the cost of deciding now: removal, or return where it is allowed [min]."""
    places = search_places(beliefs)
    cost = REMOVAL + PLACE * places
    if state.may_return:
        cost = np.minimum(cost, WRONG_RETURN * (beliefs * state.open_).sum(axis=1))
    return np.asarray(cost + NAME * places)
