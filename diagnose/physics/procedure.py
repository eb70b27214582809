"""Play a check's procedure on many machines at once and return what would be read.

The moves are few: fill, feed, squeeze a bulb, hold a pressure, breathe, wait, look, put something
in a position.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diagnose.circuit import EXPIRATION, INSPIRATION, find_bellows, find_space, phases
from diagnose.kb.schema import Check, Move
from diagnose.physics.breath import breathe, read_breath
from diagnose.physics.laws import P_ROOM, Array, hole_coefficient, make_law
from diagnose.physics.mixing import Inflow, begin_shares, mix
from diagnose.physics.network import GAS_OXYGEN, Network, ends, feeds, laws, stores
from diagnose.physics.shown import Scene, Stage, gauge, held, look, read
from diagnose.physics.solve import STEP_MOST, STEP_SUPPLY, Net, Source, advance, settle, steps

FILL_SECONDS = 60.0  # nobody fills longer than this; judgement [s]
SQUEEZE_FLOW = 3e-3 / 60  # air that squeezing a bulb again and again takes out; judgement [m^3/s]
GAIN_LEAST = 0.05  # a gauge that hardly moves: the person fills until a relief opens [-]
BAND = 200.0  # a hand that tops up slows down this near the mark [Pa]
BAND_SUPPLY = 7e3  # what is drawn from a supply falls off below this; judgement [Pa]
VENT = float(hole_coefficient(18.5e-3))  # so open an end: 8 Pa at 50 L/min [m^3/s/Pa^0.5]
HOLD_GAIN = 1e-3  # stiffness of a pressure kept by hand or regulator [m^3/s/Pa]
#: steps of a wait where more than the last pressure counts; each is 1.45 times the one before [-]
WAIT_STEPS = {"time": 26, "oxygen": 16}

Retable = Callable[[dict[str, str]], Array]


def play(
    network: Network,
    check: Check,
    it: str,
    table: Array,
    retable: Retable,
    *,
    p_room: float = P_ROOM,
    supplies: bool = True,
) -> Array:
    """Return what each row would read at the end of a check, before any reading error.

    Parameters
    ----------
    network : Network
        The wiring.
    check : Check
        The procedure and the reading.
    it : str
        The component that ``$it`` stands for.
    table : array, shape (n_rows, n_columns)
        Parameters at the beginning, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    retable : callable
        Gives the table after a component is put in a position during the procedure.
    p_room : float
        Pressure of the room [Pa].
    supplies : bool
        False when all gas supplies are shut off.

    Returns
    -------
    array, shape (n_rows,) or (n_rows, n_signs)
        Pressure [Pa], flow [m^3/s], volume [m^3], time [s] or share [-], as the reading wants.
    """
    reached = reach(network, check, it, table, retable)
    vented = _vented(network, check, it, reached, table)
    nodes = [node for node in reached if node not in vented]
    stage = Stage(network, check, it, nodes)
    net = _net(network, table, nodes, p_room, supplies, vented)
    scene = Scene(net, np.zeros((len(nodes), len(table))), table, p_room, [], [])
    if check.reading.quantity == "oxygen":
        scene.share = begin_shares(scene.net, len(table))
        scene.oxygen = _fed_oxygen(network, table, nodes, supplies)
    for move in check.procedure:
        nets = []
        for positions in _positions(network, it, move):
            scene.table = retable(positions)
            nets.append(_net(network, scene.table, nodes, p_room, supplies, vented))
        if move.breathe:
            _breathe(stage, move, scene, (nets[0], nets[1]))
        elif move.set_:
            if scene.share is not None:
                scene.oxygen = _fed_oxygen(network, scene.table, nodes, supplies)
            scene.net = replace(nets[0], sources=scene.net.sources)
        else:
            _do(stage, move, scene)
    return read(stage, scene)


def _positions(network: Network, it: str, move: Move) -> list[dict[str, str]]:
    """Return the positions that a move puts components in, one after the other; none for most."""
    if move.breathe:
        return [phases(network.circuit, phase) for phase in (INSPIRATION, EXPIRATION)]
    return [{name.replace("$it", it): to for name, to in move.set_.items()}] if move.set_ else []


def reach(network: Network, check: Check, it: str, table: Array, retable: Retable) -> list[int]:
    """Return the gas spaces that can feel the moves or be felt by the reading, in any row.

    Parameters
    ----------
    network : Network
        The wiring.
    check : Check
        The procedure and the reading.
    it : str
        The component that ``$it`` stands for.
    table : array, shape (n_rows, n_columns)
        Parameters at the beginning, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    retable : callable
        Gives the table after a component is put in a position during the procedure.

    Returns
    -------
    list of int
        Their nodes, sorted [-].
    """
    found = reach_rows(network, check, it, table, retable)
    return [int(node) for node in np.flatnonzero(found.any(axis=1))]


def reach_rows(
    network: Network, check: Check, it: str, table: Array, retable: Retable
) -> NDArray[np.bool_]:
    """Return for each row which gas spaces can feel the moves or be felt by the reading.

    Parameters
    ----------
    network, check, it, retable
        As for ``reach``.
    table : array, shape (n_rows, n_columns)
        Parameters at the beginning, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].

    Returns
    -------
    array of bool, shape (n_nodes, n_rows)
        True where they can [-].
    """
    tables = [table]
    for move in check.procedure:
        tables += [retable(positions) for positions in _positions(network, it, move)]
    before, after = ends(network)
    inner = np.flatnonzero(np.maximum(before, after) < len(network.spaces))
    each = [laws(network, rows, inner.tolist())[[0, 2, 3]].any(axis=0) for rows in tables]
    open_ = np.any(each, axis=0)
    found = np.zeros((len(network.spaces), len(table)), dtype=bool)
    found[[network.node(space) for space in _seeds(network, check, it)]] = True
    size = -1
    while size != (size := int(found.sum())):
        for index in inner:
            a, b = int(before[index]), int(after[index])
            joined = (found[a] | found[b]) & open_[index]
            found[a] |= joined
            found[b] |= joined
    return found


def _vented(network: Network, check: Check, it: str, nodes: list[int], table: Array) -> list[int]:
    """Return the spaces that a hose end holds at the room's pressure in all rows all the time.

    Only those that hold and feed nothing, and that no move of the procedure may shut.
    """
    moved = {name.replace("$it", it) for move in check.procedure for name in move.set_ or {}}
    found = []
    for node in set(nodes) - {network.node(space) for space in _seeds(network, check, it)}:
        own = [p for p in network.pieces if network.spaces[node] in (p.before, p.after)]
        plain = all(p.element.type in ("leak", "relief", "passage") for p in own)
        wide = [
            hole_coefficient(table[:, network.find(p.component, p.name, "bore")])
            * table[:, network.find(p.component, p.name, "open")]
            for p in own
            if p.element.type == "leak" and p.component not in moved
        ]
        if plain and wide and float(np.max(wide, axis=0).min()) >= VENT:
            found.append(node)
    return found


def _seeds(network: Network, check: Check, it: str) -> list[str]:
    ports = [move.port for move in check.procedure]
    return [
        find_space(network.circuit, port.replace("$it", it))
        for port in [*ports, *check.reading.ports]
        if port
    ]


def _net(
    network: Network,
    table: Array,
    nodes: list[int],
    p_room: float,
    supplies: bool,
    vented: Sequence[int] = (),
) -> Net:
    room = len(network.spaces)
    place = np.full(room + 1, -1)
    place[nodes] = np.arange(len(nodes))
    place[[room, *vented]] = len(nodes)
    before, after = (place[side] for side in ends(network))
    kept = np.flatnonzero((before >= 0) & (after >= 0) & (before != after))
    held = stores(network, table, p_room)
    narrowed = replace(
        held,
        rigid=held.rigid[nodes],
        bags=tuple((int(place[n]), a, b) for n, a, b in held.bags if place[n] >= 0),
        bulbs=tuple((int(place[n]), a, b) for n, a, b in held.bulbs if place[n] >= 0),
        bellows=tuple((int(place[n]), a, b) for n, a, b in held.bellows if place[n] >= 0),
    )
    feed = feeds(network, table)[nodes]
    law = make_law(laws(network, table, kept.tolist())[:, kept])
    net = Net(before[kept], after[kept], law, narrowed, feed if supplies else feed * 0)
    kinds = {network.pieces[index].element.type for index in kept}
    return replace(net, step_most=STEP_SUPPLY) if kinds & {"regulator", "cylinder"} else net


def _do(stage: Stage, move: Move, scene: Scene) -> None:
    rows = len(scene.table)
    port = move.port
    node = stage.node(port) if port else -1
    target = np.full(rows, move.to.si("opening") if move.to else 0.0)
    most = move.flow.si("flow") if move.flow else np.inf
    if move.fill:
        at = str(stage.check.reading.at or "").replace("$it", stage.it)
        gain, offset = gauge(stage, scene.table, at)
        source = Source(
            node, (target - offset) / np.maximum(gain, GAIN_LEAST), 0.0, most, most / BAND
        )
        _with(scene, source, FILL_SECONDS)
    elif move.squeeze:
        component, name = move.squeeze.replace("$it", stage.it).split(".")
        recoil = scene.table[:, stage.network.find(component, name, "recoil")]
        whole = scene.net.stores
        scene.net.stores = replace(whole, bulbs=())  # a squeezed bulb is flat
        _with(scene, Source(node, -recoil, -SQUEEZE_FLOW, 0.0, SQUEEZE_FLOW / BAND), FILL_SECONDS)
        scene.net.stores = whole
    elif move.hold:
        is_supply = scene.net.step_most > STEP_MOST
        gain_most = most / BAND_SUPPLY if is_supply and np.isfinite(most) else HOLD_GAIN
        source = Source(node, target, -most, most, gain_most)
        _with(scene, source, FILL_SECONDS)
        scene.taken = source.flow(scene.pg[node])[0]
    elif move.feed:
        scene.net.feed = scene.net.feed.copy()
        scene.net.feed[node] += most
        if scene.oxygen is not None and port:
            gas = stage.network.circuit.machine.gases.get(port.split(".")[0], "oxygen")
            scene.oxygen[node] += most * GAS_OXYGEN[gas]
    elif move.wait:
        _wait(stage, scene, move.wait.si_time())
    elif move.look:
        look(stage, scene, move.look)


def _breathe(stage: Stage, move: Move, scene: Scene, nets: tuple[Net, Net]) -> None:
    """Play a few breaths; afterwards the ventilator is in expiration."""
    circuit, port = stage.network.circuit, str(move.breathe).replace("$it", stage.it)
    spaces = (circuit.space(port), str(find_bellows(circuit, port)))
    node, bellows = (stage.nodes.index(stage.network.node(space)) for space in spaces)
    breath = read_breath(move, node, bellows)
    scene.breathed = breathe(*nets, scene.pg, breath)
    scene.pg, scene.net = scene.breathed.pg, nets[1]


def _with(scene: Scene, source: Source, seconds: float) -> None:
    scene.net.sources.append(source)
    scene.pg = settle(scene.net, scene.pg, seconds)
    scene.net.sources.remove(source)


def _wait(stage: Stage, scene: Scene, seconds: float) -> None:
    number = WAIT_STEPS.get(str(stage.check.reading.quantity), 12)
    clock = 0.0
    for dt in steps(seconds, number):
        _film(stage, scene, clock)
        pg = advance(scene.net, scene.pg, float(dt))
        if scene.share is not None and scene.oxygen is not None:
            step = Inflow(float(dt), scene.p_room, scene.oxygen)
            scene.share = mix(scene.net, scene.share, scene.pg, pg, step)
        scene.pg = pg
        clock += float(dt)
    _film(stage, scene, clock)


def _fed_oxygen(network: Network, table: Array, nodes: list[int], supplies: bool) -> Array:
    return np.asarray(feeds(network, table, oxygen=True)[nodes] * float(supplies))


def _film(stage: Stage, scene: Scene, clock: float) -> None:
    if stage.check.reading.quantity == "time":
        at = str(stage.check.reading.at).replace("$it", stage.it)
        scene.times.append(clock)
        scene.shares.append(held(stage, scene, at, share=True))
