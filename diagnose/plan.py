"""What to do next: the act that leads to the decision soonest.

Every check, every remedy followed by repeating the failed step, and the plain repeat are weighed
alike: its minutes, plus the expected cost of the best simple course afterwards. The simple course
tries user-level remedies in their best order and then calls for service. When no act is worth its
minutes, the work-up ends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diagnose.catalogue import Catalogue
from diagnose.circuit import put
from diagnose.model import Remedied, WorkUp
from diagnose.physics.laws import Array
from diagnose.predict import Table
from diagnose.progress import (
    is_independent,
    must_repeat,
    state_independent,
    state_repeat,
    tests_done,
    tests_since_remedy,
)
from diagnose.rank import ELSE_VISIBLE, Ranking, fixed_at, is_fixed_by
from diagnose.sequence import repair_cost, search_places

REMOVAL = 25.0  # taking the machine out and bringing another; judgement [min]
PLACE = 9.0  # biomed's search for each wrongly named cause; judgement [min]
NAME = 9.0  # what not knowing the cause costs later, for each place searched; judgement [min]
WRONG_RETURN = 20_000.0  # a machine returned with its cause, in minutes of loss; judgement [min]
CHANGE = 0.12  # turning one control or moving one part; judgement [min]
REPEAT_LEAST = 0.25  # chance of an intermittent cause that makes a repeat worth offering [-]
TESTS_MOST = 14
REMEDY_LEAST = 0.004  # chance below which a remedy is not offered [-]


@dataclass(frozen=True)
class State:
    """What planning must know of the work-up beside the belief."""

    fixed: NDArray[np.bool_]  # (n_blocks,) causes already put right
    repeat: float  # minutes of repeating the failed step
    may_return: bool  # the failed step was repeated and passed
    may_confirm: bool  # it can still be shown that nothing is wrong

    @property
    def open_(self) -> NDArray[np.bool_]:
        """Causes that would still be there, something else last, (n_blocks + 1,)."""
        found = np.append(~self.fixed, True)
        found[0] = False
        return found


@dataclass(frozen=True)
class Course:
    """The cost of going on in the simple way, for many beliefs at once."""

    cost: Array  # (n_rows,) [min], risk included
    time: Array  # (n_rows,) expected time on remedies [min]
    first: (
        Array  # (n_rows,) the remedy to begin with; n_groups for confirming that nothing is wrong
    )
    tries: Array  # (n_rows,) how many are tried before the call; 0 means remove now


@dataclass
class Planner:
    """What a machine's planning needs and never changes, made once per machine."""

    catalogue: Catalogue
    table: Table
    groups: tuple[Remedied, ...]
    member: Array  # (n_blocks + 1, n_groups) 1 where a remedy puts the cause right
    group_minutes: Array  # (n_groups,)
    chances: Array  # (n_blocks, n, n_outcomes)
    other: Array  # (n_outcomes,) outcome chances when the cause is something else
    position: Array  # (n_tests, n_components) codes of positions
    test_minutes: Array  # (n_tests,)
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
        table.prob.reshape(len(table.causes), table.n, -1).astype(float),
        _other(catalogue, table),
        _positions(catalogue),
        np.array([test.check.minutes for test in catalogue.tests]),
        np.array([1.0] + [cause.fault.intermittent for cause in catalogue.causes]),
        tested,
        np.array(
            [
                [is_independent(catalogue, tested, a.id, b.id) for b in catalogue.tests]
                for a in catalogue.tests
            ]
        ),
    )


def _other(catalogue: Catalogue, table: Table) -> Array:
    found = np.zeros(table.prob.shape[1])
    for index, test in enumerate(catalogue.tests):
        columns = table.columns(index)
        uniform = np.full(len(test.outcomes), 1 / len(test.outcomes))
        usual = table.prob[0, columns]
        share = 1.0 if test.check.procedure else ELSE_VISIBLE
        found[columns] = share * uniform + (1 - share) * usual
    return found


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
    """Particle weights of single causes, and of something else; pairs are shared out."""

    weight: Array  # (n_blocks, n)
    other: float
    is_fixed: NDArray[np.bool_]  # (n_blocks,)

    @property
    def blocks(self) -> Array:
        """Chance of every block and of something else, (n_blocks + 1,)."""
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
    total = weight.sum() + ranking.something_else
    return Belief(weight / total, ranking.something_else / total, fixed)


def joint(planner: Planner, belief: Belief, chances: Array | None = None) -> Array:
    """Return P(cause, outcome) for every outcome of every test, (n_blocks + 1, n_outcomes)."""
    own = planner.chances if chances is None else chances
    found = np.matmul(belief.weight[:, None, :], own)[:, 0, :]
    usual = belief.weight @ own[0]
    shows = np.where(belief.is_fixed, 0.0, planner.fitful)[:, None]
    found = shows * found + (1 - shows) * usual
    return np.concatenate([found, belief.other * planner.other[None, : found.shape[1]]], axis=0)


