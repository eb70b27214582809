"""The graph: what a set-up puts to the test, by positions and one-way valves alone."""

import pytest

from diagnose.circuit import downstream, segments, suspects, upstream, wire
from diagnose.errors import CircuitError
from diagnose.kb.load import load

BASE = load()


def test_an_unknown_machine_is_refused_with_the_known_ones():
    with pytest.raises(CircuitError) as caught:
        wire(BASE, "smal")
    assert "small" in caught.value.allowed


def test_an_outlet_check_valve_hides_what_lies_upstream_from_pressure():
    check = BASE.checks["breathing.hold_30"]
    assert "manifold" not in suspects(wire(BASE, "two_vaporizers_valve"), check)
    assert "manifold" in suspects(wire(BASE, "two_vaporizers_open"), check)


def test_the_bulb_reaches_upstream_of_the_outlet_check_valve():
    tested = suspects(wire(BASE, "two_vaporizers_valve"), BASE.checks["vapour.bulb_all_off"])
    assert {"manifold", "outlet_valve", "o2_tube"} <= tested


def test_only_the_vaporizer_turned_on_is_tested():
    circuit = wire(BASE, "two_vaporizers_valve")
    check = BASE.checks["vapour.bulb_vaporizer_on"]
    tested = suspects(circuit, check, "vaporizer_2")
    inside = {p.component for p in circuit.pieces if p.name == "filler"}
    assert inside == {"vaporizer_1", "vaporizer_2"}
    assert "vaporizer_2" in tested


def test_a_part_swapped_for_a_known_good_one_is_no_suspect():
    circuit = wire(BASE, "small")
    assert "bag" in suspects(circuit, BASE.checks["breathing.hold_30"])
    assert "bag" not in suspects(circuit, BASE.checks["breathing.hold_known_good_bag"])


def test_gas_flows_from_the_flow_control_to_the_breathing_system_and_not_back():
    circuit = wire(BASE, "two_vaporizers_valve")
    assert "bag" in downstream(circuit, "manifold")
    assert "bag" not in upstream(circuit, "manifold")


def test_plugging_the_bag_mount_cuts_a_segment_off():
    circuit = wire(BASE, "small")
    whole = segments(circuit, circuit.ready)
    cut = segments(circuit, circuit.ready | {"bag_mount": "plugged"})
    assert len(cut) == len(whole) + 1
