"""What gas is where: the share of oxygen carried along by the flows of a solved network.

Every gas space is well mixed. A step is implicit and takes what flows in from upstream, so a share
never leaves the range of what is fed and of the room's air, however long the step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.physics.laws import Array, flow_through
from diagnose.physics.solve import Net, content

AIR_OXYGEN = 0.2095  # share of oxygen in the room's air [-]


@dataclass(frozen=True)
class Inflow:
    """What a step brings: its length, the room's pressure, and the oxygen fed into each space."""

    seconds: float  # [s]
    p_room: float  # [Pa]
    oxygen: Array  # (n_nodes, n_rows) [m^3/s]


def begin_shares(net: Net, rows: int) -> Array:
    """Return the shares of a machine that stood open to the room.

    Parameters
    ----------
    net : Net
        The networks, one a row.
    rows : int
        How many rows [-].

    Returns
    -------
    array, shape (n_nodes, rows)
        Air's share of oxygen everywhere [-].
    """
    return np.full((net.n_nodes, rows), AIR_OXYGEN)


def mix(net: Net, share: Array, before: Array, after: Array, step: Inflow) -> Array:
    """Return the share of oxygen in every space after a step of the pressures.

    What flows in mixes with what was there, so each share is a mean of others, also where the
    pressures took the step in parts; where they did not, gas is conserved exactly.

    Parameters
    ----------
    net : Net
        The networks, one a row.
    share : array, shape (n_nodes, n_rows)
        Share of oxygen before the step [-].
    before, after : array, shape (n_nodes, n_rows)
        Gauge pressures before and after the step [Pa].
    step : Inflow
        Its length, the room's pressure and what is fed.

    Returns
    -------
    array, shape (n_nodes, n_rows)
        Share of oxygen after the step [-].

    References
    ----------
    .. [1] Conservation of each gas, first-order upwind, implicit; see any text on finite volumes.
    """
    rows = np.arange(share.shape[1])
    held_before, _ = content(net.stores, before, rows)
    base = net.stores.rigid * step.p_room
    room = np.full((1, share.shape[1]), AIR_OXYGEN)
    padded = np.concatenate([after, np.zeros((1, after.shape[1]))])
    flow, _ = flow_through(padded[net.before] - padded[net.after], net.law)
    n = net.n_nodes
    matrix = np.zeros((share.shape[1], n + 1, n + 1))
    right = np.zeros((share.shape[1], n + 1))
    matrix[:, range(n), range(n)] = (base + held_before + step.seconds * net.feed).T
    right[:, :n] = (share * (base + held_before) + step.seconds * step.oxygen).T
    for a, b, index in net.ends:
        forth, back = np.maximum(flow[index], 0.0), np.maximum(-flow[index], 0.0)
        matrix[:, b, b] += step.seconds * forth
        matrix[:, b, a] -= step.seconds * forth
        matrix[:, a, a] += step.seconds * back
        matrix[:, a, b] -= step.seconds * back
    matrix[:, n, :], matrix[:, n, n], right[:, n] = 0.0, 1.0, room
    return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :n, 0].T)
