"""Worked examples of repair ordering, test sequencing, information gain and calibration.

Status of each number: (V) seen in retrieved text, (C) recomputed by plain enumeration or a closed
formula, (M) from memory. Numbers printed with n digits are compared to half a unit of the last one.

Left out, as no code of ours does it: hitting sets and conflicts, Huffman bound, noisy-OR, burglary,
pools, sequential tests, the logarithmic score, and the used car whose test is worth nothing.
"""

import importlib.util
import sys
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest

from diagnose.sequence import entropy, exact_plan, gain, order_cost, repair_cost, search_places

# own example (C): causes a, b, c, d
CHANCES, COSTS = [0.45, 0.30, 0.20, 0.05], [10.0, 4.0, 3.0, 1.0]


def cost_of(order: tuple[int, ...]) -> float:
    return order_cost([CHANCES[i] for i in order], [COSTS[i] for i in order])


def test_best_repair_order_is_by_chance_over_cost():
    # Rule: Kadane and Simon 1977; Heckerman, Breese and Rommelse 1995 (V). Numbers (C).
    costs = {order: cost_of(order) for order in permutations(range(4))}
    best = min(costs, key=costs.__getitem__)
    assert best == (1, 2, 3, 0)
    assert costs[best] == pytest.approx(11.10, abs=0.005)
    assert cost_of((0, 1, 2, 3)) == pytest.approx(13.00, abs=0.005)  # by chance alone
    assert max(costs.values()) == pytest.approx(13.25, abs=0.005)


def test_repair_cost_finds_the_best_order_by_itself():
    cost, tries, spent = repair_cost(np.array([CHANCES]), np.array(COSTS), 1e6)
    assert cost[0] == pytest.approx(11.10, abs=0.005)
    assert tries[0] == 4
    assert spent[0] == pytest.approx(11.10, abs=0.005)


@pytest.mark.parametrize(
    ("service", "least", "tries"), [(8.0, 8.0, 0), (12.0, 11.1, 4), (15.0, 11.1, 4)]
)
def test_calling_for_service_looks_past_the_next_step(service, least, tries):
    # Lin 2014 for the cut-off (V); table (C). At 12 one step alone looks worse than calling.
    cost, count, _ = repair_cost(np.array([CHANCES]), np.array(COSTS), service)
    assert cost[0] == pytest.approx(least, abs=0.05)
    assert count[0] == tries


@pytest.mark.parametrize(
    ("service", "table"),
    [
        (8, [8.0, 9.6, 10.1, 10.2, 11.1]),
        (12, [12.0, 12.4, 12.1, 12.0, 11.1]),
        (15, [15.0, 14.5, 13.6, 13.35, 11.1]),
    ],
)
def test_call_service_table(service, table):
    # (C). Stopping after k tries: a call is one more remedy that is sure to end the trouble.
    order = (1, 2, 3, 0)
    for tries, cost in enumerate(table):
        chances = [CHANCES[i] for i in order[:tries]]
        own = order_cost(
            [*chances, 1 - sum(chances)], [*(COSTS[i] for i in order[:tries]), service]
        )
        assert own == pytest.approx(cost, abs=0.005)


def test_repair_cost_takes_many_rows_at_once():
    service = np.array([8.0, 12.0, 15.0])
    cost, tries, _ = repair_cost(np.tile(CHANCES, (3, 1)), np.array(COSTS), service)
    assert cost == pytest.approx([8.0, 11.1, 11.1], abs=0.005)
    assert tries.tolist() == [0, 4, 4]


# Textbook exercise (V+C): program, virus, hardware; action 1 cures the program, 2 the virus with
# .95, 3 either of them with .99, 4 everything.
CAUSES = np.array([0.80, 0.15, 0.05])
CURES = np.array([[1, 0, 0], [0, 0.95, 0], [0.99, 0.99, 0], [1, 1, 1]])
PRICES = np.array([1.0, 2.0, 25.0, 500.0])


def exercise_cost(order: tuple[int, ...]) -> float:
    """Return the cost of an order; the cures overlap, so each ends what those before it left."""
    left, ended = CAUSES.copy(), []
    for action in order:
        ended.append(float(left @ CURES[action]))
        left = left * (1 - CURES[action])
    return order_cost(ended, PRICES[list(order)])


