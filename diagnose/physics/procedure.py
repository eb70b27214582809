"""Play a check's procedure on many machines at once and return what would be read.

The moves are few: fill, feed, squeeze a bulb, hold a pressure, breathe, wait, put something in a
position.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.circuit import EXPIRATION, INSPIRATION, Piece, find_bellows, find_space, phases
from diagnose.kb.schema import Check, Move
from diagnose.physics.breath import Breathed, breathe, read_breath
from diagnose.physics.cylinder import fill_pressure
from diagnose.physics.laws import P_ROOM, Array, make_law
from diagnose.physics.mixing import AIR_OXYGEN, Inflow, begin_shares, mix
from diagnose.physics.network import GAS_OXYGEN, Network, ends, feeds, laws, stores
from diagnose.physics.solve import Net, Source, advance, content, first_crossing, settle, steps

FILL_SECONDS = 60.0  # nobody fills longer than this; judgement [s]
SQUEEZE_FLOW = 3e-3 / 60  # air that squeezing a bulb again and again takes out; judgement [m^3/s]
GAIN_LEAST = 0.05  # a gauge that hardly moves: the person fills until a relief opens [-]
BAND = 200.0  # a hand that tops up slows down this near the mark [Pa]
HOLD_GAIN = 1e-3  # stiffness of a pressure kept by hand or regulator [m^3/s/Pa]
#: steps of a wait where more than the last pressure counts; each is 1.45 times the one before [-]
WAIT_STEPS = {"time": 26, "oxygen": 16}

Retable = Callable[[dict[str, str]], Array]


@dataclass
class Scene:
    """The state of a procedure between two moves."""

    net: Net
    pg: Array
    table: Array
    p_room: float  # [Pa]
    times: list[float]
    shares: list[Array]
    taken: Array | None = None  # flow at a held port (n_rows,)
    oxygen: Array | None = None  # oxygen fed into each space (n_nodes, n_rows) [m^3/s]
    share: Array | None = None  # share of oxygen in each space (n_nodes, n_rows)
    breathed: Breathed | None = None


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
    array, shape (n_rows,)
        Pressure [Pa], flow [m^3/s], volume [m^3], time [s] or share of oxygen [-], as the reading
        wants.
    """
    nodes = reach(network, check, it, table, retable)
    scene = Scene(
        _net(network, table, nodes, p_room, supplies),
        np.zeros((len(nodes), len(table))),
        table,
        p_room,
        [],
        [],
    )
    if check.reading.quantity == "oxygen":
        scene.share = begin_shares(scene.net, len(table))
        scene.oxygen = _fed_oxygen(network, table, nodes, supplies)
    for move in check.procedure:
        nets = []
        for positions in _positions(network, it, move):
            scene.table = retable(positions)
            nets.append(_net(network, scene.table, nodes, p_room, supplies))
        if move.breathe:
            _breathe(network, it, move, scene, (nets[0], nets[1]), nodes)
        elif move.set_:
            if scene.share is not None:
                scene.oxygen = _fed_oxygen(network, scene.table, nodes, supplies)
            scene.net = replace(nets[0], sources=scene.net.sources)
        else:
            _do(network, check, it, move, scene, nodes)
    return _read(network, check, it, scene, nodes)


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
    open_ = np.any([laws(network, rows)[[0, 2, 3]].any(axis=0) for rows in tables], axis=0)
    before, after = ends(network)
    inner = np.flatnonzero(after < len(network.spaces))
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


def _seeds(network: Network, check: Check, it: str) -> list[str]:
    ports = [move.port for move in check.procedure]
    return [
        find_space(network.circuit, port.replace("$it", it))
        for port in [*ports, check.reading.at]
        if port
    ]


