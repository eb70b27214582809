"""A circuit as arrays: one column per parameter, one row per particle (cause, severity, machine).

Positions and faults are edits of columns. The solver never sees a name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.circuit import ROOM, Circuit, Piece
from diagnose.errors import CircuitError
from diagnose.kb.schema import PARAMETERS, Setting, Sourced
from diagnose.physics.cylinder import fill_pressure
from diagnose.physics.laws import P_SEEP, Q_DROP, Array, hole_coefficient

#: what a parameter is when a knowledge file does not give it
DEFAULTS = {
    "drop": np.inf,
    "opening": 0.0,
    "recoil": 6374.0,
    "pull": 40e3,
    "keeps": 0.0,
    "bore": 0.0,
    "seep": 0.0,
    "flow": 0.0,
    "volume": 0.0,
    "size": 0.0,
    "stretch": 0.0,
    "open": 1.0,
    "gain": 1.0,
    "offset": 0.0,
    "oxygen": 1.0,
    "fill": 1.0,
    "bias": 0.0,
    "top": np.inf,
}
#: share of oxygen in what is fed: dry air 20.95 %, the pharmacopoeias' oxygen from cylinders 99.5 %
GAS_OXYGEN = {"oxygen": 0.995, "nitrous_oxide": 0.0, "air": 0.2095}
CYLINDER_DROP = 20e3  # of an open cylinder's valve and strainer at 60 L/min; judgement [Pa]
FROM_ROOM = ("inlet", "regulator", "cylinder")  # elements that let gas in at their one place
BAG_STRETCH = 25e-3 / 98.0665  # elastic compliance of a bag per size, D-33 [1/Pa]
SPACE_LEAST = 2e-6  # every gas space holds a little [m^3]


@dataclass(frozen=True)
class Network:
    """The wiring of a circuit and where each parameter stands in the table of parameters."""

    circuit: Circuit
    spaces: tuple[str, ...]
    pieces: tuple[Piece, ...]
    column: Mapping[tuple[str, str, str], int]  # (component, element, parameter) -> column

    @property
    def width(self) -> int:
        """Number of columns of the table of parameters."""
        return len(self.column)

    def node(self, space: str) -> int:
        """Return the row of a gas space in the arrays of the solver.

        Parameters
        ----------
        space : str
            Name of the gas space.

        Returns
        -------
        int
            Its row [-].
        """
        return self.spaces.index(space)

    def find(self, component: str, element: str, parameter: str) -> int:
        """Return a parameter's column.

        Parameters
        ----------
        component : str
            Name of the component in the machine.
        element : str
            Name of the element in the component.
        parameter : str
            One of the parameters of an element.

        Returns
        -------
        int
            Its column in the table of parameters [-].

        Raises
        ------
        CircuitError
            The component has no such element.
        """
        try:
            return self.column[component, element, parameter]
        except KeyError:
            known = sorted(f"{c}.{e}.{p}" for c, e, p in self.column if c == component)
            name = f"'{component}.{element}.{parameter}' is unknown"
            raise CircuitError(self.circuit.machine_id, name, known) from None


def build(circuit: Circuit) -> Network:
    """Return the network of a circuit.

    Parameters
    ----------
    circuit : Circuit
        The machine, wired.

    Returns
    -------
    Network
        Its gas spaces, elements and columns.
    """
    spaces = tuple(sorted(set(circuit.spaces.values())))
    names = [(p.component, p.name, parameter) for p in circuit.pieces for parameter in PARAMETERS]
    return Network(circuit, spaces, circuit.pieces, {name: i for i, name in enumerate(names)})


@dataclass
class Settings:
    """Typical value and spread of every parameter, for one set-up."""

    value: Array  # (n_columns,)
    spread: Array  # (n_columns,)

    def copy(self) -> Settings:
        """Return a copy that can be edited.

        Returns
        -------
        Settings
            The same numbers in arrays of its own.
        """
        return Settings(self.value.copy(), self.spread.copy())


def typical(network: Network) -> Settings:
    """Return every parameter of the healthy machine, all in their ready positions.

    Parameters
    ----------
    network : Network
        The wiring.

    Returns
    -------
    Settings
        Typical values and spreads, (n_columns,).
    """
    settings = Settings(np.zeros(network.width), np.zeros(network.width))
    for piece in network.pieces:
        for parameter in PARAMETERS:
            column = network.column[piece.component, piece.name, parameter]
            given = getattr(piece.element, parameter, None)
            _write(settings, column, parameter, given)
            if parameter == "oxygen" and given is None:
                gas = network.circuit.machine.gases.get(piece.component, "oxygen")
                settings.value[column] = GAS_OXYGEN[gas]
    for component, position in network.circuit.ready.items():
        move(network, settings, component, position)
    return settings


def _write(settings: Settings, column: int, parameter: str, given: Setting | None) -> None:
    """Write one setting, with its spread, into its column."""
    if given is None:
        settings.value[column], settings.spread[column] = DEFAULTS[parameter], 0.0
    elif isinstance(given, Sourced):
        settings.value[column], settings.spread[column] = given.si(parameter), given.spread
    else:
        settings.value[column], settings.spread[column] = float(given), 0.0


def move(network: Network, settings: Settings, component: str, position: str) -> list[int]:
    """Put a component in a position; return the columns that this wrote.

    Parameters
    ----------
    network : Network
        The wiring.
    settings : Settings
        The parameters to write into.
    component : str
        Name of the component in the machine.
    position : str
        One of the positions of its kind.

    Returns
    -------
    list of int
        The columns written [-].

    Raises
    ------
    CircuitError
        The component has no such position.
    """
    kind = network.circuit.kinds.get(component)
    if kind is None or position not in kind.positions:
        known = sorted(kind.positions) if kind else sorted(network.circuit.kinds)
        raise CircuitError(
            network.circuit.machine_id, f"'{component}: {position}' is no position", known
        )
    columns = []
    for target, given in kind.positions[position].items():
        element, parameter = target.split(".")
        column = network.find(component, element, parameter)
        _write(settings, column, parameter, given)
        columns.append(column)
    return columns


def vary(settings: Settings, draw: Array) -> Array:
    """Return parameter rows for machines that differ, log-normal about the typical value.

    Parameters
    ----------
    settings : Settings
        Typical values and spreads, (n_columns,).
    draw : array, shape (n_machines, n_columns)
        Standard normal draws, one row per machine [-].

    Returns
    -------
    array, shape (n_machines, n_columns)
        Parameters of each machine, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    """
    return np.asarray(settings.value * np.exp(settings.spread * draw))


def laws(network: Network, table: Array, only: Iterable[int] | None = None) -> Array:
    """Return the flow law of every element of every row.

    Parameters
    ----------
    network : Network
        The wiring.
    table : array, shape (n_rows, n_columns)
        Parameters, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    only : iterable of int, optional
        Places of the elements that are wanted; the others are left at zero [-].

    Returns
    -------
    array, shape (4, n_pieces, n_rows)
        As ``diagnose.physics.laws.make_law`` wants them: forward conductance [m^3/s/Pa], opening
        pressure [Pa], seat conductance [m^3/s/Pa] and hole coefficient [m^3/s/Pa^0.5].
    """
    n_rows = table.shape[0]
    found = np.zeros((4, len(network.pieces), n_rows))
    for index in range(len(network.pieces)) if only is None else only:
        piece = network.pieces[index]
        start = network.column[piece.component, piece.name, "drop"]
        own = dict(zip(PARAMETERS, table[:, start : start + len(PARAMETERS)].T, strict=True))
        seep = own["seep"] / P_SEEP
        found[3, index] = hole_coefficient(own["bore"])
        if piece.element.type == "passage":
            found[0, index] = found[2, index] = Q_DROP / own["drop"] * own["open"]
        elif piece.element.type == "leak":
            found[0, index] = found[2, index] = seep * own["open"]
            found[3, index] *= own["open"]
        elif piece.element.type in ("valve", "relief"):
            found[1, index] = own["opening"]
            found[2, index] = seep * (own["open"] if piece.element.type == "relief" else 1.0)
            found[0, index] = np.maximum(Q_DROP / own["drop"] * own["open"], found[2, index])
        elif piece.element.type == "pump":
            found[0, index] = found[2, index] = own["flow"] / own["pull"] * own["open"]
            found[3, index] = 0.0
        elif piece.element.type in FROM_ROOM:
            found[:, index] = _inward(network, piece, own)
        else:
            found[3, index] = 0.0
    return found


def _inward(network: Network, piece: Piece, own: dict[str, Array]) -> Array:
    """Return the law of what lets gas in from outside; a supply opens below what it keeps."""
    kind, drop = piece.element.type, own["drop"]
    if kind == "inlet":
        opening = own["opening"]
    elif kind == "regulator":
        opening = -own["keeps"]
    else:
        gas = network.circuit.machine.gases.get(piece.component, "oxygen")
        opening, drop = -fill_pressure(gas, own["fill"]), np.full_like(drop, CYLINDER_DROP)
    nothing = np.zeros_like(drop)
    return np.array([Q_DROP / drop * own["open"], opening, nothing, nothing])


@dataclass(frozen=True)
class Stores:
    """What the gas spaces hold: rigid and elastic walls, bags, bulbs and bellows."""

    rigid: Array  # (n_nodes, n_rows) compliance [m^3/Pa]
    bags: tuple[tuple[int, Array, Array], ...]  # node, size, stretch
    bulbs: tuple[tuple[int, Array, Array], ...]  # node, size, recoil
    bellows: tuple[tuple[int, Array, Array], ...] = ()  # node, size, pressure that lifts it


def stores(network: Network, table: Array, p_room: float) -> Stores:
    """Return the stores of every row.

    Parameters
    ----------
    network : Network
        The wiring.
    table : array, shape (n_rows, n_columns)
        Parameters, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    p_room : float
        Pressure of the room [Pa].

    Returns
    -------
    Stores
        Compliances and stores by node.
    """
    rigid = np.full((len(network.spaces), table.shape[0]), SPACE_LEAST / p_room)
    bags, bulbs, bellows = [], [], []
    for piece in network.pieces:
        get = {
            name: table[:, network.column[piece.component, piece.name, name]] for name in PARAMETERS
        }
        node = network.node(piece.before)
        if piece.element.type == "store":
            rigid[node] += get["volume"] / p_room + get["stretch"]
        elif piece.element.type == "bag":
            natural = np.where(get["stretch"] > 0, get["stretch"], BAG_STRETCH * get["size"])
            bags.append((node, get["size"], np.where(get["size"] > 0, natural, 0.0)))
        elif piece.element.type == "bulb":
            bulbs.append((node, get["size"], get["recoil"]))
        elif piece.element.type == "bellows":
            bellows.append((node, get["size"], get["opening"]))
    return Stores(rigid, tuple(bags), tuple(bulbs), tuple(bellows))


def feeds(network: Network, table: Array, *, oxygen: bool = False) -> Array:
    """Return the gas that flow controls, flush and pumps put into each space, or its oxygen only.

    Parameters
    ----------
    network : Network
        The wiring.
    table : array, shape (n_rows, n_columns)
        Parameters, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    oxygen : bool
        Count the oxygen in it only [-].

    Returns
    -------
    array, shape (n_nodes, n_rows)
        Flow into each space [m^3/s].
    """
    found = np.zeros((len(network.spaces), table.shape[0]))
    for piece in network.pieces:
        if piece.element.type in ("feed", "pump"):
            get = [
                table[:, network.column[piece.component, piece.name, name]]
                for name in ("flow", "open", "oxygen")
            ]
            share = get[2] if oxygen else 1.0
            sign = 1.0 if piece.element.type == "feed" else -1.0
            found[network.node(piece.before)] += sign * get[0] * get[1] * share
    return found


def ends(network: Network) -> tuple[Array, Array]:
    """Return for each element the node before and after it; the room is the last number.

    What lets gas in from the room, or from a supply outside, has the room before it.

    Parameters
    ----------
    network : Network
        The wiring.

    Returns
    -------
    before, after : array of int, shape (n_pieces,)
        Numbers of nodes [-].
    """
    room = len(network.spaces)
    before = np.array([network.node(piece.before) for piece in network.pieces])
    after = np.array([room if p.after == ROOM else network.node(p.after) for p in network.pieces])
    inward = np.array([piece.element.type in FROM_ROOM for piece in network.pieces], dtype=bool)
    return np.where(inward, after, before), np.where(inward, before, after)