@pytest.mark.parametrize(
    ("order", "cost"),
    [
        ((0, 1, 2, 3), 27.875),
        ((1, 0, 2, 3), 29.3325),
        ((0, 1, 3), 30.15),
        ((0, 2, 1, 3), 31.1405),
    ],
)
def test_textbook_exercise(order, cost):
    assert exercise_cost(order) == pytest.approx(cost, abs=5e-5)


def test_best_order_of_the_textbook_exercise():
    orders = [(*front, 3) for n in range(4) for front in permutations(range(3), n)]
    assert min(orders, key=exercise_cost) == (0, 1, 2, 3)


# Six states, five tests (M, agrees with the printed optimum 2.18: M+C)
SIX = [0.70, 0.01, 0.02, 0.10, 0.05, 0.12]
TESTS = ["00000", "01001", "00110", "10011", "11000", "11110"]
TABLE = [[int(c) for c in row] for row in TESTS]


def greedy_cost(group: tuple[int, ...]) -> float:
    """Return the expected number of tests if each is the one of most gain, by our ``gain``."""
    if len(group) < 2:
        return 0.0
    mass = sum(SIX[i] for i in group)
    prior = np.array([SIX[i] / mass for i in group])
    sure = [np.eye(2)[[TABLE[i][test] for i in group]] for test in range(5)]
    best = max(range(5), key=lambda test: gain(prior, sure[test]))
    parts = [tuple(i for i in group if TABLE[i][best] == outcome) for outcome in (0, 1)]
    return mass + sum(greedy_cost(part) for part in parts)


def test_six_by_five_sequencing_optimum():
    cost, first = exact_plan(SIX, [1.0] * 5, TABLE)
    assert cost == pytest.approx(2.18, abs=0.005)
    assert first + 1 == 2


def test_greedy_gain_is_a_third_above_the_optimum_there():
    assert greedy_cost(tuple(range(6))) == pytest.approx(2.86, abs=0.005)


def test_entropy_of_the_six_states():
    assert float(entropy(np.array(SIX))) == pytest.approx(1.4549, abs=5e-5)


@pytest.mark.parametrize("number", range(5))
def test_exact_plan_is_never_dearer_than_any_order_of_tests(number):
    # Second route (C): the best fixed order, stopped as soon as the state is known, costs no less.
    rng = np.random.default_rng(number)
    chances = rng.dirichlet(np.ones(5))
    table = np.array([list(map(int, f"{i:03b}")) for i in rng.choice(8, 5, replace=False)])
    fixed = []
    for order in permutations(range(3)):
        spent = [next(k for k in range(4) if is_known(table, order[:k], i)) for i in range(5)]
        fixed.append(float(chances @ spent))
    cost, _ = exact_plan(chances.tolist(), [1.0] * 3, table.tolist())
    assert 1.0 <= cost <= min(fixed) + 1e-9


def is_known(table, tests, state) -> bool:
    seen = table[:, list(tests)]
    return int((seen == seen[state]).all(axis=1).sum()) == 1


# Posterior and gain on a toy (C): four causes, two tests
PRIOR = np.array([0.50, 0.25, 0.15, 0.10])
TOY = {
    "t1": np.array([0.95, 0.90, 0.10, 0.10]),
    "t2": np.array([0.95, 0.10, 0.90, 0.10]),
}


@pytest.mark.parametrize(("test", "bits"), [("t1", 0.47085), ("t2", 0.56076)])
def test_gain_of_the_toy(test, bits):
    likelihood = np.column_stack([TOY[test], 1 - TOY[test]])
    assert gain(PRIOR, likelihood) == pytest.approx(bits, abs=5e-6)
    # second route: entropy before, less the expected entropy after
    joint = PRIOR[:, None] * likelihood
    after = sum(p * float(entropy(own / p)) for p, own in zip(joint.sum(0), joint.T, strict=True))
    assert gain(PRIOR, likelihood) == pytest.approx(float(entropy(PRIOR)) - after, abs=1e-12)


