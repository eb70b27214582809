"""Scavenging: the checkout's own limits, the receiving system's standard, sums done by hand."""

import numpy as np
import pytest

from diagnose import catalogue
from diagnose.kb.schema import Move, Reading
from diagnose.particles import predict_quantity

MACHINE = "two_vaporizers_valve"
CMH2O, L_MIN = 98.0665, 1e-3 / 60
FLAT, FULL = "scavenging.bag_flat", "scavenging.bag_full"


def read_signs(lab, name, causes=(), number=1, machine=MACHINE):
    """Return the signs of a check by name, in SI, each (n_causes + 1, number)."""
    test = lab.test(machine, name)
    shown = predict_quantity(lab.bench(machine, list(causes), number, None), test)
    return dict(zip(test.check.reading.signs, np.moveaxis(shown, -1, 0), strict=True))


def press_interface(lab, inflow, number=1, **isolate):
    """Return the pressure of an interface on its own that gas flows into [Pa]."""
    check = lab.test(MACHINE, "scavenging.vacuum_unplugged").check
    flow = {"feed": "scavenging_interface.in", "flow": {"is": inflow, "source": "judgement"}}
    moves = [flow, {"wait": {"is": "2 min", "source": "judgement"}}]
    sign = {"quantity": "pressure", "at": "scavenging_interface.in", "unit": "Pa",
            "error": {"is": "1 Pa", "source": "judgement"}}  # fmt: skip
    reading = Reading.model_validate(
        {"ask": check.reading.ask, "signs": {"own": sign}, "outcomes": {}}
    )
    own = check.model_copy(
        update={
            "set_up": {"transfer_hose": "off"},
            "isolate": isolate,
            "procedure": [Move.model_validate(move) for move in moves],
            "reading": reading,
        }
    )
    test = catalogue.Test("own", "own", "", own)
    return predict_quantity(lab.bench(MACHINE, [], number, None), test)[0, :, 0]


def test_a_sound_machine_passes_both_readings_of_the_checkout(lab):
    """FDA 1993 step 8, figures G-13 and G-12: about 0 with the bag flat, below 10 when full."""
    flat, full = read_signs(lab, FLAT, number=24), read_signs(lab, FULL, number=24)
    assert np.abs(flat["gauge"]).max() < 1.5 * CMH2O and flat["bag"].max() < 0.1
    assert full["gauge"].max() < 10 * CMH2O and full["bag"].min() > 0.8


def test_an_open_interface_passes_them_too(lab):
    shown = read_signs(lab, "scavenging.open_pressure", number=24, machine="two_vaporizers_open")
    assert np.abs(shown["low"]).max() < 1.5 * CMH2O
    assert shown["flush"].max() < 10 * CMH2O


@pytest.mark.parametrize(
    ("inflow", "least", "most"),
    [
        ("0.001 mL/min", -50, 0),  # C-11: lowest, no inflow
        ("30 L/min", -0.5 * CMH2O, 5 * CMH2O),  # C-05: working window at 30 L/min
        ("75 L/min", 0, 350),  # C-10: most in normal use
    ],
)
def test_the_receiving_system_keeps_its_standard(lab, inflow, least, most):
    """ISO 8835-3 as remembered, and textbooks; the usual machine, so no tolerance."""
    assert least <= press_interface(lab, inflow)[0] <= most


def test_with_the_disposal_blocked_it_stays_below_the_limit_of_a_single_fault(lab):
    """C-12: at most 1.5 kPa with 75 L/min coming in; all drawn machines."""
    assert press_interface(lab, "75 L/min", 24, disposal_hose="unplugged").max() < 1500


def test_the_gauge_with_the_bag_full_is_the_sum_of_what_lies_on_the_way(lab):
    """Drops by hand at 50 L/min, where the vacuum takes 25 (1 + p / pull) of them."""
    table = lab.bench(MACHINE, [], 1, None).ready.value
    net = lab.bench(MACHINE, [], 1, None).network

    def get(component, element, parameter):
        return table[net.find(component, element, parameter)]

    way = [("absorber", "inlet"), ("absorber", "outlet"), ("selector", "to_bag"),
           ("apl_valve", "spring"), ("transfer_hose", "joint"),
           ("transfer_hose", "way")]  # fmt: skip
    drops = sum(get(*piece, "drop") for piece in way) * 50 / 60
    opening = get("scavenging_interface", "gas_out", "opening")
    slope = get("scavenging_interface", "gas_out", "drop") / 60
    valve = get("apl_valve", "spring", "opening")
    interface = opening + slope * (50 - 25)
    interface = opening + slope * (50 - 25 * (1 + interface / 40e3))
    shown = read_signs(lab, FULL)["gauge"][0, 0]
    assert shown == pytest.approx(drops + valve + interface, rel=0.02)  # leaks, feeds of 0.2 L/min


def test_a_relief_valve_that_lets_less_gas_out_never_reads_lower(lab, fault):
    shares = ["100 %", "30 %", "10 %", "3 %", "1 %"]
    causes = [fault("scavenging_interface", "block", "gas_out", open=share) for share in shares]
    shown = read_signs(lab, FULL, causes)["gauge"][1:, 0]
    assert (np.diff(shown) > 0).all() and shown[0] < 10 * CMH2O < shown[-1]


def test_with_no_room_air_the_vacuum_pulls_on_the_breathing_system(lab, fault):
    """Arun 2021 tells the end of it; where no air comes in, only leaks hold the vacuum back."""
    shut = fault("scavenging_interface", "block", "air_in", open="0.1 %")
    shown = read_signs(lab, FLAT, [shut])["gauge"][:, 0]
    assert shown[0] > -1 * CMH2O and shown[1] < -10 * CMH2O


def test_a_pump_draws_less_the_lower_the_pressure_before_it(lab):
    """Closed form: a set flow through a needle from a constant vacuum, Q = 25 (1 + p / pull)."""
    own = {"scavenging_interface": "closed"}
    inflow = press_interface(lab, "25 L/min", **own)[0]
    assert abs(inflow) < 30  # what comes and what is drawn are equal near the room's pressure