def _net(network: Network, table: Array, nodes: list[int], p_room: float, supplies: bool) -> Net:
    room = len(network.spaces)
    place = np.full(room + 1, -1)
    place[nodes] = np.arange(len(nodes))
    place[room] = len(nodes)
    before, after = (place[side] for side in ends(network))
    kept = np.flatnonzero((before >= 0) & (after >= 0))
    held = stores(network, table, p_room)
    narrowed = replace(
        held,
        rigid=held.rigid[nodes],
        bags=tuple((int(place[n]), a, b) for n, a, b in held.bags if place[n] >= 0),
        bulbs=tuple((int(place[n]), a, b) for n, a, b in held.bulbs if place[n] >= 0),
        bellows=tuple((int(place[n]), a, b) for n, a, b in held.bellows if place[n] >= 0),
    )
    feed = feeds(network, table)[nodes]
    law = make_law(laws(network, table)[:, kept])
    return Net(before[kept], after[kept], law, narrowed, feed if supplies else feed * 0)


def _do(
    network: Network, check: Check, it: str, move: Move, scene: Scene, nodes: list[int]
) -> None:
    rows = len(scene.table)
    port = move.port
    node = _find_node(network, it, port, nodes) if port else -1
    target = np.full(rows, move.to.si("opening") if move.to else 0.0)
    most = move.flow.si("flow") if move.flow else np.inf
    if move.fill:
        gain, offset = _gauge(network, check, it, scene.table)
        source = Source(
            node, (target - offset) / np.maximum(gain, GAIN_LEAST), 0.0, most, most / BAND
        )
        _with(scene, source, FILL_SECONDS)
    elif move.squeeze:
        component, name = move.squeeze.replace("$it", it).split(".")
        recoil = scene.table[:, network.find(component, name, "recoil")]
        whole = scene.net.stores
        scene.net.stores = replace(whole, bulbs=())  # a squeezed bulb is flat
        _with(scene, Source(node, -recoil, -SQUEEZE_FLOW, 0.0, SQUEEZE_FLOW / BAND), FILL_SECONDS)
        scene.net.stores = whole
    elif move.hold:
        source = Source(node, target, -most, most, HOLD_GAIN)
        _with(scene, source, FILL_SECONDS)
        scene.taken = source.flow(scene.pg[node])[0]
    elif move.feed:
        scene.net.feed = scene.net.feed.copy()
        scene.net.feed[node] += most
        if scene.oxygen is not None and port:
            gas = network.circuit.machine.gases.get(port.split(".")[0], "oxygen")
            scene.oxygen[node] += most * GAS_OXYGEN[gas]
    elif move.wait:
        _wait(network, check, it, scene, nodes, move.wait.si_time())


def _find_node(network: Network, it: str, name: str, nodes: list[int]) -> int:
    """Return where the gas space of a port or an element stands among those that are solved."""
    return nodes.index(network.node(find_space(network.circuit, name.replace("$it", it))))


def _breathe(
    network: Network, it: str, move: Move, scene: Scene, nets: tuple[Net, Net], nodes: list[int]
) -> None:
    """Play a few breaths; afterwards the ventilator is in expiration."""
    port = str(move.breathe).replace("$it", it)
    spaces = (network.circuit.space(port), str(find_bellows(network.circuit, port)))
    node, bellows = (nodes.index(network.node(space)) for space in spaces)
    breath = read_breath(move, node, bellows)
    scene.breathed = breathe(*nets, scene.pg, breath)
    scene.pg, scene.net = scene.breathed.pg, nets[1]


def _with(scene: Scene, source: Source, seconds: float) -> None:
    scene.net.sources.append(source)
    scene.pg = settle(scene.net, scene.pg, seconds)
    scene.net.sources.remove(source)


def _wait(
    network: Network, check: Check, it: str, scene: Scene, nodes: list[int], seconds: float
) -> None:
    number = WAIT_STEPS.get(str(check.reading.quantity), 12)
    clock = 0.0
    for dt in steps(seconds, number):
        _film(network, check, it, scene, nodes, clock)
        pg = advance(scene.net, scene.pg, float(dt))
        if scene.share is not None and scene.oxygen is not None:
            step = Inflow(float(dt), scene.p_room, scene.oxygen)
            scene.share = mix(scene.net, scene.share, scene.pg, pg, step)
        scene.pg = pg
        clock += float(dt)
    _film(network, check, it, scene, nodes, clock)


def _fed_oxygen(network: Network, table: Array, nodes: list[int], supplies: bool) -> Array:
    return np.asarray(feeds(network, table, oxygen=True)[nodes] * float(supplies))


