"""What a procedure shows: a gauge, a bag, a flow, an oxygen cell, or several of them at a look."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from diagnose.circuit import Piece, find_space
from diagnose.kb.schema import Check, Sign
from diagnose.physics.breath import Breathed
from diagnose.physics.laws import Array
from diagnose.physics.mixing import AIR_OXYGEN
from diagnose.physics.network import Network
from diagnose.physics.solve import Net, content, first_crossing

END = ""  # name of the look at the end of a procedure


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
    looks: dict[str, dict[str, Array]] = field(default_factory=dict)  # what was seen at each look


@dataclass(frozen=True)
class Stage:
    """Where a procedure is played: the wiring, the check, its place and the spaces solved."""

    network: Network
    check: Check
    it: str
    nodes: list[int]

    def node(self, name: str) -> int:
        """Return where the gas space of a port or an element stands among those that are solved.

        Parameters
        ----------
        name : str
            ``component.port`` or ``component.element``; ``$it`` is the check's own place.

        Returns
        -------
        int
            Its row [-].
        """
        space = find_space(self.network.circuit, name.replace("$it", self.it))
        return self.nodes.index(self.network.node(space))


def look(stage: Stage, scene: Scene, name: str = END) -> None:
    """Keep what every sign of a check shows now.

    Parameters
    ----------
    stage : Stage
        Where the procedure is played.
    scene : Scene
        Its state now.
    name : str
        Name of the look.
    """
    signs = stage.check.reading.signs.items()
    scene.looks[name] = {key: _show_sign(stage, scene, sign) for key, sign in signs}


def _show_sign(stage: Stage, scene: Scene, sign: Sign) -> Array:
    at = sign.at.replace("$it", stage.it)
    if sign.quantity == "fullness":
        return held(stage, scene, at, share=True)
    gain, offset = gauge(stage, scene.table, at)
    return np.asarray(scene.pg[stage.node(at)] * gain + offset)


def read(stage: Stage, scene: Scene) -> Array:
    """Return what a check reads at the end of its procedure.

    Parameters
    ----------
    stage : Stage
        Where the procedure is played.
    scene : Scene
        Its state at the end.

    Returns
    -------
    array, shape (n_rows,) or (n_rows, n_signs)
        Pressure [Pa], flow [m^3/s], volume [m^3], time [s] or share [-], as the reading wants.
    """
    reading = stage.check.reading
    if reading.signs:
        look(stage, scene)
        found = []
        for key, sign in reading.signs.items():
            now = scene.looks[sign.look or END][key]
            found.append(scene.looks[sign.since][key] - now if sign.since else now)
        return np.stack(found, axis=1)
    if reading.quantity == "flow" and scene.taken is not None:
        return scene.taken
    if reading.quantity == "time":
        return first_crossing(scene.times, scene.shares, reading.reach or 1.0)
    at = str(reading.at).replace("$it", stage.it)
    if reading.quantity == "volume" and scene.breathed is None:
        return held(stage, scene, at, share=False)
    node = stage.node(at)
    if scene.share is not None:
        return _read_oxygen(stage.network, at, scene, scene.share[node])
    if scene.breathed is not None and reading.quantity == "volume":
        return np.asarray(scene.breathed.moved[node])
    gain, offset = gauge(stage, scene.table, at)
    pg = scene.breathed.peak if scene.breathed and reading.when == "peak" else scene.pg
    return np.asarray(pg[node] * gain + offset)


def held(stage: Stage, scene: Scene, at: str, *, share: bool) -> Array:
    """Return the gas in a bag or bulb.

    Parameters
    ----------
    stage : Stage
        Where the procedure is played.
    scene : Scene
        Its state now.
    at : str
        ``component.element`` of the bag or bulb.
    share : bool
        As a share of its size [-].

    Returns
    -------
    array, shape (n_rows,)
        Gas held [m^3], or that over the size [-].
    """
    component, name = at.split(".")
    only = replace(scene.net.stores, rigid=scene.net.stores.rigid * 0)
    gas, _ = content(only, scene.pg, np.arange(scene.pg.shape[1]))
    size = scene.table[:, stage.network.find(component, name, "size")]
    node = stage.node(at)
    return np.asarray(gas[node] / np.maximum(size, 1e-12) if share else gas[node])


def gauge(stage: Stage, table: Array, at: str) -> tuple[Array, Array]:
    """Return gain and offset of the gauge that the person watches, or those of a true one.

    Parameters
    ----------
    stage : Stage
        Where the procedure is played.
    table : array, shape (n_rows, n_columns)
        Parameters, each column in its SI unit [Pa, m^3/s, m^3, m^3/Pa, m or -].
    at : str
        ``component.element`` or ``component.port``; of a cylinder, the gauge joined to it.

    Returns
    -------
    gain, offset : array, shape (n_rows,)
        Shown over true [-], and shown at zero [Pa].
    """
    component, _, name = at.partition(".")
    for piece in stage.network.pieces:
        if (piece.component, piece.name) == (component, name):
            component, name = _joined_gauge(stage.network, piece)
    if (component, name, "gain") not in stage.network.column:
        return np.ones(len(table)), np.zeros(len(table))
    find = stage.network.find
    return table[:, find(component, name, "gain")], table[:, find(component, name, "offset")]


def _joined_gauge(network: Network, piece: Piece) -> tuple[str, str]:
    """Return the gauge in the space of a cylinder; another element shows its own pressure."""
    if piece.element.type == "cylinder":
        for other in network.pieces:
            if other.element.type == "gauge" and other.before == piece.before:
                return other.component, other.name
    return piece.component, piece.name


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
