"""The moves of a procedure and what is read after them, on the teaching machine."""

import numpy as np
import pytest

from diagnose.catalogue import list_catalogue
from diagnose.circuit import wire
from diagnose.kb.load import load
from diagnose.kb.schema import Check
from diagnose.particles import Bench, draw, predict_quantity
from diagnose.physics.network import build, move, typical
from diagnose.physics.procedure import play, reach
from diagnose.physics.solve import first_crossing

CMH2O, ML_MIN = 98.0665, 1e-6 / 60
OUTLET_GAUGE = {"quantity": "pressure", "at": "gas_outlet.in", "unit": "cmH2O"}
DIAL = {"quantity": "pressure", "at": "gauge.dial", "unit": "cmH2O"}
FLOW = {"quantity": "flow", "at": "gas_outlet.in", "unit": "mL/min"}
BULB = {"quantity": "time", "at": "gas_outlet.bulb", "unit": "s", "reach": "8 %"}


FLOWS = ("2 mL/min", "4 mL/min", "100 mL/min")


def amount(text):
    return {"is": text, "source": "judgement"}


def check_of(procedure, reading):
    """Return a check with a procedure of our own."""
    outcome = {"title": "Any", "means": "neutral"}
    own = {"ask": "What was it?", "outcomes": {"any": outcome}, **reading}
    return Check.model_validate(
        {
            "title": "A test",
            "kind": "isolating_test",
            "zone": "outlet",
            "procedure": procedure,
            "say": ["Do it."],
            "reading": own,
            "minutes": "1",
            "minutes_source": "judgement",
            "misread": "0 %",
            "misread_source": "judgement",
        }
    )


class Rig:
    """The teaching machine without any leak, and its settings to be changed."""

    def __init__(self, network):
        self.network = network
        self.settings = typical(self.network)
        for (_, _, parameter), column in self.network.column.items():
            if parameter == "seep":
                self.settings.value[column] = 0.0

    def put(self, component, position):
        move(self.network, self.settings, component, position)

    def write(self, component, element, parameter, value):
        self.settings.value[self.network.find(component, element, parameter)] = value

    def retable(self, moved):
        for component, position in moved.items():
            self.put(component, position)
        return self.settings.value[None, :].copy()

    def read(self, procedure, reading, **how):
        check = check_of(procedure, reading)
        start = self.settings.value[None, :].copy()
        return float(play(self.network, check, "", start, self.retable, **how)[0])


@pytest.fixture(scope="module")
def network():
    return build(wire(load(), "small"))


@pytest.fixture
def rig(network):
    return Rig(network)


def fill(port, to, flow="3 L/min"):
    return {"fill": port, "to": amount(to), "flow": amount(flow)}


def wait(time):
    return {"wait": amount(time)}


def test_a_tight_machine_is_filled_to_the_mark_and_keeps_it(rig):
    rig.put("gas_outlet", "gauged")
    shown = rig.read([fill("gas_outlet.in", "30 cmH2O"), wait("10 s")], OUTLET_GAUGE)
    assert shown / CMH2O == pytest.approx(30, abs=0.1)


def test_filling_never_takes_gas_out(rig):
    rig.put("gas_outlet", "gauged")
    moves = [fill("gas_outlet.in", "30 cmH2O"), fill("gas_outlet.in", "10 cmH2O")]
    assert rig.read(moves, OUTLET_GAUGE) / CMH2O == pytest.approx(30, abs=0.1)


def test_a_leak_larger_than_the_filling_flow_keeps_the_mark_out_of_reach(rig):
    rig.put("gas_outlet", "gauged")
    rig.write("outlet_pipe", "joint", "seep", 6e-3 / 60)  # 6 L/min at 30 cmH2O
    shown = rig.read([fill("gas_outlet.in", "30 cmH2O", "3 L/min")], OUTLET_GAUGE)
    assert shown / CMH2O == pytest.approx(15, rel=0.05)