def test_search_places_of_the_toy():
    # (C) by hand: 0 x .50 + 1 x .25 + 2 x .15 + 3 x .10
    assert search_places(PRIOR[[2, 0, 3, 1]][None])[0] == pytest.approx(0.85)


# Polybox (V): X = A C, Y = B D, Z = C E, F = X + Y, G = Y + Z; A, B, C, D, E = 3, 2, 2, 3, 3; seen
# F = 10, G = 12
def outputs(broken: tuple[bool, ...], free: dict[str, int]) -> dict[str, int | None]:
    """Return what a set of broken parts (M1, M2, M3, A1, A2) predicts at X, Y, Z; None if open."""
    x, y, z = (None if bad else 6 for bad in broken[:3])
    a1, a2 = broken[3:]
    for _ in range(2):  # F = 10 and G = 12 through a sound adder give the other side
        if not a1 and y is not None and x is None:
            x = 10 - y
        if not a1 and x is not None and y is None:
            y = 10 - x
        if not a2 and y is not None and z is None:
            z = 12 - y
        if not a2 and z is not None and y is None:
            y = 12 - z
    clash = (not a1 and x is not None and y is not None and x + y != 10) or (
        not a2 and z is not None and y is not None and y + z != 12
    )
    return {"X": x, "Y": y, "Z": z, "clash": int(clash)} | free


@pytest.fixture(scope="module")
def polybox():
    every = [outputs(broken, {"size": sum(broken)}) for broken in product([False, True], repeat=5)]
    sound = [own for own in every if not own["clash"]]
    weight = np.array([0.01 ** own["size"] * 0.99 ** (5 - own["size"]) for own in sound])
    return sound, weight / weight.sum()


def test_polybox_candidates_and_their_entropy(polybox):
    # de Kleer and Williams 1987; 27 of 32 candidates and the entropy: (C).
    sound, chance = polybox
    assert len(sound) == 27
    assert sorted(chance)[-2:] == pytest.approx([0.478, 0.478], abs=5e-4)
    assert sorted(chance)[-3] <= 0.0049
    assert float(entropy(chance)) == pytest.approx(1.359, abs=5e-4)


def test_polybox_probes_in_the_order_of_our_gain(polybox):
    # Best probe X, then Y, then Z (M+C). An open value may be any of 16.
    sound, chance = polybox
    gains = {}
    for probe in "XYZ":
        sure = np.eye(16)[[own[probe] or 0 for own in sound]]
        is_open = np.array([own[probe] is None for own in sound])
        gains[probe] = gain(chance, np.where(is_open[:, None], 1 / 16, sure))
    assert sorted(gains, key=gains.__getitem__, reverse=True) == ["X", "Y", "Z"]
    assert gains["X"] > 0.9  # of 1.359 bit: it nearly halves the two that matter


@pytest.fixture(scope="module")
def simulate():
    path = Path(__file__).parents[1] / "bench" / "simulate.py"
    spec = importlib.util.spec_from_file_location("simulate_for_methods", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look their module up
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.mark.parametrize(
    ("number", "mean", "most"), [(50, 0.125, 0.188), (200, 0.064, 0.096), (1000, 0.028, 0.043)]
)
def test_calibration_band_of_a_perfect_forecaster(simulate, number, mean, most):
    # (C): ten bins, confidences uniform on .3 to 1. 8 %: a quantile of 1000 draws of one set of
    # confidences, against many sets.
    rng = np.random.default_rng(7)
    confidence = np.linspace(0.3, 1, number)
    band = simulate.calibration_band(confidence, draws=1000)
    assert band == pytest.approx(most, rel=0.08)
    right = rng.uniform(size=(300, number)) < confidence
    errors = [simulate.calibration_error(confidence, own.astype(float)) for own in right]
    assert np.mean(errors) == pytest.approx(mean, rel=0.08)


def test_calibration_error_of_a_boaster(simulate):
    # Plain arithmetic (C): right six times in ten at a confidence of .95.
    right = np.array([1.0] * 6 + [0.0] * 4)
    assert simulate.calibration_error(np.full(10, 0.95), right) == pytest.approx(0.35)
