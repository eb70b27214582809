"""The stock drills against simulated trainees and against the planner's best plan."""

import numpy as np
import pytest
from trainees import compare, find_best, open_drill

from diagnose.kb.load import load

BASE = load()
pytestmark = pytest.mark.bench
RATIO_MOST = 1.5


def test_random_chart_and_planner_score_in_that_order():
    found = compare(sorted(BASE.drills))
    means = {name: np.mean([each.score for each in own]) for name, own in found.items()}
    print(means)
    assert means["random"] < means["chart"] < means["planner"]
    assert not any(each.is_failed for each in found["planner"])


@pytest.mark.parametrize("name", sorted(BASE.drills))
def test_the_planner_solves_a_drill_within_half_more_than_its_best_plan(name):
    best = find_best(*open_drill(BASE, name, {}), name)
    assert best.verdict == "solved"
    assert best.ratio <= RATIO_MOST