def test_a_held_port_gives_the_leak_behind_it(rig):
    rig.put("gas_outlet", "gauged")
    rig.write("outlet_pipe", "joint", "seep", 40 * ML_MIN)
    shown = rig.read([{"hold": "gas_outlet.in", "to": amount("30 cmH2O")}], FLOW)
    assert shown / ML_MIN == pytest.approx(40, rel=0.01)


def test_gas_that_leaves_a_held_port_counts_as_minus(rig):
    rig.put("gas_outlet", "gauged")
    rig.write("flush_valve", "seat", "flow", 200 * ML_MIN)
    shown = rig.read([{"hold": "gas_outlet.in", "to": amount("0 cmH2O")}], FLOW)
    assert shown / ML_MIN == pytest.approx(-200, rel=0.01)


def test_fed_gas_raises_a_closed_machine(rig):
    rig.put("gas_outlet", "gauged")
    moves = [{"feed": "o2_control.out", "flow": amount("60 mL/min")}, wait("3 s")]
    still = rig.read([wait("3 s")], OUTLET_GAUGE)
    assert still == 0.0
    assert rig.read(moves, OUTLET_GAUGE) > 300  # 3 mL into less than half a litre


def test_supplies_off_stops_every_flow_from_them(rig):
    rig.put("gas_outlet", "gauged")
    rig.write("flush_valve", "seat", "flow", 200 * ML_MIN)
    assert rig.read([wait("30 s")], OUTLET_GAUGE) > 1000
    assert rig.read([wait("30 s")], OUTLET_GAUGE, supplies=False) == pytest.approx(0.0, abs=1e-9)


def test_a_bulb_on_a_tight_machine_stays_flat_for_the_whole_wait(rig):
    rig.put("gas_outlet", "bulb")
    assert rig.read([{"squeeze": "gas_outlet.bulb"}, wait("60 s")], BULB) == pytest.approx(60.0)


@pytest.mark.parametrize("leak", [20, 50, 200])
def test_a_bulb_begins_to_fill_when_the_leak_has_filled_its_share(rig, leak):
    # 8 % of 60 mL, and what the machine's own spaces (about 0.2 L) take back; the vacuum, and with
    # it the leak, falls by a fifth until then.
    rig.put("gas_outlet", "bulb")
    rig.write("outlet_pipe", "joint", "seep", leak * ML_MIN)
    seconds = rig.read([{"squeeze": "gas_outlet.bulb"}, wait("60 s")], BULB)
    least = 0.08 * 60e-6 / (leak * ML_MIN * 65 / 30)
    assert least < seconds < 2 * least


def test_a_gauge_that_reads_half_makes_the_person_fill_until_the_apl_valve_opens(rig):
    rig.put("apl_valve", "closed")  # opens at 70 cmH2O
    rig.put("patient_end", "blocked")
    filled = [fill("flush_valve.out", "40 cmH2O", "50 L/min")]
    assert rig.read(filled, DIAL) / CMH2O == pytest.approx(40, abs=1)
    rig.write("gauge", "dial", "gain", 0.5)
    assert 35 <= rig.read(filled, DIAL) / CMH2O < 38.5


def test_a_gauge_shows_its_gain_and_its_offset(rig):
    rig.write("gauge", "dial", "offset", 3 * CMH2O)
    assert rig.read([wait("1 s")], DIAL) / CMH2O == pytest.approx(3, abs=1e-6)


def test_a_part_moved_during_the_procedure_acts_from_then_on(rig):
    rig.put("apl_valve", "plugged")
    rig.put("patient_end", "blocked")
    filled = [fill("flush_valve.out", "30 cmH2O", "50 L/min")]
    held = rig.read([*filled, wait("10 s")], DIAL)
    opened = rig.read([*filled, {"set": {"apl_valve": "open"}}, wait("10 s")], DIAL)
    assert held / CMH2O == pytest.approx(30, abs=0.5)
    assert opened / CMH2O < 5


def test_volume_is_what_the_bag_holds(rig):
    rig.put("apl_valve", "plugged")
    rig.put("patient_end", "blocked")
    bag = {"quantity": "volume", "at": "bag.pouch", "unit": "mL"}
    moves = [fill("flush_valve.out", "10 cmH2O", "50 L/min"), wait("1 s")]
    assert rig.read(moves, bag) == pytest.approx(1.6e-3 + 50e-6 * (10 - 50 / CMH2O), rel=0.02)


