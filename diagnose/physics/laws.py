"""The laws of single elements: what flows at a pressure, and what a store holds at a pressure.

Everything takes and returns arrays. Pressures here are gauge pressures, because every leak ends in
the room; absolute pressure appears only where gas density needs it (``orifice_mass_flow``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import PhysicsError

Array = NDArray[np.float64]

P_ROOM = 101_325.0  # [Pa]
RHO_GAS = 1.33  # oxygen at 20 C [kg/m^3], figures P-11
CD_HOLE = 0.62  # sharp-edged hole, figures P-17 [-]
P_SEEP = 30 * 98.0665  # laminar leaks are stated at this pressure [Pa]
Q_DROP = 60e-3 / 60  # resistances are stated at 60 L/min [m^3/s]
P_SMOOTH = (
    5.0  # below this the square-root law is rounded off so that Newton's method converges [Pa]
)
BAG_SLACK = 12.0  # steepness of the slack part of a bag [Pa]
BAG_SHARE = 0.8  # share of the nominal size held at 50 Pa, figures B-01, B-02 [-]
BULB_POWER = 1.4  # recoil falls slower than the bulb fills; judgement [-]


def hole_coefficient(bore: Array | float) -> Array:
    """Return k of a sharp round hole, in flow = k sqrt(pressure).

    Incompressible, valid for pressures small against the room's (error below 2 % at 60 cmH2O).

    Parameters
    ----------
    bore : float or array, shape (n,)
        Diameter of the hole [m].

    Returns
    -------
    array, shape (n,)
        Coefficient k [m^3/s/Pa^0.5].

    Examples
    --------
    A hole of 0.2825 mm leaks 150 mL/min at 30 cmH2O (figure D-08 takes Cd 0.60, here 0.62):

    >>> k = hole_coefficient(0.2825e-3)
    >>> round(float(k) * (30 * 98.0665) ** 0.5 * 6e7 * 0.60 / 0.62)
    150

    References
    ----------
    .. [1] Orifice equation, Q = Cd A sqrt(2 dp / rho).
    """
    area = np.pi / 4 * np.square(np.asarray(bore, dtype=float))
    return np.asarray(CD_HOLE * area * np.sqrt(2 / RHO_GAS))


def orifice_mass_flow(
    p_up: float,
    p_down: float,
    area: float,
    temp_up: float,
    cd: float = CD_HOLE,
    gamma: float = 1.4,
    r_gas: float = 259.8,
) -> float:
    """Return the mass flow of an ideal gas through a small sharp hole, choked or not.

    Once choked, the flow no longer depends on ``p_down``.

    Parameters
    ----------
    p_up, p_down : float
        Absolute pressure before and after the hole [Pa]; p_up >= p_down > 0.
    area : float
        Open area of the hole [m^2].
    temp_up : float
        Temperature before the hole [K].
    cd : float
        Discharge coefficient [-].
    gamma : float
        Ratio of specific heats [-].
    r_gas : float
        Specific gas constant, oxygen by default [J/kg/K].

    Returns
    -------
    float
        Mass flow, positive from up to down [kg/s].

    Raises
    ------
    PhysicsError
        A pressure is not positive, or p_down > p_up.

    Examples
    --------
    >>> round(orifice_mass_flow(500e3, 100e3, 1e-6, 293.15, cd=1.0, r_gas=287.05), 7)
    0.0011802

    References
    ----------
    .. [1] ISO 9300, critical flow; any gas dynamics text, isentropic nozzle flow.
    """
    if p_down <= 0 or p_up <= 0:
        raise PhysicsError(
            "orifice_mass_flow", "pressure", min(p_up, p_down), "above 0 Pa absolute"
        )
    if p_down > p_up:
        raise PhysicsError("orifice_mass_flow", "p_down", p_down, f"at most p_up = {p_up:g} Pa")
    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    ratio = max(p_down / p_up, critical)
    speed = (
        2
        * gamma
        / (gamma - 1)
        / (r_gas * temp_up)
        * (ratio ** (2 / gamma) - ratio ** (1 + 1 / gamma))
    )
    return float(cd * area * p_up * np.sqrt(max(speed, 0.0)))


def smooth_root(dp: Array) -> tuple[Array, Array]:
    """Return sign(dp) sqrt(|dp|) with its kink at zero rounded off, and its slope.

    Beyond one atmosphere the hole is choked: its flow goes on with the absolute pressure before it.
    The two laws meet there in value and slope, within 3.5 % of isentropic choked flow.

    Parameters
    ----------
    dp : array
        Pressure difference [Pa].

    Returns
    -------
    root, slope : array
        Rounded root [Pa^0.5] and its derivative [Pa^-0.5].

    Examples
    --------
    >>> root, slope = smooth_root(np.array([400.0]))
    >>> round(float(root[0]), 2)
    20.0
    """
    far = np.abs(dp) > P_ROOM
    if far.any():
        root, slope = _near_root(np.where(far, 0.0, dp))
        beyond = (np.abs(dp) + P_ROOM) / (2 * np.sqrt(P_ROOM))
        choked = np.full_like(slope, 0.5 / np.sqrt(P_ROOM))
        return np.where(far, np.sign(dp) * beyond, root), np.where(far, choked, slope)
    return _near_root(dp)


def _near_root(dp: Array) -> tuple[Array, Array]:
    square = dp * dp + P_SMOOTH * P_SMOOTH
    fourth = np.sqrt(np.sqrt(square))
    root = dp / fourth
    slope = (square - 0.5 * dp * dp) / (square * fourth)
    return root, slope


@dataclass(frozen=True)
class Law:
    """How elements conduct, (n_pieces, n_rows); only a few have a hole or a way that opens.

    flow = seat dp + hole root(dp) + more max(dp - opening, 0)
    """

    seat: Array  # conductance both ways [m^3/s/Pa]
    holes: NDArray[np.int64]  # which elements have a hole
    hole: Array  # (n_holes, n_rows) [m^3/s/Pa^0.5]
    ways: NDArray[np.int64]  # which elements open in one direction
    more: Array  # (n_ways, n_rows) conductance beyond the seat's [m^3/s/Pa]
    opening: Array  # (n_ways, n_rows) [Pa]

    def take(self, rows: NDArray[np.int64]) -> Law:
        """Return the law of some rows.

        Parameters
        ----------
        rows : array of int, shape (n_some,)
            Numbers of the rows [-].

        Returns
        -------
        Law
            The same elements, those rows only.
        """
        return Law(
            self.seat[:, rows],
            self.holes,
            self.hole[:, rows],
            self.ways,
            self.more[:, rows],
            self.opening[:, rows],
        )


def make_law(table: Array) -> Law:
    """Return the law of elements from their coefficients, leaving out what none of the rows has.

    Parameters
    ----------
    table : array, shape (4, n_pieces, n_rows)
        Forward conductance [m^3/s/Pa], opening pressure [Pa], seat conductance [m^3/s/Pa] and hole
        coefficient [m^3/s/Pa^0.5] of each element.

    Returns
    -------
    Law
        The same, split.
    """
    forward, opening, seat, hole = table
    holes = np.flatnonzero(hole.any(axis=1))
    ways = np.flatnonzero((forward != seat).any(axis=1))
    return Law(seat, holes, hole[holes], ways, (forward - seat)[ways], opening[ways])


def flow_through(dp: Array, law: Law) -> tuple[Array, Array]:
    """Return the flow through elements and its slope; one law serves them all.

    A passage or leak conducts both ways; a valve or relief conducts forward above its opening
    pressure and leaks past its seat otherwise.

    Parameters
    ----------
    dp : array, shape (n_pieces, n_rows)
        Pressure before minus after each element [Pa].
    law : Law
        How the elements conduct.

    Returns
    -------
    flow, slope : array, shape (n_pieces, n_rows)
        Flow from before to after [m^3/s], and its derivative [m^3/s/Pa].

    Examples
    --------
    A valve that opens at 100 Pa, at 50 Pa and at 300 Pa:

    >>> law = make_law(np.array([[[1e-6, 1e-6]], [[100.0, 100.0]], [[0.0, 0.0]], [[0.0, 0.0]]]))
    >>> flow_through(np.array([[50.0, 300.0]]), law)[0]
    array([[0.    , 0.0002]])
    """
    flow, slope = law.seat * dp, law.seat.copy()
    if len(law.holes):
        root, root_slope = smooth_root(dp[law.holes])
        flow[law.holes] += law.hole * root
        slope[law.holes] += law.hole * root_slope
    if len(law.ways):
        over = dp[law.ways] - law.opening
        flow[law.ways] += law.more * np.maximum(over, 0.0)
        slope[law.ways] += np.where(over > 0, law.more, 0.0)
    return flow, slope


def bag_content(pg: Array, size: Array, stretch: Array) -> tuple[Array, Array]:
    """Return the gas a reservoir bag holds at a pressure, and its compliance.

    Slack up to 0.8 of its size at 50 Pa (Mostafa 1985), then elastic. The elastic part is linear
    here; near its plateau (35 to 60 cmH2O) a real bag gets softer.

    Parameters
    ----------
    pg : array
        Gauge pressure in the bag [Pa].
    size : array
        Nominal size; 0 for no bag [m^3].
    stretch : array
        Elastic compliance beyond the slack part [m^3/Pa].

    Returns
    -------
    content, compliance : array
        Gas held [m^3], and its derivative [m^3/Pa].

    Examples
    --------
    >>> content, _ = bag_content(np.array([50.0, 700.0]), np.array([2e-3]), np.array([5.1e-7]))
    >>> [round(float(v) * 1e3, 1) for v in content]
    [1.6, 1.9]

    References
    ----------
    .. [1] Mostafa SM, Hall ID, Anaesthesia 1985, figures B-01 to B-03.
    """
    sigma = 1 / (1 + np.exp(-np.clip(pg / BAG_SLACK, -60, 60)))
    knee = 1 / (1 + np.exp(-np.clip((pg - 50.0) / BAG_SLACK, -60, 60)))
    over = BAG_SLACK * np.logaddexp(0.0, (pg - 50.0) / BAG_SLACK)
    content = BAG_SHARE * size * sigma + stretch * over
    compliance = BAG_SHARE * size * sigma * (1 - sigma) / BAG_SLACK + stretch * knee
    return content, compliance


def bellows_content(pg: Array, size: Array, lift: Array) -> tuple[Array, Array]:
    """Return the gas a bellows or piston holds at a pressure, and its compliance.

    Down below the pressure that lifts it, at its top above; between them as steep as a slack bag.

    Parameters
    ----------
    pg : array
        Gauge pressure in it [Pa].
    size : array
        Content at the top; 0 for none [m^3].
    lift : array
        Pressure at which it rises: its weight over its area [Pa].

    Returns
    -------
    content, compliance : array
        Gas held [m^3], and its derivative [m^3/Pa].

    Examples
    --------
    >>> content, _ = bellows_content(np.array([0.0, 200.0, 300.0]), np.array(1e-3), np.array(200.0))
    >>> [round(float(v) * 1e6) for v in content]
    [0, 500, 1000]
    """
    sigma = 1 / (1 + np.exp(-np.clip((pg - lift) / BAG_SLACK, -60, 60)))
    return size * sigma, size * sigma * (1 - sigma) / BAG_SLACK


def bellows_pressure(held: Array, size: Array, lift: Array) -> Array:
    """Return the pressure at which a bellows holds so much gas, the inverse of its content.

    Parameters
    ----------
    held : array
        Gas held, kept within a millionth of empty and full [m^3].
    size, lift : array
        As for ``bellows_content`` [m^3, Pa].

    Returns
    -------
    array
        Gauge pressure [Pa].

    Examples
    --------
    >>> float(bellows_pressure(np.array(5e-4), np.array(1e-3), np.array(200.0)))
    200.0
    """
    share = np.clip(held / np.maximum(size, 1e-12), 1e-6, 1 - 1e-6)
    return np.asarray(lift + BAG_SLACK * np.log(share / (1 - share)))


def bulb_content(pg: Array, size: Array, recoil: Array) -> tuple[Array, Array]:
    """Return the gas a suction bulb holds at a pressure below the room's, and its compliance.

    Flat at minus ``recoil``, round at zero; the recoil falls slower than the bulb fills.

    Parameters
    ----------
    pg : array
        Gauge pressure in the bulb [Pa].
    size : array
        Content of the round bulb; 0 for no bulb [m^3].
    recoil : array
        Vacuum of the flat bulb, a positive number [Pa].

    Returns
    -------
    content, compliance : array
        Gas held [m^3], and its derivative [m^3/Pa].

    Examples
    --------
    >>> content, _ = bulb_content(np.array([-6374.0, 0.0]), np.array([6e-5]), np.array([6374.0]))
    >>> [round(float(v) * 1e6) for v in content]
    [0, 60]
    """
    share = np.clip(-pg / recoil, 1e-6, 1.0)
    content = size * (1 - share**BULB_POWER)
    inside = (pg > -recoil) & (pg < 0)
    slope = BULB_POWER * share ** (BULB_POWER - 1) / recoil
    return content, size * np.where(inside, np.maximum(slope, 1e-2 / recoil), 0.0)
