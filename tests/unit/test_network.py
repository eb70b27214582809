"""A circuit as arrays: columns, positions, machines that differ, laws and stores by node."""

import numpy as np
import pytest

from diagnose.circuit import wire
from diagnose.errors import CircuitError
from diagnose.kb.load import load
from diagnose.kb.schema import PARAMETERS
from diagnose.physics.laws import P_ROOM, P_SEEP, Q_DROP, hole_coefficient
from diagnose.physics.network import (
    BAG_STRETCH,
    FROM_ROOM,
    SPACE_LEAST,
    build,
    ends,
    feeds,
    laws,
    move,
    stores,
    typical,
    vary,
)


@pytest.fixture(scope="module")
def network():
    return build(wire(load(), "small"))


@pytest.fixture
def ready(network):
    return typical(network)


def piece_index(network, component, name):
    return [(p.component, p.name) for p in network.pieces].index((component, name))


def law_of(network, settings, component, name):
    """Return forward, opening, seat, hole of one element."""
    return laws(network, settings.value[None, :])[:, piece_index(network, component, name), 0]


def test_every_element_has_a_column_for_every_parameter(network):
    assert network.width == len(network.pieces) * len(PARAMETERS)
    assert sorted(network.column.values()) == list(range(network.width))


def test_joined_ports_are_one_gas_space(network):
    space = network.circuit.space
    assert network.node(space("o2_control.out")) == network.node(space("o2_tube.in"))
    assert network.node(space("o2_tube.in")) != network.node(space("o2_tube.out"))


def test_an_unknown_element_is_refused_with_those_there_are(network):
    with pytest.raises(CircuitError) as caught:
        network.find("bag", "wlal", "bore")
    assert caught.value.machine == "small"
    assert "bag.wall.bore" in caught.value.allowed


@pytest.mark.parametrize(
    ("component", "position"), [("apl_valve", "ajar"), ("no_such_part", "open")]
)
def test_an_unknown_position_is_refused(network, ready, component, position):
    with pytest.raises(CircuitError) as caught:
        move(network, ready, component, position)
    assert f"{component}: {position}" in caught.value.what
    wanted = "closed" if component == "apl_valve" else "apl_valve"
    assert wanted in caught.value.allowed


def test_moving_writes_the_columns_it_names_and_no_other(network, ready):
    before = ready.copy()
    columns = move(network, ready, "apl_valve", "closed")
    changed = np.flatnonzero(before.value != ready.value)
    assert set(changed) <= set(columns)
    assert ready.value[network.find("apl_valve", "spring", "opening")] == pytest.approx(
        70 * 98.0665
    )


def test_a_copy_of_settings_is_its_own(network, ready):
    move(network, ready.copy(), "apl_valve", "closed")
    assert ready.value[network.find("apl_valve", "spring", "opening")] < 100


def test_machines_without_variation_are_the_typical_one(network, ready):
    assert np.array_equal(vary(ready, np.zeros((2, network.width)))[1], ready.value)


def test_machines_vary_log_normally_about_the_typical_value(network, ready):
    column = network.find("insp_valve", "disc", "seep")  # spread 60 %
    draw = np.zeros((3, network.width))
    draw[:, column] = [-1, 0, 1]
    low, middle, high = vary(ready, draw)[:, column]
    assert low * high == pytest.approx(middle**2)
    assert high / middle == pytest.approx(np.exp(ready.spread[column]))


def test_a_passage_conducts_what_its_pressure_drop_says(network, ready):
    drop = ready.value[network.find("insp_tube", "bore", "drop")]
    forward, _, back, hole = law_of(network, ready, "insp_tube", "bore")
    assert forward == back == pytest.approx(Q_DROP / drop)
    assert hole == 0.0


def test_a_shut_passage_conducts_nothing(network, ready):
    assert law_of(network, ready, "vaporizer_1", "inlet").tolist() == [0, 0, 0, 0]


def test_half_open_conducts_half(network, ready):
    whole = law_of(network, ready, "insp_tube", "bore")[0]
    ready.value[network.find("insp_tube", "bore", "open")] = 0.5
    assert law_of(network, ready, "insp_tube", "bore")[0] == pytest.approx(whole / 2)


def test_a_leak_has_a_seep_and_a_hole(network, ready):
    ready.value[network.find("bag", "wall", "bore")] = 1e-3
    seep = ready.value[network.find("bag", "wall", "seep")]
    forward, opening, back, hole = law_of(network, ready, "bag", "wall")
    assert forward == back == pytest.approx(seep / P_SEEP)
    assert (opening, hole) == (0.0, pytest.approx(float(hole_coefficient(1e-3))))


def test_a_valve_that_does_not_seat_conducts_backwards_and_never_less_forwards(network, ready):
    ready.value[network.find("insp_valve", "disc", "seep")] = 1.0
    forward, _, back, _ = law_of(network, ready, "insp_valve", "disc")
    assert forward == back == pytest.approx(1.0 / P_SEEP)


def test_stores_bags_and_bulbs_only_hold_gas(network, ready):
    for component, name in (
        ("bag", "pouch"),
        ("absorber", "space"),
        ("gas_outlet", "bulb"),
        ("gauge", "dial"),
    ):
        assert law_of(network, ready, component, name).tolist() == [0, 0, 0, 0]


def test_every_space_holds_a_little(network, ready):
    held = stores(network, ready.value[None, :], P_ROOM)
    assert held.rigid.min() >= SPACE_LEAST / P_ROOM


def test_a_bag_without_a_stretch_of_its_own_takes_the_usual_one(network, ready):
    ready.value[network.find("bag", "pouch", "stretch")] = 0.0
    bags = stores(network, ready.value[None, :], P_ROOM).bags
    node = network.node(network.circuit.space("bag.in"))
    (found,) = [(size, stretch) for at, size, stretch in bags if at == node]
    assert found[1][0] == pytest.approx(BAG_STRETCH * found[0][0])


def test_a_thinner_room_makes_gas_spaces_softer(network, ready):
    rows = ready.value[None, :]
    low, high = stores(network, rows, 80e3).rigid, stores(network, rows, P_ROOM).rigid
    assert (low > high).all()


def test_flows_add_up_where_they_enter(network, ready):
    move(network, ready, "o2_control", "flow_1")
    move(network, ready, "flush_valve", "pressed")
    found = feeds(network, ready.value[None, :])
    assert found.sum() * 6e4 == pytest.approx(1 + 50 - 25)
    assert np.count_nonzero(found) == 3  # the vacuum of the scavenging draws


def test_the_room_comes_after_all_spaces(network):
    before, after = ends(network)
    room = len(network.spaces)
    inward = np.array([piece.element.type in FROM_ROOM for piece in network.pieces])
    assert (before[~inward] < room).all() and (before[inward] == room).all()
    assert (after[inward] < room).all()
    assert after[piece_index(network, "bag", "wall")] == room
    assert after[piece_index(network, "insp_tube", "bore")] < room
