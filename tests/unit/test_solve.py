"""The solver on networks small enough to work out by hand or by a dense matrix."""

import numpy as np
import pytest

from diagnose.errors import PhysicsError
from diagnose.physics import solve
from diagnose.physics.laws import hole_coefficient, make_law
from diagnose.physics.network import Stores
from diagnose.physics.solve import Net, Source, advance, content, settle, steps

ROOMY = 1e-8  # compliance of about a litre [m3/Pa]


def net_of(ends, table, rigid, feed=None, bags=(), bulbs=()):
    """Return a network; ``table`` is (4, n_pieces) for one row or (4, n_pieces, n_rows)."""
    table = np.asarray(table, dtype=float)
    table = table[:, :, None] if table.ndim == 2 else table
    rigid = np.asarray(rigid, dtype=float).reshape(-1, 1) * np.ones(table.shape[2])
    given = 0 * rigid + np.asarray(0 if feed is None else feed, dtype=float).reshape(-1, 1)
    before, after = np.array(ends).T
    return Net(before, after, make_law(table), Stores(rigid, bags, bulbs), given)


def passages(*conductances):
    """Return the table of elements that conduct both ways."""
    own = np.array(conductances, dtype=float)
    return np.stack([own, 0 * own, own, 0 * own])


def test_one_step_of_one_leaking_space_is_the_implicit_step():
    net = net_of([(0, 1)], passages(1e-9), [ROOMY])
    assert advance(net, np.array([[1000.0]]), 5.0)[0, 0] == pytest.approx(1000 / (1 + 5e-9 / ROOMY))


def test_many_small_steps_are_the_exponential():
    net, pg = net_of([(0, 1)], passages(1e-9), [ROOMY]), np.array([[1000.0]])
    for _ in range(2000):
        pg = advance(net, pg, 10 / 2000)
    assert pg[0, 0] == pytest.approx(1000 * np.exp(-1), rel=1e-3)


def test_two_spaces_share_what_they_hold():
    net = net_of([(0, 1), (0, 2)], passages(1e-6, 0.0), [ROOMY, 3 * ROOMY])
    pg = settle(net, np.array([[800.0], [0.0]]), 600.0)
    assert pg[:, 0] == pytest.approx([200.0, 200.0], abs=0.1)


def test_what_is_fed_in_stays_in_a_tight_space():
    net = net_of([(0, 1)], passages(0.0), [ROOMY], feed=[1e-6])
    assert advance(net, np.zeros((1, 1)), 2.0)[0, 0] == pytest.approx(2e-6 / ROOMY)


@pytest.mark.parametrize("number", range(5))
def test_a_linear_step_is_that_of_a_dense_matrix(number):
    rng = np.random.default_rng(number)
    n = 7
    ends = [(int(rng.integers(i)), i) for i in range(1, n)] + [(0, 3), (2, 6), (1, n), (5, n)]
    conduct, rigid = rng.uniform(1e-8, 1e-6, len(ends)), rng.uniform(1, 9, n) * 1e-8
    start, feed, dt = rng.uniform(-500, 3000, n), rng.uniform(0, 1e-5, n), 0.7
    matrix = np.diag(rigid / dt)
    for (a, b), g in zip(ends, conduct, strict=True):
        for one, other in ((a, b), (b, a)):
            if one < n:
                matrix[one, one] += g
                if other < n:
                    matrix[one, other] -= g
    right = np.linalg.solve(matrix, rigid * start / dt + feed)
    net = net_of(ends, passages(*conduct), rigid, feed)
    assert advance(net, start[:, None], dt)[:, 0] == pytest.approx(right, abs=1e-6)


def test_rows_do_not_feel_each_other():
    rng = np.random.default_rng(3)
    table = np.abs(rng.normal(size=(4, 3, 6))) * np.array([1e-7, 100, 1e-9, 1e-6])[:, None, None]
    table[0] += table[2]
    net = net_of([(0, 1), (1, 2), (1, 2)], table, [ROOMY, ROOMY])
    start = rng.uniform(0, 3000, (2, 6))
    together = advance(net, start, 1.0)
    for row in range(6):
        alone = net_of([(0, 1), (1, 2), (1, 2)], table[:, :, [row]], [ROOMY, ROOMY])
        own = advance(alone, start[:, [row]], 1.0)[:, 0]
        assert own == pytest.approx(together[:, row], abs=0.5)


