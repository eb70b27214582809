"""Supplies: figures of pipelines and regulators, a leak at high pressure, sums done by hand."""

import numpy as np
import pytest

from diagnose.particles import predict_quantity
from diagnose.physics.laws import P_ROOM, hole_coefficient, orifice_mass_flow, smooth_root
from diagnose.physics.network import SPACE_LEAST

MACHINE = "two_vaporizers_valve"
VOLUME = 20e-6 + SPACE_LEAST  # of the pipes, and what every space has [m^3]
PSI = 6894.757293168361
HOLD = "supply.high_pressure_hold@o2_cylinder"
FLOWING = "supply.pressure_while_flowing@o2_pipeline_gauge"


def read_signs(lab, name, causes=(), number=1):
    test = lab.test(MACHINE, name)
    shown = predict_quantity(lab.bench(MACHINE, list(causes), number, None), test)
    return dict(zip(test.check.reading.signs, np.moveaxis(shown, -1, 0), strict=True))


@pytest.mark.parametrize("gas", ["o2", "n2o", "air"])
def test_pipelines_stand_where_the_standard_has_them(lab, gas):
    """NFPA 99 by APSF 2007, figure S-01: 50 to 55 psi; shut, 1 psi more is no fault."""
    shown = read_signs(lab, f"supply.pipeline_pressure@{gas}_pipeline_gauge", number=24)["needle"]
    assert shown.min() > 49 * PSI and shown.max() < 56 * PSI


def test_the_cylinder_gives_less_than_the_pipeline_so_that_it_is_not_used(lab):
    """Figure S-17: about 45 psi, below the pipeline."""
    name = "supply.regulator_measured@o2_cylinder_regulator"
    shown = read_signs(lab, name, number=24)["gauge"]
    line = read_signs(lab, "supply.pipeline_pressure@o2_pipeline_gauge", number=24)["needle"]
    assert np.median(shown) == pytest.approx(45 * PSI, rel=0.02)
    assert shown.max() < line.min()


def test_a_hundred_psi_in_five_minutes_is_a_leak_of_27_ml_a_minute(lab, leak):
    """Figure D-07, V dp / (p t); 27.22 mL/min of 20 mL, and more of what is solved as 22 mL."""
    start = read_signs(lab, HOLD)["left"][0, 0]
    flow = 27.22e-6 / 60 * VOLUME / 20e-6
    middle = start - 50 * PSI  # the leak lessens as the pressure falls
    root = float(smooth_root(np.array([middle]))[0][0])
    bore = np.sqrt(flow / root / float(hole_coefficient(1.0)))
    cause = leak("o2_cylinder_regulator", "case", bore=f"{bore * 1e3:.6f} mm")
    fall = read_signs(lab, HOLD, [cause])["fall"][:, 0] / PSI
    assert fall[0] == pytest.approx(0, abs=0.1)
    assert fall[1] == pytest.approx(100, rel=0.02)


def test_the_pressure_of_a_leaking_pipe_falls_as_an_exponential(lab, leak):
    """Choked flow is in proportion to absolute pressure: closed form; implicit steps lag."""
    bore = 0.02e-3
    cause = leak("o2_cylinder_regulator", "case", bore=f"{bore * 1e3} mm")
    left = read_signs(lab, HOLD, [cause])["left"][:, 0] + P_ROOM
    rate = float(hole_coefficient(bore)) * np.sqrt(P_ROOM) / (2 * VOLUME)
    assert left[1] / left[0] == pytest.approx(np.exp(-rate * 300), rel=0.03)


def test_a_choked_hole_agrees_with_isentropic_flow():
    """ISO 9300 for oxygen at 20 C, from two to a hundred and thirty bar, within 3.5 %."""
    bore, density = 0.1e-3, P_ROOM / (259.8 * 293.15)
    for p_up in (2.0, 4.5, 20.0, 130.0):
        p_up *= P_ROOM
        area = np.pi / 4 * bore**2
        exact = orifice_mass_flow(p_up, P_ROOM, area, 293.15) / density
        root = smooth_root(np.array([p_up - P_ROOM]))[0]
        assert float(hole_coefficient(bore) * root[0]) == pytest.approx(exact, rel=0.04)


def test_the_fall_while_gas_flows_is_the_sum_of_the_drops(lab, fault):
    """By hand at 50 L/min: wall, probe, hose and filter, 33 kPa at 60 L/min."""
    kinked = fault("o2_hose", "block", "way", open="10 %")
    fall = read_signs(lab, FLOWING, [kinked])["fall"][:, 0] / 1e3
    assert fall[0] == pytest.approx((10 + 5 + 10 + 8) * 50 / 60, rel=0.01)
    assert fall[1] == pytest.approx((10 + 5 + 100 + 8) * 50 / 60, rel=0.01)


def test_a_gauge_shows_gain_times_pressure_and_its_zero(lab, fault):
    off = fault("o2_pipeline_gauge", "misread", "dial", offset="-20 psi")
    shown = read_signs(lab, "supply.pipeline_pressure@o2_pipeline_gauge", [off])["needle"][:, 0]
    assert (shown[0] - shown[1]) / PSI == pytest.approx(20, abs=0.01)


def test_an_unplugged_hose_reads_nothing(lab):
    catalogue = lab.catalogue(MACHINE)
    causes = [c for c in catalogue.causes if c.id == "supply.hose_unplugged@o2_hose"]
    shown = read_signs(lab, "supply.pipeline_pressure@o2_pipeline_gauge", causes)["needle"][:, 0]
    assert shown[0] > 50 * PSI and abs(shown[1]) < 1 * PSI