def course(planner: Planner, beliefs: Array, state: State) -> Course:
    """Return the cost of the simple course for many beliefs.

    Parameters
    ----------
    planner : Planner
        The machine.
    beliefs : array, shape (n_rows, n_blocks + 1)
        Chances, rows summing to one [-].
    state : State
        What is put right, and what may still be shown.

    Returns
    -------
    Course
        Cost and time of each row [min].
    """
    open_ = state.open_
    places = search_places(beliefs)
    service = REMOVAL + PLACE * places
    well = 1 - (beliefs * open_).sum(axis=1)
    confirm = well if state.may_confirm else np.zeros(len(beliefs))
    chances = np.concatenate([(beliefs * open_) @ planner.member, confirm[:, None]], axis=1)
    costs = np.append(planner.group_minutes + state.repeat, 2 * state.repeat)
    cost, tries, time = repair_cost(chances, costs, service)
    if state.may_return:
        cost = np.minimum(cost, WRONG_RETURN * (1 - well))
    return Course(cost + NAME * places, time, (chances / costs).argmax(axis=1), tries)


def offered(planner: Planner, work: WorkUp, ranking: Ranking) -> list[int]:
    """Return the tests that can be done now: not done since the last remedy, tools and person fit."""
    since = tests_since_remedy(work)
    before = {reading.test for reading in work.readings}
    may_repeat = _fitful_chance(planner, ranking) >= REPEAT_LEAST
    found = []
    for index, test in enumerate(planner.catalogue.tests):
        done = test.id in since or (test.id in before and not test.check.procedure)
        if done and not (may_repeat and test.check.procedure and test.id in since):
            continue
        if test.check.by == "biomed" and work.who != "biomed":
            continue
        if work.tools is not None and not set(test.check.tools) <= work.tools:
            continue
        if work.minutes_left is not None and test.check.minutes > work.minutes_left:
            continue
        found.append(index)
    return found


def _fitful_chance(planner: Planner, ranking: Ranking) -> float:
    return float(ranking.chance[planner.fitful < 1.0].sum())


def minutes_of(planner: Planner, work: WorkUp, tests: Sequence[int]) -> Array:
    """Return the minutes of each test from the present set-up, with what must come before it."""
    last = next((r.test for r in reversed(work.readings)), work.failed)
    here = planner.position[planner.table.index[last]]
    moved = (planner.position[list(tests)] != here).sum(axis=1)
    done = {planner.catalogue.tests[planner.table.index[r.test]].check_id for r in work.readings}
    first = []
    for index in tests:
        missing = [name for name in planner.catalogue.tests[index].check.after if name not in done]
        first.append(sum(t.check.minutes for t in planner.catalogue.tests if t.check_id in missing))
    return np.asarray(planner.test_minutes[list(tests)] + CHANGE * moved + np.array(first))


@dataclass(frozen=True)
class Option:
    """One act that could come next, with the beliefs it may lead to."""

    kind: Literal["check", "remedy", "repeat"]
    test: int
    minutes: float
    chance: Array  # (n_outcomes,)
    after: Array  # (n_outcomes, n_blocks + 1)
    score: float
    remedy: Remedied | None = None
    leads: bool = False  # begins the simple course


@dataclass(frozen=True)
class Plan:
    """The choices in order of worth, and the cost of the best course without them."""

    now: float
    options: tuple[Option, ...]
    minutes_ahead: float

    @property
    def is_done(self) -> bool:
        """Tell whether no act is worth its minutes."""
        return not self.options or self.options[0].score >= self.now - 1e-9


def plan(planner: Planner, ranking: Ranking, work: WorkUp, may_return: bool) -> Plan:
    """Return what could be done next, best first.

    Parameters
    ----------
    planner : Planner
        The machine.
    ranking : Ranking
        What is believed now.
    work : WorkUp
        What was done.
    may_return : bool
        Whether the failed step was repeated and passed, so that return is among the decisions.

    Returns
    -------
    Plan
        Acts by expected cost [min].
    """
    belief = believe(planner, ranking, work)
    state = State(
        belief.is_fixed,
        float(planner.test_minutes[planner.table.index[work.failed]]),
        may_return,
        state_repeat(planner.catalogue, work) != "failed"
        and state_independent(planner.catalogue, planner.tested, work) == "missing",
    )
    now = float(stop_cost(belief.blocks[None, :], state)[0])
    base = course(planner, belief.blocks[None, :], state)
    options: list[Option] = []
    if tests_done(work) <= TESTS_MOST:
        options = [
            *_check_options(planner, belief, ranking, work, state),
            *_remedy_options(planner, belief, work, state),
        ]
        options = [_follow(planner, option, base, work) for option in options]
        options = [
            option
            for option in options
            if option.leads or option.score < float(base.cost[0]) - 1e-9
        ]
    options.sort(
        key=lambda option: (
            option.score,
            not option.leads,
            option.minutes,
            option.kind,
            option.test,
        )
    )
    ahead = 0.0
    if options:
        after = course(planner, options[0].after, state)
        ahead = options[0].minutes + float(options[0].chance @ after.time)
    return Plan(now, tuple(options), ahead)


