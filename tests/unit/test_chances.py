"""Chances of outcomes that are judged by several signs: boxes, order, against drawn readings."""

import numpy as np
import pytest

from diagnose.catalogue import Test as Asked
from diagnose.chances import boxes, judge, sign_edges
from diagnose.kb.load import load

CMH2O = 98.0665
FULL = load().checks["scavenging.bag_full"]
READING = FULL.reading
NAMES = list(READING.outcomes)


def test_limits_of_all_outcomes_cut_each_sign():
    gauge, bag = sign_edges(READING)
    assert gauge[1:-1] / CMH2O == pytest.approx([10])
    assert bag[1:-1] == pytest.approx([0.7])


def test_a_box_belongs_to_the_first_outcome_that_fits():
    found = dict(boxes(READING, sign_edges(READING)))
    assert {box: NAMES[place] for box, place in found.items()} == {
        (0, 0): "does_not_fill",
        (0, 1): "full_below_10",
        (1, 0): "slack_ten_or_more",
        (1, 1): "full_ten_or_more",
    }


def test_chances_agree_with_readings_drawn_at_random():
    """Monte Carlo of both signs with their errors; 4 standard deviations of 40,000 draws."""
    rng = np.random.default_rng(7)
    true = np.array([[[7.0, 7.0], [9.5, 9.5]], [[0.84, 0.84], [0.68, 0.68]]])
    true[0] *= CMH2O
    test = Asked("own", "own", "", FULL.model_copy(update={"misread": 1e-9}))
    # two severities a hair apart, so that the distance between neighbours widens nothing
    found = judge(test, true).reshape(2, 2, -1)[1, 0]
    gauge = 9.5 + 0.8 * rng.standard_normal(40_000)
    bag = 0.68 + 0.05 * rng.standard_normal(40_000)
    drawn = [
        ((bag >= 0.7) & (gauge < 10)).mean(),
        ((bag >= 0.7) & (gauge >= 10)).mean(),
        ((bag < 0.7) & (gauge >= 10)).mean(),
        ((bag < 0.7) & (gauge < 10)).mean(),
    ]
    assert found == pytest.approx(drawn, abs=0.01)
    assert found.sum() == pytest.approx(1)


def test_what_machines_differ_by_counts_as_an_error_of_the_reading():
    same = np.array([[[7.0, 7.0]], [[0.84, 0.84]]]) * [[[CMH2O]], [[1]]]
    apart = np.array([[[5.0, 9.0]], [[0.84, 0.84]]]) * [[[CMH2O]], [[1]]]
    test = Asked("own", "own", "", FULL)
    column = NAMES.index("full_ten_or_more")
    assert judge(test, apart)[0, column] > judge(test, same)[0, column]
