"""Who finds which leak: published leak tests, rebuilt with leaks of known size in the physics.

Sources beside each check; (V) text or abstract seen, (M) from memory, (C) computed.
The 1997 abstract does not say where on the machines the needles sat, how the positive pressure was
put on, or how many of the machines had an outlet check valve. So what is asserted is who finds what
and why; the printed shares are compared, not matched.
"""

import numpy as np
import pytest

OPEN = "two_vaporizers_open"
VALVED = "two_vaporizers_valve"
PROFILES = (OPEN, VALVED, "one_vaporizer_valve", "one_vaporizer_air")
BULB, OUTLET_HOLD, BAG_HOLD = "vapour.bulb_all_off", "outlet.positive_hold", "breathing.hold_30"

# L-14, L-18 to L-22 (V): needles of 25, 22, 20 and 15 gauge, two of 15 together, a connector of
# 2.5 mm. Two holes of 1.372 mm leak as one of sqrt(2) times the bore.
BORES = ("0.26 mm", "0.413 mm", "0.603 mm", "1.372 mm", "1.940 mm", "2.5 mm")
# D-10e, D-10f (C): as pipes 38 mm long the two thin needles leak only this much at 30 cmH2O.
PIPES = ("25.7 mL/min", "163.6 mL/min")


@pytest.fixture(scope="module")
def six(leak):
    return [leak("mount_1", "joint", bore=bore) for bore in BORES]


@pytest.fixture(scope="module")
def grid(lab, six):
    """Who finds what: check -> profile -> (six leaks, three machines)."""
    checks = (BULB, OUTLET_HOLD, BAG_HOLD)
    found = {c: {p: lab.finds(p, c, six, 3)[1:] for p in PROFILES} for c in checks}
    for check in checks:
        for profile in PROFILES:
            counts = found[check][profile].sum(axis=1).tolist()
            print(f"{check:24}{profile:24} found of 3, by bore: {counts}")
    return found


@pytest.mark.parametrize("check", [BULB, OUTLET_HOLD, BAG_HOLD])
@pytest.mark.parametrize("profile", PROFILES)
def test_no_check_fails_a_tight_machine(lab, profile, check):
    # L-25, L-27 (V), Somprakit 1996: both tests 100 % specific. No tolerance: none of three fails.
    assert not lab.finds(profile, check, [], 3).any()


def test_bulb_finds_every_set_leak(grid):
    # L-14, L-15 (V), Myers 1997: 54 of 54. Every profile, so any nine machines in threes: 54.
    assert [int(grid[BULB][profile].sum()) for profile in PROFILES] == [18, 18, 18, 18]


def test_bulb_finds_thin_needles_even_as_long_pipes(lab, leak):
    # The pipe law leaks least of all laws for a needle, so the 54 do not hang on the hole's law.
    pipes = [leak("mount_1", "joint", seep=seep) for seep in PIPES]
    assert all(lab.finds(profile, BULB, pipes, 3)[1:].all() for profile in PROFILES)


def test_outlet_check_valve_hides_every_upstream_leak_from_positive_pressure(grid, lab, six):
    # L-16 (V), Myers 1997: why positive pressure was the poorest. The valve shuts, so the readings
    # with and without a leak differ by its seat alone: under 1 cmH2O of 30.
    for profile in (VALVED, "one_vaporizer_valve"):
        for check in (OUTLET_HOLD, BAG_HOLD):
            assert not grid[check][profile].any()
            shown = lab.read(profile, check, six, 3)
            assert np.abs(shown[1:] - shown[0]).max() < 1.0


def test_positive_pressure_at_the_outlet_finds_all_where_no_valve_stands_between(grid):
    assert grid[OUTLET_HOLD][OPEN].all() and grid[OUTLET_HOLD]["one_vaporizer_air"].all()


def test_positive_pressure_through_the_bag_finds_only_the_large_ones(grid):
    # L-13, D-12, D-13 (M, C): the stretched bag feeds the leak; 127 and 321 mL/min (D-10a, D-10b)
    # do not show in 10 s, 3.5 L/min (D-10d) and more do. The 20 gauge (683 mL/min) is in between.
    for profile in (OPEN, "one_vaporizer_air"):
        found = grid[BAG_HOLD][profile]
        assert found[3:].all() and not found[:1].any()
        assert (np.diff(found.astype(int), axis=0) >= 0).all()  # a larger leak is never missed


def test_the_published_share_lies_between_the_two_ways_of_pressing(grid):
    # L-16 (V): 28 of 54. With two of the three types open, pressing through the bag finds fewer and
    # pressing at the outlet more. The mix of types is our assumption; 28 itself is not reproduced.
    types = (OPEN, "one_vaporizer_air", VALVED)
    through_bag, at_outlet = (
        sum(int(grid[check][own].sum()) for own in types) for check in (BAG_HOLD, OUTLET_HOLD)
    )
    print(f"positive pressure, of 54: {through_bag} through the bag, {at_outlet} at the outlet")
    assert through_bag < 28 < at_outlet < 54


