"""Posterior and information gain against an independent program, pyAgrum, on the same table.

The network there: which cause, which machine, and below both one node per test. The table itself is
compiled here, so this tests the reasoning, not the knowledge. Tolerance 1e-4: the table is kept in
32-bit floats and its logarithms are floored at 1e-9.
"""

from dataclasses import replace

import numpy as np
import pyagrum
import pytest

from diagnose.catalogue import list_catalogue
from diagnose.kb.load import load
from diagnose.model import WorkUp
from diagnose.predict import compile_table
from diagnose.rank import prior_of, rank
from diagnose.readings import read_answer
from diagnose.sequence import entropy, gain

TESTS = (
    "breathing.hold_30",
    "breathing.hold_bag_plugged",
    "breathing.leak_solution",
    "vapour.bulb_all_off",
)
WORK_UPS = [
    {"breathing.hold_30": "falls_fast"},
    {"breathing.hold_30": "holds"},
    {"vapour.bulb_all_off": "fills_slowly", "breathing.hold_30": "holds"},
    {"breathing.hold_30": "falls_slowly", "breathing.hold_bag_plugged": "holds"},
    {
        "breathing.hold_30": "falls_fast",
        "breathing.hold_bag_plugged": "falls_fast",
        "breathing.leak_solution": "no_bubbles",
        "vapour.bulb_all_off": "stays_flat",
    },
]


@pytest.fixture(scope="module")
def small():
    """The teaching machine with four of its tests, and their table."""
    whole = list_catalogue(load(), "small")
    tests = tuple(test for test in whole.tests if test.id in TESTS)
    catalogue = replace(whole, tests=tests)
    return catalogue, compile_table(catalogue, "published", n_machines=12)


def outcome_chances(catalogue, table, test):
    """Return P(outcome | cause, machine), (n_blocks, n, n_outcomes), of causes that come and go."""
    prob = table.prob[:, table.columns(table.index[test])].astype(float)
    prob = prob.reshape(len(table.causes), table.n, -1)
    shows = np.array([1.0] + [cause.fault.intermittent for cause in catalogue.causes])
    mixed = shows[:, None, None] * prob + (1 - shows)[:, None, None] * prob[0]
    return mixed / mixed.sum(axis=-1, keepdims=True)


@pytest.fixture(scope="module")
def network(small):
    """The same table as a Bayesian network."""
    catalogue, table = small
    bn = pyagrum.BayesNet("small")
    bn.add(pyagrum.RangeVariable("cause", "", 0, len(table.causes) - 1))
    bn.add(pyagrum.RangeVariable("machine", "", 0, table.n - 1))
    prior = prior_of(catalogue)
    bn.cpt("cause").fillWith((prior / prior.sum()).tolist())
    bn.cpt("machine").fillWith([1 / table.n] * table.n)
    for test in catalogue.tests:
        bn.add(pyagrum.LabelizedVariable(test.id, "", list(test.outcomes)))
        bn.addArc("cause", test.id)
        bn.addArc("machine", test.id)
        for (cause, machine), chances in rows_of(outcome_chances(catalogue, table, test.id)):
            bn.cpt(test.id)[{"cause": cause, "machine": machine}] = chances
    return bn


def rows_of(chances):
    return [(place, chances[place].tolist()) for place in np.ndindex(*chances.shape[:2])]


def work_up(catalogue, given):
    work = WorkUp("small", next(iter(given)))
    for test, answer in given.items():
        work = work.add(read_answer(catalogue, test, answer))
    return work


def infer(network, given):
    engine = pyagrum.LazyPropagation(network)
    engine.setEvidence(dict(given))
    return engine


def shared(engine, test):
    """Return the mutual information of cause and test [bit]."""
    return pyagrum.InformationTheory(engine, ["cause"], [test]).mutualInformationXY()


@pytest.mark.parametrize("given", WORK_UPS, ids=lambda given: "_".join(given.values()))
def test_posterior_is_that_of_pyagrum(small, network, given):
    # Single causes and nothing wrong, among themselves: the network knows no pairs and no unknown.
    catalogue, table = small
    ours = rank(catalogue, table, work_up(catalogue, given)).chance
    engine = infer(network, given)
    engine.makeInference()
    theirs = engine.posterior("cause").toarray()
    assert np.abs(ours / ours.sum() - theirs).max() < 1e-4
    assert np.argmax(ours) == np.argmax(theirs)
    likely = theirs > 1e-3
    assert ours[likely] / ours.sum() == pytest.approx(theirs[likely], rel=1e-3)


@pytest.mark.parametrize("test", TESTS)
def test_gain_before_any_reading_is_that_of_pyagrum(small, network, test):
    catalogue, table = small
    prior = prior_of(catalogue)
    ours = gain(prior / prior.sum(), outcome_chances(catalogue, table, test).mean(axis=1))
    assert ours == pytest.approx(shared(pyagrum.LazyPropagation(network), test), rel=1e-4)


@pytest.mark.parametrize("test", TESTS[1:])
def test_gain_after_a_failed_hold_is_that_of_pyagrum(small, network, test):
    # What a test would show is averaged over a cause's machines as the failed hold weighs them.
    catalogue, table = small
    given = {"breathing.hold_30": "falls_fast"}
    weight = rank(catalogue, table, work_up(catalogue, given)).weight
    chance = weight.sum(axis=1)
    shown = outcome_chances(catalogue, table, test)
    likelihood = (weight[:, :, None] * shown).sum(axis=1) / chance[:, None]
    theirs = shared(infer(network, given), test)
    assert gain(chance / chance.sum(), likelihood) == pytest.approx(theirs, rel=1e-3)
    assert theirs > 0.01  # the test says something


def test_entropy_is_that_of_pyagrum(small, network):
    catalogue, _ = small
    prior = prior_of(catalogue)
    ours = float(entropy(prior / prior.sum()))
    assert ours == pytest.approx(pyagrum.LazyPropagation(network).H("cause"), rel=1e-6)


def test_readings_count_together_through_severity(small):
    # Why the network has a machine node: averaging each test over severities first gives another
    # answer, and a wrong one. Two holds of one leak are not independent.
    catalogue, table = small
    given = {"breathing.hold_30": "falls_slowly", "breathing.hold_bag_plugged": "holds"}
    ours = rank(catalogue, table, work_up(catalogue, given)).chance
    naive = prior_of(catalogue)
    for test, outcome in given.items():
        place = catalogue.tests[table.index[test]].outcomes.index(outcome)
        naive = naive * outcome_chances(catalogue, table, test).mean(axis=1)[:, place]
    assert np.abs(ours / ours.sum() - naive / naive.sum()).max() > 0.01