def _follow(planner: Planner, option: Option, base: Course, work: WorkUp) -> Option:
    """Give the act that begins the simple course that course's cost, so that the two are weighed alike."""
    if must_repeat(work):
        is_first = option.kind == "repeat"
    elif not base.tries[0]:
        is_first = False
    elif base.first[0] < len(planner.groups):
        is_first = option.remedy == planner.groups[base.first[0]]
    elif work.repeats < 2:
        is_first = option.kind == "repeat"
    else:
        is_first = (
            option.kind == "check"
            and planner.confirms[planner.table.index[work.failed], option.test]
        )
    return (
        replace(option, score=min(option.score, float(base.cost[0])), leads=True)
        if is_first
        else option
    )


def stop_cost(beliefs: Array, state: State) -> Array:
    """Return the cost of deciding now: removal, or return where it is allowed, for many beliefs [min]."""
    places = search_places(beliefs)
    cost = REMOVAL + PLACE * places
    if state.may_return:
        cost = np.minimum(cost, WRONG_RETURN * (beliefs * state.open_).sum(axis=1))
    return np.asarray(cost + NAME * places)


def _check_options(
    planner: Planner, belief: Belief, ranking: Ranking, work: WorkUp, state: State
) -> list[Option]:
    tests = offered(planner, work, ranking)
    if not tests:
        return []
    both = joint(planner, belief)
    chance = both.sum(axis=0)
    after = (both / np.maximum(chance, 1e-300)).T
    cost = course(planner, after, state).cost
    minutes = minutes_of(planner, work, tests)
    found = []
    for index, own in zip(tests, minutes, strict=True):
        columns = planner.table.columns(index)
        score = float(own + chance[columns] @ cost[columns])
        again = planner.catalogue.tests[index].id == work.failed
        kind: Literal["check", "repeat"] = "repeat" if again else "check"
        found.append(Option(kind, index, float(own), chance[columns], after[columns], score))
    return found


def _remedy_options(planner: Planner, belief: Belief, work: WorkUp, state: State) -> list[Option]:
    """Return every remedy followed by repeating the failed step, and the plain repeat."""
    index = planner.table.index[work.failed]
    columns = planner.table.columns(index)
    own = joint(planner, belief)[:, columns]
    usual = belief.weight @ planner.chances[0][:, columns]
    blocks = belief.blocks[:-1]
    done = set(work.remedies)
    found = []
    for column, group in enumerate(planner.groups):
        members = planner.member[:-1, column] > 0
        if group in done or blocks[members].sum() < REMEDY_LEAST:
            continue
        both = own.copy()
        both[:-1][members] = usual[members]
        minutes = state.repeat + float(planner.group_minutes[column])
        found.append(
            _try(planner, both, replace(state, fixed=state.fixed | members), index, minutes, group)
        )
    if must_repeat(work) or (not work.remedies and work.repeats < 2):
        found.append(_repeat(planner, belief, own, state, index))
    return found


def _try(
    planner: Planner, both: Array, state: State, index: int, minutes: float, group: Remedied
) -> Option:
    """Return the option of a remedy whose repeat has these joint chances, (n_blocks + 1, n_outcomes)."""
    chance = both.sum(axis=0)
    after = (both / np.maximum(chance, 1e-300)).T
    test = planner.catalogue.tests[index]
    passed = [test.check.reading.outcomes[name].means == "pass" for name in test.outcomes]
    cost = np.array(
        [
            course(
                planner, after[row : row + 1], replace(state, may_return=ok, may_confirm=ok)
            ).cost[0]
            for row, ok in enumerate(passed)
        ]
    )
    return Option("remedy", index, minutes, chance, after, float(minutes + chance @ cost), group)


def _repeat(planner: Planner, belief: Belief, own: Array, state: State, index: int) -> Option:
    """Return the plain repeat. It shares the first reading's error, so it is no fresh evidence."""
    chance = own.sum(axis=0)
    cost = float(course(planner, belief.blocks[None, :], state).cost[0])
    after = np.tile(belief.blocks, (len(chance), 1))
    return Option("repeat", index, state.repeat, chance, after, state.repeat + cost)