def test_bulb_through_the_valve_is_nearly_as_quick_as_without(lab, leak):
    # The bulb draws the valve open; 1 cmH2O of opening in 65 cannot hide a leak (L-11, M).
    own = [leak("mount_1", "joint", seep="50 mL/min")]
    open_, valved = (lab.read(profile, BULB, own)[1, 0] for profile in (OPEN, VALVED))
    assert valved == pytest.approx(open_, rel=0.25)


# Somprakit and Soontranan, Anaesthesia 1996 (V): of 36 machines seven let oxygen in past the shut
# flush valve, found by the positive test and not by the bulb (L-28). Oxygen gets in only while its
# supply is on, so what the bulb shows hangs on the supply; the abstract does not say which it was.
FLUSH = ("50 mL/min", "200 mL/min", "1000 mL/min", "4000 mL/min")


@pytest.mark.parametrize("profile", [OPEN, VALVED])
def test_bulb_with_supplies_off_misses_a_flush_valve_that_leaks_inward(lab, inflow, profile):
    seven = [inflow("flush_valve", "seat", size) for size in FLUSH]
    assert not lab.finds(profile, "outlet.bulb_supplies_off", seven, 3).any()


@pytest.mark.parametrize("profile", [OPEN, VALVED])
def test_positive_pressure_rises_when_the_flush_valve_leaks_inward(lab, inflow, profile):
    seven = [inflow("flush_valve", "seat", size) for size in FLUSH]
    assert (lab.read(profile, OUTLET_HOLD, seven, 3)[1:] > 35).all()  # it was put at 30 cmH2O
    assert lab.finds(profile, "outlet.cap_rise", seven, 3)[1:].all()
    assert not lab.finds(profile, "outlet.cap_rise", [], 3).any()


@pytest.mark.parametrize("profile", [OPEN, VALVED])
def test_bulb_with_supplies_on_fills_from_a_flush_valve_that_leaks_inward(lab, inflow, profile):
    # Against L-28 as printed, unless the supplies were off in 1996: oxygen fills the bulb.
    seven = [inflow("flush_valve", "seat", size) for size in FLUSH]
    assert lab.finds(profile, BULB, seven, 3)[1:].all()


@pytest.mark.parametrize("profile", [OPEN, VALVED])
def test_a_basal_flow_hides_a_small_leak(lab, leak, profile):
    # L-30 (V), Tokumine 2005: a basal oxygen flow lowers detection, small leaks most.
    own = [leak("bag_mount", "arm", seep="500 mL/min"), leak("bag_mount", "arm", seep="2 L/min")]
    with_flow = lab.finds(profile, BAG_HOLD, own, ready={"o2_control": "minimum"})
    assert lab.finds(profile, BAG_HOLD, own)[1:].all()
    assert with_flow[:, 0].tolist() == [False, False, True]


# A vaporizer's own leak: guidelines repeat the leak test with each vaporizer on, one at a time
# (G-06 and G-33 for the bulb, G-19 for the blocked outlet; V), because off it is cut off.


@pytest.mark.parametrize("profile", [OPEN, VALVED])
@pytest.mark.parametrize("place", ["filler", "mount_seal", "drain", "case"])
def test_a_vaporizer_leak_shows_only_with_that_vaporizer_on(lab, leak, profile, place):
    own = [leak("vaporizer_1", place, seep="100 mL/min")]
    checks = (BULB, "vapour.bulb_vaporizer_on@vaporizer_1", "vapour.bulb_vaporizer_on@vaporizer_2")
    assert [bool(lab.finds(profile, c, own)[1, 0]) for c in checks] == [False, True, False]


def test_a_vaporizer_leak_does_not_change_a_reading_with_it_off_at_all(lab, leak):
    own = [leak("vaporizer_1", "filler", bore="4 mm")]
    for check in (BULB, OUTLET_HOLD, "vapour.outlet_blocked_dip", BAG_HOLD):
        shown = lab.read(OPEN, check, own)
        assert shown[1, 0] == pytest.approx(shown[0, 0], abs=1e-6)


@pytest.mark.parametrize("profile", [OPEN, VALVED])
def test_blocked_outlet_finds_an_open_filler_through_the_check_valve(lab, leak, profile):
    # G-19 (V), AAGBI 2012: forward flow keeps the valve open, so the manual test works with it too.
    # It is coarse: 5 L/min feed a leak of 0.5 L/min and the float dips all the same.
    sizes: list[dict[str, str]] = [{"bore": "6 mm"}, {"seep": "0.5 L/min"}]
    own = [leak("vaporizer_1", "filler", **size) for size in sizes]
    found = lab.finds(profile, "vapour.outlet_blocked_dip_on@vaporizer_1", own)
    assert found[:, 0].tolist() == [False, True, False]
    assert not lab.finds(VALVED, OUTLET_HOLD, own, ready={"vaporizer_1": "on"}).any()
