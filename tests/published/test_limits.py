"""What the checks can show of the published leak limits, and the smallest leak each can show.

Status beside each figure: (V) seen, (M) from memory, (C) computed from the figures named.
"""

from dataclasses import replace

import numpy as np
import pytest

from diagnose.kb.schema import Sourced
from diagnose.particles import predict_quantity
from diagnose.physics.laws import flow_through, hole_coefficient, make_law
from diagnose.physics.network import Stores, vary
from diagnose.physics.solve import Net, advance, steps

CMH2O, ML_MIN, MMHG = 98.0665, 1e-6 / 60, 133.322
OPEN = "two_vaporizers_open"
PROFILES = (OPEN, "two_vaporizers_valve", "one_vaporizer_valve", "one_vaporizer_air")
WITH_BAG, BAG_PLUGGED = "breathing.hold_30", "breathing.hold_bag_plugged"
BULB = "vapour.bulb_all_off"


def fall_in_10_s(leak_ml_min: float, compliance_ml_cmh2o: float) -> float:
    """Return the fall from 30 cmH2O in 10 s, by the solver's own steps of a waiting time."""
    seep = np.array([[leak_ml_min * ML_MIN / (30 * CMH2O)]])
    law = make_law(np.stack([seep, 0 * seep, seep, 0 * seep]))
    rigid = np.array([[compliance_ml_cmh2o * 1e-6 / CMH2O]])
    net = Net(np.array([0]), np.array([1]), law, Stores(rigid, (), ()), np.zeros((1, 1)))
    pg = np.array([[30 * CMH2O]])
    for dt in steps(10.0, 12):
        pg = advance(net, pg, float(dt))
    return float(30 - pg[0, 0] / CMH2O)


@pytest.mark.parametrize(
    ("figure", "leak_ml_min", "compliance", "fall"),
    [
        ("D-11", 150, 7, 3.367),
        ("D-12", 150, 50, 0.4959),
        ("D-13", 305.1, 50, 1.0),
        ("D-14", 42.72, 7, 1.0),
    ],
)
def test_fall_of_a_hold(figure, leak_ml_min, compliance, fall):
    # D-11 to D-14 (C): p = p0 exp(-k t / C). 2 %: the solver waits 10 s in twelve implicit steps.
    assert fall_in_10_s(leak_ml_min, compliance) == pytest.approx(fall, rel=0.02), figure


@pytest.mark.parametrize("profile", PROFILES)
def test_a_leak_at_the_limit_costs_3_cmh2o_without_bag_and_half_with_it(lab, leak, profile):
    # L-01 (M): 150 mL/min at 3 kPa. D-11, D-12 (C) hold for 7 and 50 mL/cmH2O. B-14 (M): circles
    # have 5 to 8, so 3.0 to 4.7 without the bag; 0.3 to 0.7 covers the bag's spread of 15 %.
    own = [leak("bag_mount", "arm", seep="150 mL/min")]
    bare, bagged = (lab.read(profile, check, own, 8) for check in (BAG_PLUGGED, WITH_BAG))
    assert np.all((bare[0] - bare[1] > 2.8) & (bare[0] - bare[1] < 4.7))
    assert np.all((bagged[0] - bagged[1] > 0.3) & (bagged[0] - bagged[1] < 0.7))


@pytest.mark.parametrize("profile", PROFILES)
def test_a_passed_hold_with_the_bag_does_not_prove_the_limit(lab, leak, profile):
    own = [leak("bag_mount", "arm", seep="150 mL/min")]
    assert not lab.finds(profile, WITH_BAG, own, 8).any()
    assert lab.finds(profile, BAG_PLUGGED, own)[1, 0]


def smallest(lab, leak, profile, check, place, sizes):
    """Return the smallest leak that fails a check on the typical machine [mL/min at 30 cmH2O]."""
    own = [leak(*place, seep=f"{size} mL/min") for size in sizes]
    found = lab.finds(profile, check, own)[1:, 0]
    assert (np.diff(found.astype(int)) >= 0).all()  # what a smaller leak shows, a larger one does
    return float(sizes[found.argmax()]) if found.any() else np.inf


@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("check", [WITH_BAG, BAG_PLUGGED])
def test_the_smallest_leak_a_hold_claims_to_show_is_what_it_shows(lab, leak, profile, check):
    # Within a third: the limits are read off a dial, and the profiles' compliances differ by B-14.
    stated = lab.base.checks[check].limit.smallest
    found = smallest(lab, leak, profile, check, ("bag_mount", "arm"), np.arange(20, 1000, 20))
    assert found == pytest.approx(float(stated.split()[0]), rel=1 / 3)


def test_gauge_methods_with_the_bag_show_what_the_trade_says(lab, leak):
    # L-13 (M): about 250 mL/min. Within a factor of 2, as the figure itself is "about" and leaves
    # open which fall is seen (D-13: 305 mL/min for 1 cmH2O).
    found = smallest(lab, leak, OPEN, WITH_BAG, ("bag_mount", "arm"), np.arange(50, 1000, 25))
    assert 125 <= found <= 500


