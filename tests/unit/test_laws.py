"""The laws of single elements: holes, gas flow, valves, bags and bulbs."""

import numpy as np
import pytest

from diagnose.errors import PhysicsError
from diagnose.physics.laws import (
    P_SMOOTH,
    bag_content,
    bulb_content,
    flow_through,
    hole_coefficient,
    make_law,
    orifice_mass_flow,
    smooth_root,
)


def table(forward=0.0, opening=0.0, seat=0.0, hole=0.0):
    """Return the law of one element in one row."""
    return make_law(np.array([forward, opening, seat, hole], dtype=float).reshape(4, 1, 1))


def flow(law, *dp):
    return np.array([flow_through(np.array([[each]], dtype=float), law)[0][0, 0] for each in dp])


def slope_of(function, at, step=1e-4):
    return (function(at + step) - function(at - step)) / (2 * step)


def test_twice_the_bore_leaks_four_times():
    assert hole_coefficient(2e-3) == pytest.approx(4 * hole_coefficient(1e-3))


def test_no_hole_leaks_nothing():
    assert hole_coefficient(np.zeros(2)).tolist() == [0.0, 0.0]


def test_choked_flow_ignores_downstream_pressure():
    low, high = (orifice_mass_flow(500e3, p_down, 1e-6, 293.15) for p_down in (1e3, 200e3))
    assert low == high > 0


def test_no_gas_flows_without_a_difference():
    assert orifice_mass_flow(2e5, 2e5, 1e-6, 293.15) == 0.0


@pytest.mark.parametrize(
    ("p_up", "p_down", "quantity", "value"),
    [(1e5, 0.0, "pressure", 0.0), (-1.0, 1e5, "pressure", -1.0), (1e5, 2e5, "p_down", 2e5)],
)
def test_impossible_pressures_are_refused(p_up, p_down, quantity, value):
    with pytest.raises(PhysicsError) as caught:
        orifice_mass_flow(p_up, p_down, 1e-6, 293.15)
    assert (caught.value.model, caught.value.quantity) == ("orifice_mass_flow", quantity)
    assert caught.value.value == value


def test_rounded_root_is_the_root_well_above_the_rounding():
    root, _ = smooth_root(np.array([100 * P_SMOOTH, -100 * P_SMOOTH]))
    assert root == pytest.approx([(100 * P_SMOOTH) ** 0.5, -((100 * P_SMOOTH) ** 0.5)], rel=1e-4)


def test_rounded_root_goes_through_zero_with_a_finite_slope():
    root, slope = smooth_root(np.array([0.0]))
    assert root[0] == 0.0
    assert slope[0] == pytest.approx(P_SMOOTH**-0.5)


@pytest.mark.parametrize("at", [-3000.0, -4.0, 0.0, 2.0, 50.0])
def test_slope_of_the_root_is_its_derivative(at):
    measured = slope_of(lambda dp: smooth_root(np.array([dp]))[0][0], at)
    assert smooth_root(np.array([at]))[1][0] == pytest.approx(measured, rel=1e-5)


def test_passage_conducts_both_ways_alike():
    assert flow(table(forward=2e-6, seat=2e-6), 100, -100) == pytest.approx([2e-4, -2e-4])


def test_valve_opens_above_its_pressure_and_leaks_past_its_seat():
    law = table(forward=1e-6, opening=100, seat=1e-9)
    assert flow(law, 100, 300) == pytest.approx([1e-7, 3e-7 + 200 * (1e-6 - 1e-9)])
    assert flow(law, -300) == pytest.approx([-3e-7])


def test_hole_and_valve_side_by_side_add():
    valve = {"forward": 1e-6, "opening": 100, "seat": 1e-9}
    apart = flow(table(**valve), 300) + flow(table(hole=1e-6), 300)
    assert flow(table(**valve, hole=1e-6), 300) == pytest.approx(apart)


def test_only_elements_that_need_it_are_split_off():
    forward, opening, seat, hole = [1, 2, 0], [0, 5, 0], [1, 0.5, 0], [0, 0, 3]
    law = make_law(np.array([forward, opening, seat, hole], dtype=float)[:, :, None])
    assert law.holes.tolist() == [2]
    assert law.ways.tolist() == [1]
    assert law.more.tolist() == [[1.5]]


def test_law_of_some_rows_is_that_of_the_whole():
    rng = np.random.default_rng(1)
    whole = make_law(np.abs(rng.normal(size=(4, 3, 5))))
    dp = rng.normal(size=(3, 5)) * 100
    rows = np.array([4, 1])
    some, _ = flow_through(dp[:, rows], whole.take(rows))
    assert some == pytest.approx(flow_through(dp, whole)[0][:, rows])


@pytest.mark.parametrize("at", [-500.0, -10.0, 20.0, 150.0, 2000.0])
def test_slope_of_a_flow_is_its_derivative(at):
    law = table(forward=1e-6, opening=100, seat=1e-9, hole=1e-6)
    slope = flow_through(np.array([[at]]), law)[1][0, 0]
    assert slope == pytest.approx(slope_of(lambda dp: flow(law, dp)[0], at, 1e-3), rel=1e-5)


@pytest.mark.parametrize("pg", [-200.0, -5.0, 0.0, 30.0, 50.0, 80.0, 3000.0])
def test_compliance_of_a_bag_is_the_slope_of_its_content(pg):
    size, stretch = np.array([2e-3]), np.array([5e-7])
    measured = slope_of(lambda p: bag_content(np.array([p]), size, stretch)[0][0], pg, 1e-2)
    assert bag_content(np.array([pg]), size, stretch)[1][0] == pytest.approx(measured, rel=1e-4)


def test_no_bag_holds_nothing():
    content, compliance = bag_content(np.array([-50.0, 0.0, 3000.0]), np.zeros(1), np.zeros(1))
    assert content.tolist() == compliance.tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize("pg", [-6000.0, -3000.0, -300.0])
def test_compliance_of_a_bulb_is_the_slope_of_its_content(pg):
    size, recoil = np.array([6e-5]), np.array([6374.0])
    measured = slope_of(lambda p: bulb_content(np.array([p]), size, recoil)[0][0], pg, 1e-2)
    assert bulb_content(np.array([pg]), size, recoil)[1][0] == pytest.approx(measured, rel=1e-4)


def test_bulb_is_flat_at_its_recoil_and_round_at_the_rooms_pressure():
    pg = np.array([-9000.0, -6374.0, 0.0, 500.0])
    content, _ = bulb_content(pg, np.array([6e-5]), np.array([6374.0]))
    assert content == pytest.approx([0, 0, 6e-5, 6e-5], abs=1e-11)
