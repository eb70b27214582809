"""What to do next: the act that leads to the decision soonest.

Every check, every remedy followed by repeating the failed step, and the plain repeat are weighed
alike: its minutes, plus the expected cost of the best simple course afterwards. The simple course
tries user-level remedies in their best order and then calls for service. When no act is worth its
minutes, the work-up ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from diagnose.course import (
    Belief,
    Course,
    Planner,
    State,
    believe,
    course,
    joint,
    stop_cost,
)
from diagnose.model import Remedied, WorkUp
from diagnose.physics.laws import Array
from diagnose.progress import (
    must_repeat,
    state_independent,
    state_repeat,
    tests_done,
    tests_since_remedy,
)
from diagnose.rank import Ranking

ASK = 0.75  # reading what to do and telling what was seen, beside the doing; judgement [min]
CHANGE = 0.12  # turning one control or moving one part; judgement [min]
REPEAT_LEAST = 0.25  # chance of an intermittent cause that makes a repeat worth offering [-]
TESTS_MOST = 14
SEEN = 3  # options that a person sees
SURE = 0.75  # a remedy this likely to be right is done at once [-]
WORTH = 1e-9  # what an act must save to be worth anything [min]
REMEDY_LEAST = 0.004  # chance below which a remedy is not offered [-]


def offered(planner: Planner, work: WorkUp, ranking: Ranking) -> list[int]:
    """Return the tests that can be done now: not since the last remedy, tools and person fit."""
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
        first.append(sum(planner.check_minutes.get(name, 0.0) for name in missing))
    return np.asarray(planner.test_minutes[list(tests)] + CHANGE * moved + np.array(first))


@dataclass(frozen=True)
class Option:
    """One act that could come next, with the beliefs it may lead to."""

    kind: Literal["check", "remedy", "repeat"]
    test: int
    minutes: float
    chance: Array  # (n_outcomes,)
    after: Array  # (n_outcomes, n_live + 1)
    score: float
    remedy: Remedied | None = None
    leads: bool = False  # begins the simple course

    def rate(self, base: float) -> float:
        """Return how many minutes of the simple course it saves for each minute it takes [-]."""
        return (base - self.score + self.minutes) / (self.minutes + ASK)


@dataclass(frozen=True)
class Plan:
    """The choices in order of worth, and the cost of the best course without them."""

    now: float
    options: tuple[Option, ...]
    minutes_ahead: float
    live: NDArray[np.int64]  # (n_live,) which blocks the beliefs of the options are about

    @property
    def is_done(self) -> bool:
        """Tell whether no act is worth its minutes."""
        return not any(option.score < self.now - WORTH for option in self.options)


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
    base = course(belief, belief.blocks[None, :], state)
    cost = float(base.cost[0])
    options: list[Option] = []
    if tests_done(work) <= TESTS_MOST:
        options = [
            *_check_options(planner, belief, ranking, work, state, base),
            *_remedy_options(planner, belief, work, state),
        ]
        options = _follow(planner, belief, options, base, work)
        options = [option for option in options if option.leads or option.score < cost - WORTH]
    at_once = must_repeat(work) or _lead_chance(belief, base, state) >= SURE
    options.sort(
        key=lambda option: (
            at_once and not option.leads,
            -round(option.rate(cost), 9),
            not option.leads,
            option.minutes,
            option.kind,
            option.test,
        )
    )
    options = _show_lead(options)
    ahead = 0.0
    if options:
        after = course(belief, options[0].after, state)
        ahead = options[0].minutes + float(options[0].chance @ after.time)
    return Plan(now, tuple(options), ahead, belief.live)


def _show_lead(options: list[Option]) -> list[Option]:
    """Return the options with the act that begins the simple course among those a person sees.

    Who holds a torn bag in the hand expects to be told of a new one, even where a check is better.
    """
    led = next((place for place, option in enumerate(options) if option.leads), 0)
    if led < SEEN:
        return options
    return [*options[: SEEN - 1], options[led], *options[SEEN - 1 : led], *options[led + 1 :]]


def _follow(
    planner: Planner, belief: Belief, options: list[Option], base: Course, work: WorkUp
) -> list[Option]:
    """Give the act that begins the simple course that course's cost, so both are weighed alike."""
    firsts = [option for option in options if _begins(planner, belief, option, base, work)]
    if not firsts:
        return options
    best = min(firsts, key=lambda option: (option.score, option.minutes, option.test))
    led = replace(best, score=min(best.score, float(base.cost[0])), leads=True)
    return [led if option is best else option for option in options]


def _lead_chance(belief: Belief, base: Course, state: State) -> float:
    """Return the chance of the likeliest single cause that the first remedy puts right."""
    if base.first[0] >= len(belief.groups) or not base.tries[0]:
        return 0.0
    own = belief.member[:, int(base.first[0])] * state.open_
    return float((belief.blocks * own).max())