@pytest.mark.parametrize("profile", PROFILES)
def test_the_bulb_shows_what_the_trade_says(lab, leak, profile):
    # L-12 (M): about 30 mL/min; L-11 (M): at about 65 cmH2O. All that is drawn in at that vacuum
    # counts, set leak and ordinary seepage. Within a factor of 2, as both figures are "about".
    size = smallest(lab, leak, profile, BULB, ("mount_1", "joint"), np.arange(1, 60, 1))
    drawn = drawn_in(lab, profile, [leak("mount_1", "joint", seep=f"{size} mL/min")])
    print(
        f"{profile}: the bulb shows {size:g} mL/min at 30, {drawn:.1f} mL/min in all at -65 cmH2O"
    )
    assert 15 < drawn < 60


def drawn_in(lab, profile, causes):
    """Return the flow that keeps the outlet at the bulb's vacuum, typical machine [mL/min]."""
    test = lab.test(profile, "outlet.flow_to_hold")
    vacuum = Sourced.model_validate({"is": "-65 cmH2O", "source": "textbook"})
    move = test.check.procedure[0].model_copy(update={"to": vacuum})
    vacuum_test = replace(test, check=test.check.model_copy(update={"procedure": [move]}))
    shown = predict_quantity(lab.bench(profile, causes, 1, None), vacuum_test)
    return float(-shown[1, 0] / ML_MIN)


@pytest.mark.parametrize("profile", PROFILES)
def test_the_bulb_is_stricter_than_the_standard_for_gas_delivery(lab, leak, profile):
    # L-06 (M): at most 50 mL/min at 3 kPa from flow control to outlet.
    own = [leak("mount_1", "joint", seep="50 mL/min")]
    assert lab.finds(profile, BULB, own, 8)[1].all()
    assert not lab.finds(profile, WITH_BAG, own, 8).any()


def test_measured_flow_tells_the_standards_limit_for_gas_delivery(lab, leak):
    # L-06 (M). Ordinary seepage is below a quarter of the limit, so 35 passes and 55 fails.
    own = [leak("mount_1", "joint", seep=f"{size} mL/min") for size in (35, 55)]
    assert lab.finds(OPEN, "outlet.flow_to_hold", own)[:, 0].tolist() == [False, False, True]


@pytest.mark.parametrize("size", [100.0, 300.0, 1000.0])
def test_measured_flow_is_the_leak(lab, leak, size):
    # Tolerance 5 %: pipes and valves between the gauge and the leak take a little of the pressure.
    own = [leak("bag_mount", "arm", seep=f"{size} mL/min")]
    shown = lab.read(OPEN, "breathing.flow_to_hold_30", own)
    assert shown[1, 0] - shown[0, 0] == pytest.approx(size, rel=0.05)


def test_joints_leak_in_proportion_to_pressure():
    # L-33 (V), Wang, Hung, Lin 1992: leak of circuits linear in pressure between 30 and 100 mmHg.
    # The law of a joint is exact, so is the test; a hole grows with the root, 1.83 for 3.33.
    dp = np.array([[30 * MMHG, 100 * MMHG]])
    one = np.ones((1, 2))
    seep, bore = [1e-9 * one, 0 * one, 1e-9 * one, 0 * one], [0 * one] * 3
    joint, _ = flow_through(dp, make_law(np.stack(seep)))
    hole, _ = flow_through(dp, make_law(np.stack([*bore, hole_coefficient(1e-3) * one])))
    assert joint[0, 1] / joint[0, 0] == pytest.approx(100 / 30, rel=1e-9)
    assert hole[0, 1] / hole[0, 0] == pytest.approx((100 / 30) ** 0.5, rel=1e-3)


def test_nine_in_ten_sound_tube_sets_leak_less_than_was_measured(lab):
    # L-31, L-32 (V): 97 disposable circuits, nine in ten below 75 mL/min at 30 mmHg. Ours must not
    # leak more: it is a bound, with 500 drawn sets of two tubes and a Y-piece.
    bench = lab.bench(OPEN, [], 500, None)
    rows = vary(bench.ready, bench.draws.machines)
    tubes, ends = ("insp_tube", "exp_tube"), ("machine_end", "patient_end")
    joints = [("y_piece", "swivel"), *((tube, end) for tube in tubes for end in ends)]
    columns = [bench.network.find(*joint, "seep") for joint in joints]
    flow = rows[:, columns].sum(axis=1) * (30 * MMHG) / (30 * CMH2O) / ML_MIN
    assert np.quantile(flow, 0.9) < 75
    assert np.median(flow) > 15  # nor are they tighter than any tube set is


@pytest.mark.parametrize("profile", PROFILES)
def test_a_typical_sound_machine_is_within_the_limit(lab, profile):
    # L-01 (M): 150 mL/min at 3 kPa (30.6 cmH2O). The reading at 30 cmH2O is 2 % less.
    assert lab.read(profile, "breathing.flow_to_hold_30", [])[0, 0] < 150


SEEPS = pytest.mark.xfail(strict=True, reason="a fifth of the drawn sound machines exceed L-01")


@pytest.mark.parametrize(
    "profile",
    [OPEN, "one_vaporizer_air", *(pytest.param(p, marks=SEEPS) for p in PROFILES if "valve" in p)],
)
def test_nine_in_ten_drawn_sound_machines_are_within_the_limit(lab, profile):
    # L-01 (M). One in ten is left for machines due for service; nothing published says how many.
    shown = lab.read(profile, "breathing.flow_to_hold_30", [], 400)[0]
    print(
        f"{profile}: {(shown > 150).sum()} of 400 sound machines above 150, most {shown.max():.0f}"
    )
    assert np.mean(shown < 150) >= 0.9
