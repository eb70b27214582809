"""The reservoir bag and rigid gas spaces against published and handbook figures.

Status beside each figure: (V) abstract seen, (M) from memory, (C) computed from the figures named.
"""

import numpy as np
import pytest

from diagnose.physics.laws import P_ROOM, bag_content
from diagnose.physics.network import BAG_STRETCH, stores, vary
from diagnose.physics.solve import content

CMH2O, LITRE = 98.0665, 1e-3


def held(pg: float, size: float, stretch: float) -> float:
    """Return the gas in a bag [L]."""
    content_, _ = bag_content(np.array([pg]), np.array([size]), np.array([stretch]))
    return float(content_[0] / LITRE)


@pytest.fixture(scope="module")
def bags(lab):
    """Size and stretch of the bag of 60 drawn machines."""
    bench = lab.bench("two_vaporizers_open", [], 60, None)
    rows = vary(bench.ready, bench.draws.machines)
    size, stretch = (rows[:, bench.network.find("bag", "pouch", p)] for p in ("size", "stretch"))
    return np.column_stack([size, stretch])


def test_bag_holds_1600_ml_at_50_pa(bags):
    # B-01, B-02 (V), Mostafa and Hall 1985: 1.6 L at 50 Pa in every new 2 L bag. 2 % for the
    # rounding of our knee; drawn bags differ in size by 5 % (one standard deviation).
    assert held(50, 2e-3, 50e-6 / CMH2O) == pytest.approx(1.6, rel=0.02)
    drawn = np.array([held(50, *bag) for bag in bags])
    assert np.median(drawn) == pytest.approx(1.6, rel=0.03)


def test_bag_is_above_700_pa_at_its_nominal_volume(bags):
    # B-03 (V): more than 700 Pa at 2 L, so less than 2 L at 700 Pa: a bound for the typical bag.
    # One in ten drawn bags may be softer: six of 24 used bags were like new ones, says B-01.
    assert held(700, 2e-3, 50e-6 / CMH2O) < 2.0
    assert np.mean([held(700, *bag) < bag[0] / LITRE for bag in bags]) >= 0.9


def test_stiff_part_is_no_softer_than_measured():
    # D-33 (C): at most 60.35 mL/cmH2O from 1.6 to 2 L. The profile's 50 and the default per size.
    for stretch in (50e-6 / CMH2O, BAG_STRETCH * 2e-3):
        slope = (held(700, 2e-3, stretch) - held(200, 2e-3, stretch)) / 500 * CMH2O * 1e3
        assert 20 < slope < 60.35


@pytest.mark.xfail(strict=True, reason="small bags are stiffer per size than the 2 L bag of B-03")
def test_small_bag_reaches_30_cmh2o_as_soon_as_measured():
    # B-06, B-07 (V), Vet Anaesth Analg 2021: 0.5 L bags take a median of 17 s at 2 L/min. The same
    # abstract says that smaller bags were less compliant; ours scales with size and takes 23 s.
    # 20 %: the spread of 75 bags is not given. No machine of ours has such a bag.
    seconds = held(30 * CMH2O, 0.5e-3, BAG_STRETCH * 0.5e-3) / (2 / 60)
    print(f"0.5 L bag at 2 L/min: {seconds:.1f} s, measured 17 s")
    assert seconds == pytest.approx(17, rel=0.2)


@pytest.mark.xfail(strict=True, reason="the plateau of a distended bag is not modelled")
def test_bag_of_four_times_its_volume_is_within_the_standard():
    # B-10 (M), ISO 5362: 35 to 60 cmH2O at four times nominal volume. Checks go to 30 cmH2O only.
    at = np.linspace(0, 200, 2001) * CMH2O
    volume = np.array([held(pg, 2e-3, 50e-6 / CMH2O) for pg in at])
    assert 35 <= np.interp(8.0, volume, at) / CMH2O <= 60


def test_bag_never_takes_less_gas_at_more_pressure():
    volume = [held(pg, 2e-3, 50e-6 / CMH2O) for pg in np.linspace(-500, 6000, 400)]
    assert (np.diff(volume) > 0).all()


def test_rigid_space_has_the_compliance_of_an_ideal_gas(lab):
    # D-11a (C): 1 L of rigid space takes 0.9678 mL/cmH2O, isothermal, V / p at 101.325 kPa.
    bench = lab.bench("small", [], 1, None)
    rows = np.tile(bench.ready.value, (2, 1))
    rows[1, bench.network.find("absorber", "space", "volume")] += 1e-3
    made = stores(bench.network, rows, P_ROOM)
    added = made.rigid[:, 1] - made.rigid[:, 0]
    assert added.max() * CMH2O * 1e6 == pytest.approx(0.9678, abs=1e-4)
    assert np.count_nonzero(added) == 1


def test_circle_without_bag_has_the_compliance_the_trade_gives(lab):
    # B-14 (M): 5 to 8 mL/cmH2O for an adult circle. Its spaces, without bag and test lung.
    for profile in ("two_vaporizers_open", "two_vaporizers_valve", "one_vaporizer_valve"):
        bench = lab.bench(profile, [], 1, None)
        made = stores(bench.network, bench.ready.value[None, :], P_ROOM)
        breathing = {
            name
            for port, name in bench.network.circuit.spaces.items()
            if bench.network.circuit.kinds[port.split(".")[0]].zone == "breathing"
            and port != "patient_end.chest"
        }
        nodes = [bench.network.node(name) for name in breathing]
        _, slope = content(made, np.zeros((len(bench.network.spaces), 1)), np.arange(1))
        without = made.rigid[nodes].sum() * CMH2O * 1e6
        assert 5 <= without <= 8, profile
        assert slope.sum() * CMH2O * 1e6 > 100 * without  # the slack bag takes nearly everything