def test_spaces_that_are_shut_off_are_left_out(rig):
    rig.put("gas_outlet", "gauged")
    check = check_of([fill("gas_outlet.in", "30 cmH2O")], OUTLET_GAUGE)
    found = reach(rig.network, check, "", rig.settings.value[None, :], rig.retable)
    names = {rig.network.spaces[node] for node in found}
    assert rig.network.circuit.space("o2_tube.in") in names
    assert rig.network.circuit.space("bag.in") not in names
    assert rig.network.circuit.space("vaporizer_1.chamber") not in names


def test_spaces_that_a_later_move_opens_are_kept(rig):
    rig.put("gas_outlet", "gauged")
    moves = [fill("gas_outlet.in", "30 cmH2O"), {"set": {"vaporizer_1": "on"}}, wait("5 s")]
    check, rows = check_of(moves, OUTLET_GAUGE), rig.settings.value[None, :]
    found = reach(rig.network, check, "", rows, rig.retable)
    assert rig.network.node(rig.network.circuit.space("vaporizer_1.chamber")) in found


def test_a_vaporizer_turned_on_takes_its_share_of_the_gas(rig):
    rig.put("gas_outlet", "gauged")
    filled = fill("gas_outlet.in", "30 cmH2O")
    shown = rig.read([filled, {"set": {"vaporizer_1": "on"}}, wait("30 s")], OUTLET_GAUGE)
    assert 10 < shown / CMH2O < 25  # 150 mL of chamber beside about 200 mL already filled


@pytest.mark.parametrize("number", [1, 5])
def test_many_machines_read_as_each_alone(rig, number):
    rig.put("gas_outlet", "gauged")
    check = check_of([fill("gas_outlet.in", "30 cmH2O"), wait("10 s")], OUTLET_GAUGE)
    rows = np.tile(rig.settings.value, (number, 1))
    rows[:, rig.network.find("outlet_pipe", "joint", "seep")] = np.geomspace(2, 50, number) * ML_MIN
    together = play(rig.network, check, "", rows.copy(), rig.retable)
    alone = [play(rig.network, check, "", rows[[i]], rig.retable)[0] for i in range(number)]
    assert together == pytest.approx(np.array(alone), abs=1.0)


@pytest.mark.xfail(strict=True, reason="a later move writes the fault again over what was isolated")
def test_a_deliberate_act_still_holds_after_a_later_move(network):
    # The plug of the patient end leaks, but a test bag is in its place; later the APL valve opens.
    catalogue = list_catalogue(load(), "small")
    plug = next(c for c in catalogue.causes if c.fault_id == "breathing.patient_plug_leaks")
    bench = Bench(network, typical(network), (plug,), draw(1, network.width, 4, seed=1))
    test = catalogue.tests[catalogue.test_index["breathing.gas_flows"]]
    assert test.check.isolate["patient_end"] == "test_bag"
    sound, leaking = predict_quantity(bench, test)
    assert leaking == pytest.approx(sound)


def test_first_crossing_is_found_between_steps():
    shares = [np.array([0.0, 0.0, 0.5]), np.array([0.04, 0.0, 0.6]), np.array([0.12, 0.01, 0.7])]
    assert first_crossing([0.0, 1.0, 3.0], shares, 0.08) == pytest.approx([2.0, 3.0, 0.0])


def test_a_share_never_reached_takes_the_whole_time():
    assert first_crossing([0.0, 60.0], [np.zeros(1), np.array([0.07])], 0.08)[0] == 60.0


def test_nobody_fills_longer_than_a_minute(rig):
    rig.put("gas_outlet", "gauged")
    shown = [rig.read([fill("gas_outlet.in", "60 cmH2O", flow)], OUTLET_GAUGE) for flow in FLOWS]
    assert shown[0] * 2 == pytest.approx(shown[1], rel=0.01)  # a tight space: twice in, twice up
    assert shown[1] / CMH2O < 59 < shown[2] / CMH2O