def _film(
    network: Network, check: Check, it: str, scene: Scene, nodes: list[int], clock: float
) -> None:
    if check.reading.quantity == "time":
        scene.times.append(clock)
        scene.shares.append(_held(network, check, it, scene, nodes, share=True))


def _held(
    network: Network, check: Check, it: str, scene: Scene, nodes: list[int], *, share: bool
) -> Array:
    """Return the gas in the bag or bulb that the reading names."""
    component, name = str(check.reading.at).replace("$it", it).split(".")
    node = _find_node(network, it, f"{component}.{name}", nodes)
    only = replace(scene.net.stores, rigid=scene.net.stores.rigid * 0)
    held, _ = content(only, scene.pg, np.arange(scene.pg.shape[1]))
    size = scene.table[:, network.find(component, name, "size")]
    return np.asarray(held[node] / np.maximum(size, 1e-12) if share else held[node])


def _gauge(network: Network, check: Check, it: str, table: Array) -> tuple[Array, Array]:
    """Return gain and offset of the gauge that the person watches, or those of a true one."""
    component, _, name = str(check.reading.at or "").replace("$it", it).partition(".")
    for piece in network.pieces:
        if (piece.component, piece.name) == (component, name):
            component, name = _joined_gauge(network, piece)
    if (component, name, "gain") not in network.column:
        return np.ones(len(table)), np.zeros(len(table))
    return table[:, network.find(component, name, "gain")], table[
        :, network.find(component, name, "offset")
    ]


def _joined_gauge(network: Network, piece: Piece) -> tuple[str, str]:
    """Return the gauge in the space of a cylinder; another element shows its own pressure."""
    if piece.element.type == "cylinder":
        for other in network.pieces:
            if other.element.type == "gauge" and other.before == piece.before:
                return other.component, other.name
    return piece.component, piece.name


def _cylinder_pressure(network: Network, space: str, table: Array) -> Array | None:
    """Return the pressure that cylinders give a space when open; None if there is no cylinder."""
    found: Array | None = None
    for piece in network.pieces:
        if piece.element.type == "cylinder" and piece.before == space:
            gas = network.circuit.machine.gases.get(piece.component, "oxygen")
            fill, open_ = (
                table[:, network.find(piece.component, piece.name, own)] for own in ("fill", "open")
            )
            own = np.where(open_ > 0, fill_pressure(gas, fill), 0.0)
            found = own if found is None else np.maximum(found, own)
    return found


def _read(network: Network, check: Check, it: str, scene: Scene, nodes: list[int]) -> Array:
    reading = check.reading
    if reading.quantity == "flow" and scene.taken is not None:
        return scene.taken
    if reading.quantity == "time":
        return first_crossing(scene.times, scene.shares, reading.reach or 1.0)
    if reading.quantity == "volume" and scene.breathed is None:
        return _held(network, check, it, scene, nodes, share=False)
    at = str(reading.at).replace("$it", it)
    node = _find_node(network, it, at, nodes)
    if scene.share is not None:
        return _read_oxygen(network, at, scene, scene.share[node])
    if scene.breathed is not None and reading.quantity == "volume":
        return np.asarray(scene.breathed.moved[node])
    gain, offset = _gauge(network, check, it, scene.table)
    pg = scene.breathed.peak if scene.breathed and reading.when == "peak" else scene.pg
    stored = _cylinder_pressure(network, find_space(network.circuit, at), scene.table)
    return np.asarray((pg[node] if stored is None else stored) * gain + offset)


def _read_oxygen(network: Network, at: str, scene: Scene, share: Array) -> Array:
    """Return what an oxygen cell shows of a gas, or the gas itself at a port; a cell may be out."""
    component, _, name = at.partition(".")
    if (component, name, "bias") not in network.column:
        return share
    open_, gain, bias, top = (
        scene.table[:, network.find(component, name, own)]
        for own in ("open", "gain", "bias", "top")
    )
    felt = open_ * share + (1 - open_) * AIR_OXYGEN
    return np.asarray(np.clip(np.minimum(felt * gain + bias, top), 0.0, 1.1))