def _begins(planner: Planner, belief: Belief, option: Option, base: Course, work: WorkUp) -> bool:
    if must_repeat(work):
        return option.kind == "repeat"
    if not base.tries[0]:
        return False
    if base.first[0] < len(belief.groups):
        first = belief.groups[int(base.first[0])]
        return bool(option.remedy == planner.groups[first])
    if work.repeats < 2:
        return option.kind == "repeat"
    failed = planner.table.index[work.failed]
    return option.kind == "check" and bool(planner.confirms[failed, option.test])


def _check_options(
    planner: Planner, belief: Belief, ranking: Ranking, work: WorkUp, state: State, base: Course
) -> list[Option]:
    """Return the checks that save more than they take, and the one that begins the course."""
    tests = np.array(offered(planner, work, ranking), dtype=np.int64)
    if not len(tests):
        return []
    both = joint(planner, belief)
    chance = both.sum(axis=0)
    after = np.ascontiguousarray((both / np.maximum(chance, 1e-300)).T)
    then = np.add.reduceat(chance * course(belief, after, state).cost, planner.table.first[:-1])
    minutes = minutes_of(planner, work, tests.tolist())
    score = minutes + then[tests]
    failed = planner.table.index[work.failed]
    worth = (score < base.cost[0] - WORTH) | planner.confirms[failed, tests]
    found = []
    for index, own, cost in zip(tests[worth], minutes[worth], score[worth], strict=True):
        columns = planner.table.columns(index)
        kind: Literal["check", "repeat"] = "repeat" if index == failed else "check"
        option = Option(kind, int(index), float(own), chance[columns], after[columns], float(cost))
        found.append(option)
    return found


def _remedy_options(planner: Planner, belief: Belief, work: WorkUp, state: State) -> list[Option]:
    """Return every remedy followed by repeating the failed step, and the plain repeat."""
    index = planner.table.index[work.failed]
    columns = planner.table.columns(index)
    own = joint(planner, belief, columns)
    usual = belief.weight @ planner.chances[0][:, columns]
    tries = _list_tries(planner, belief, work)
    members = belief.member[:-1, tries].T > 0  # (n_tries, n_live)
    both = np.repeat(own[None], len(tries), axis=0)
    both[:, :-1][members] = np.broadcast_to(usual, (len(tries), *usual.shape))[members]
    chance = both.sum(axis=1)  # (n_tries, n_outcomes)
    after = np.swapaxes(both / np.maximum(chance, 1e-300)[:, None], 1, 2)
    cost = _try_cost(planner, belief, state, index, members, after)
    minutes = state.repeat + belief.minutes[tries]
    score = minutes + (chance * cost).sum(axis=1)
    found = [
        Option("remedy", index, float(minutes[row]), chance[row], after[row], float(score[row]),
               planner.groups[belief.groups[column]])
        for row, column in enumerate(tries)
    ]  # fmt: skip
    if must_repeat(work) or (not work.remedies and work.repeats < 2):
        found.append(_repeat(belief, own, state, index))
    return found


def _list_tries(planner: Planner, belief: Belief, work: WorkUp) -> list[int]:
    """Return the remedies worth offering, as columns of the belief's."""
    done = set(work.remedies)
    chance = belief.blocks[:-1] @ belief.member[:-1]
    return [
        column
        for column, group in enumerate(belief.groups)
        if planner.groups[group] not in done and chance[column] >= REMEDY_LEAST
    ]


def _try_cost(
    planner: Planner,
    belief: Belief,
    state: State,
    index: int,
    members: NDArray[np.bool_],
    after: Array,
) -> Array:
    """Return the cost of the course after each remedy and outcome, (n_tries, n_outcomes) [min]."""
    test = planner.catalogue.tests[index]
    outcomes = test.check.reading.outcomes
    passed = np.array([outcomes[name].means == "pass" for name in test.outcomes])
    cost = np.zeros(after.shape[:2])
    for ok in (True, False):
        rows = after[:, passed == ok]
        fixed = np.repeat(state.fixed | members, rows.shape[1], axis=0)
        then = replace(state, fixed=fixed, may_return=ok, may_confirm=ok)
        own = course(belief, rows.reshape(-1, after.shape[2]), then).cost
        cost[:, passed == ok] = own.reshape(rows.shape[:2])
    return cost


def _repeat(belief: Belief, own: Array, state: State, index: int) -> Option:
    """Return the plain repeat. It shares the first reading's error, so it is no fresh evidence."""
    chance = own.sum(axis=0)
    cost = float(course(belief, belief.blocks[None, :], state).cost[0])
    after = np.tile(belief.blocks, (len(chance), 1))
    return Option("repeat", index, state.repeat, chance, after, state.repeat + cost)
