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
SURE = 0.75  # a remedy this likely to be right is done at once [-]
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
    after: Array  # (n_outcomes, n_blocks + 1)
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

    @property
    def is_done(self) -> bool:
        """Tell whether no act is worth its minutes."""
        return not any(option.score < self.now - 1e-9 for option in self.options)


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
    cost = float(base.cost[0])
    options: list[Option] = []
    if tests_done(work) <= TESTS_MOST:
        options = [
            *_check_options(planner, belief, ranking, work, state),
            *_remedy_options(planner, belief, work, state),
        ]
        options = _follow(planner, options, base, work)
        options = [option for option in options if option.leads or option.score < cost - 1e-9]
    at_once = must_repeat(work) or _lead_chance(planner, belief, base, state) >= SURE
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
    ahead = 0.0
    if options:
        after = course(planner, options[0].after, state)
        ahead = options[0].minutes + float(options[0].chance @ after.time)
    return Plan(now, tuple(options), ahead)


def _follow(planner: Planner, options: list[Option], base: Course, work: WorkUp) -> list[Option]:
    """Give the act that begins the simple course that course's cost, so both are weighed alike."""
    firsts = [option for option in options if _begins(planner, option, base, work)]
    if not firsts:
        return options
    best = min(firsts, key=lambda option: (option.score, option.minutes, option.test))
    led = replace(best, score=min(best.score, float(base.cost[0])), leads=True)
    return [led if option is best else option for option in options]


def _lead_chance(planner: Planner, belief: Belief, base: Course, state: State) -> float:
    """Return the chance of the likeliest single cause that the first remedy puts right."""
    if base.first[0] >= len(planner.groups) or not base.tries[0]:
        return 0.0
    own = planner.member[:, int(base.first[0])] * state.open_
    return float((belief.blocks * own).max())


def _begins(planner: Planner, option: Option, base: Course, work: WorkUp) -> bool:
    if must_repeat(work):
        return option.kind == "repeat"
    if not base.tries[0]:
        return False
    if base.first[0] < len(planner.groups):
        return option.remedy == planner.groups[int(base.first[0])]
    if work.repeats < 2:
        return option.kind == "repeat"
    failed = planner.table.index[work.failed]
    return option.kind == "check" and bool(planner.confirms[failed, option.test])


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
    own = joint(planner, belief, columns)
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
    """Return the option of a remedy; ``both`` are its joint chances, (n_blocks + 1, n_outcomes)."""
    chance = both.sum(axis=0)
    after = (both / np.maximum(chance, 1e-300)).T
    test = planner.catalogue.tests[index]
    outcomes = test.check.reading.outcomes
    passed = np.array([outcomes[name].means == "pass" for name in test.outcomes])
    cost = np.zeros(len(passed))
    for ok in (True, False):
        rows = passed == ok
        if rows.any():
            then = replace(state, may_return=ok, may_confirm=ok)
            cost[rows] = course(planner, after[rows], then).cost
    return Option("remedy", index, minutes, chance, after, float(minutes + chance @ cost), group)


def _repeat(planner: Planner, belief: Belief, own: Array, state: State, index: int) -> Option:
    """Return the plain repeat. It shares the first reading's error, so it is no fresh evidence."""
    chance = own.sum(axis=0)
    cost = float(course(planner, belief.blocks[None, :], state).cost[0])
    after = np.tile(belief.blocks, (len(chance), 1))
    return Option("repeat", index, state.repeat, chance, after, state.repeat + cost)