def test_a_valve_lets_gas_through_one_way_only():
    table = [[1e-6], [50.0], [0.0], [0.0]]
    table = np.concatenate([table, np.zeros((4, 1))], axis=1)
    forward = net_of([(0, 1), (0, 2)], table, [ROOMY, ROOMY])
    opened = settle(forward, np.array([[1000.0], [0.0]]), 60.0)[:, 0]
    shut = settle(forward, np.array([[0.0], [1000.0]]), 60.0)[:, 0]
    assert opened == pytest.approx([525.0, 475.0], abs=1.0)  # it shuts 50 Pa apart
    assert shut == pytest.approx([0.0, 1000.0], abs=1e-6)


def test_a_source_holds_a_pressure_and_gives_what_leaks():
    net = net_of([(0, 1)], passages(1e-8), [ROOMY])
    source = Source(0, np.array([3000.0]), -np.inf, np.inf, 1e-3)
    net.sources.append(source)
    pg = settle(net, np.zeros((1, 1)), 60.0)
    given, slope = source.flow(pg[0])
    assert pg[0, 0] == pytest.approx(3000.0, abs=0.1)
    assert given[0] == pytest.approx(1e-8 * 3000, rel=1e-3)
    assert slope[0] == -1e-3


def test_a_source_gives_no_more_and_no_less_than_its_limits():
    source = Source(0, np.array([3000.0, -3000.0]), 0.0, 1e-5)
    flow, slope = source.flow(np.zeros(2))
    assert flow.tolist() == [1e-5, 0.0]
    assert slope.tolist() == [0.0, 0.0]


def test_a_bag_holds_the_pressure_up():
    bag = ((0, np.array([2e-3]), np.array([5e-7])),)
    soft = net_of([(0, 1)], passages(1e-8), [ROOMY], bags=bag)
    stiff = net_of([(0, 1)], passages(1e-8), [ROOMY])
    left = [advance(net, np.array([[3000.0]]), 5.0)[0, 0] for net in (soft, stiff)]
    assert left[0] > 2500 > 1000 > left[1]


def test_content_counts_walls_bags_and_bulbs():
    bag = ((0, np.array([2e-3]), np.array([5e-7])),)
    bulb = ((1, np.array([6e-5]), np.array([6374.0])),)
    made = Stores(np.full((2, 1), ROOMY), bag, bulb)
    held, compliance = content(made, np.array([[700.0], [-6374.0]]), np.arange(1))
    assert held[0, 0] == pytest.approx(700 * ROOMY + 1.6e-3 + 5e-7 * 650)
    assert held[1, 0] == pytest.approx(-6374 * ROOMY)
    assert (compliance >= ROOMY).all()


@pytest.mark.parametrize("number", [3, 6, 12, 26])
def test_steps_grow_and_add_up(number):
    sizes = steps(10.0, number)
    assert sizes.sum() == pytest.approx(10.0)
    assert (np.diff(sizes) > 0).all()


def test_a_large_hole_into_a_small_space_converges_in_one_long_step():
    hole = np.array([[0.0], [0.0], [0.0], [float(hole_coefficient(10e-3))]])
    net = net_of([(0, 1)], hole, [2e-11])
    assert abs(advance(net, np.array([[3000.0]]), 30.0)[0, 0]) < 1.0


def test_a_row_that_does_not_converge_is_an_error_not_a_number(monkeypatch):
    monkeypatch.setattr(solve, "ROUNDS", 1)
    monkeypatch.setattr(solve, "SPLITS", 0)
    hole = np.array([[0.0], [0.0], [0.0], [1e-6]])
    with pytest.raises(PhysicsError) as caught:
        advance(net_of([(0, 1)], hole, [ROOMY]), np.array([[3000.0]]), 30.0)
    assert caught.value.model == "network"
    assert caught.value.value > solve.TOLERANCE


def test_a_long_step_is_cut_when_newton_alone_does_not_get_there(monkeypatch):
    hole = np.array([[0.0], [0.0], [0.0], [1e-6]])
    net, start = net_of([(0, 1)], hole, [ROOMY]), np.array([[3000.0]])
    whole = advance(net, start, 3.0)[0, 0]
    monkeypatch.setattr(solve, "ROUNDS", 4)
    cut = advance(net, start, 3.0)[0, 0]
    assert cut != whole  # other steps, another error
    assert cut == pytest.approx(whole, abs=100)
