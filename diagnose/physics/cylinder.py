"""What a gas cylinder shows and holds: a real gas, and one that is liquid below its critical point.

Peng and Robinson's equation of state serves oxygen, air and nitrous oxide alike. A filling is a
share of the nominal contents, so the size of a cylinder does not matter to its pressure.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from diagnose.errors import PhysicsError
from diagnose.physics.laws import P_ROOM, Array

R_MOLAR = 8.314462618  # CODATA 2018 [J/mol/K]
T_ROOM = 293.15  # cylinders stand in the room [K]
ROUNDS = 200


@dataclass(frozen=True)
class Fluid:
    """Critical point, acentric factor and nominal filling of a gas."""

    t_critical: float  # [K]
    p_critical: float  # [Pa]
    acentric: float  # [-]
    full: float  # gas at the room's pressure per water volume of a full cylinder [m^3/m^3]


#: critical points: oxygen Schmidt and Wagner 1985; nitrous oxide Lemmon and Span 2006; air as one
#: fluid, Lemmon et al. 2000. Full size E cylinders of 4.7 L: figures S-08, S-12, S-16, S-24.
FLUIDS = {
    "oxygen": Fluid(154.581, 5.043e6, 0.0222, 660 / 4.7),
    "nitrous_oxide": Fluid(309.52, 7.245e6, 0.1613, 1590 / 4.7),
    "air": Fluid(132.5306, 3.786e6, 0.0335, 630 / 4.7),
}


def gas_pressure(gas: str, density: Array | float, temp: float = T_ROOM) -> Array:
    """Return the absolute pressure of a gas, or of its vapour while there is liquid.

    Valid from 273 to 323 K up to 20 MPa: oxygen within 2 %, vapour pressure of nitrous oxide within
    1.5 %. Liquid that fills the cylinder is not meant.

    Parameters
    ----------
    gas : str
        ``oxygen``, ``nitrous_oxide`` or ``air``.
    density : float or array
        Substance per water volume [mol/m^3].
    temp : float
        Temperature [K].

    Returns
    -------
    array
        Absolute pressure [Pa].

    Examples
    --------
    >>> [round(float(gas_pressure("oxygen", n)) / 1e6, 1) for n in (41.6, 5840.0)]
    [0.1, 13.2]

    References
    ----------
    .. [1] Peng DY, Robinson DB, Ind Eng Chem Fundam 1976;15(1):59-64.
    """
    n = np.asarray(density, dtype=float)
    pull, bulk = _constants(gas, temp)
    found = R_MOLAR * temp * n / (1 - bulk * n)
    found = found - pull * n * n / (1 + 2 * bulk * n - (bulk * n) ** 2)
    if temp >= FLUIDS[gas].t_critical:
        return np.asarray(found)
    p_vapour, thin, dense = saturation(gas, temp)
    return np.asarray(np.where((n > thin) & (n < dense), p_vapour, found))


@lru_cache(maxsize=64)
def saturation(gas: str, temp: float) -> tuple[float, float, float]:
    """Return vapour pressure and the densities of vapour and liquid, where their fugacities agree.

    Parameters
    ----------
    gas : str
        A gas of ``FLUIDS``.
    temp : float
        Temperature, 0.7 to 0.999 of the critical one [K].

    Returns
    -------
    pressure, thin, dense : float
        Absolute pressure [Pa], density of the vapour and of the liquid [mol/m^3].

    Raises
    ------
    PhysicsError
        There is no liquid at this temperature.

    Examples
    --------
    >>> round(saturation("nitrous_oxide", 293.15)[0] / 1e6, 1)
    5.1

    References
    ----------
    .. [1] Peng DY, Robinson DB, Ind Eng Chem Fundam 1976;15(1):59-64, equations 5 to 8.
    """
    fluid = FLUIDS[gas]
    if not 0.7 * fluid.t_critical <= temp <= 0.999 * fluid.t_critical:
        raise PhysicsError("saturation", "temp", temp, f"below {fluid.t_critical:g} K")
    low = 7 / 3 * (1 + fluid.acentric)  # Wilson's estimate of the vapour pressure, to begin with
    pressure = fluid.p_critical * 10 ** (low * (1 - fluid.t_critical / temp))
    thick = thin = 0.0
    for _ in range(ROUNDS):
        thick, thin = _outer_roots(gas, temp, pressure)
        ratio = np.exp(_log_fugacity(gas, temp, pressure, thick))
        ratio = float(ratio / np.exp(_log_fugacity(gas, temp, pressure, thin)))
        pressure *= ratio
        if abs(ratio - 1) < 1e-10:
            break
    one = pressure / (R_MOLAR * temp)
    return pressure, one / thin, one / thick


def _constants(gas: str, temp: float) -> tuple[float, float]:
    """Return attraction [J m^3/mol^2] and own volume [m^3/mol] of a gas at a temperature."""
    fluid = FLUIDS[gas]
    slope = 0.37464 + 1.54226 * fluid.acentric - 0.26992 * fluid.acentric**2
    alpha = (1 + slope * (1 - (temp / fluid.t_critical) ** 0.5)) ** 2
    scale = R_MOLAR * fluid.t_critical
    return 0.45724 * scale**2 / fluid.p_critical * alpha, 0.07780 * scale / fluid.p_critical


def _reduced(gas: str, temp: float, pressure: float) -> tuple[float, float]:
    pull, bulk = _constants(gas, temp)
    return pull * pressure / (R_MOLAR * temp) ** 2, bulk * pressure / (R_MOLAR * temp)


def _outer_roots(gas: str, temp: float, pressure: float) -> tuple[float, float]:
    """Return the compressibility of liquid and of vapour [-]; the same where there is but one."""
    a, b = _reduced(gas, temp, pressure)
    roots = np.roots([1.0, b - 1, a - 3 * b * b - 2 * b, b**3 + b * b - a * b])
    real = roots[np.abs(roots.imag) < 1e-9].real
    return float(real.min()), float(real.max())


def _log_fugacity(gas: str, temp: float, pressure: float, z: float) -> float:
    a, b = _reduced(gas, temp, pressure)
    root = 2**0.5
    ways = np.log((z + (1 + root) * b) / (z + (1 - root) * b))
    return float(z - 1 - np.log(z - b) - a / (2 * root * b) * ways)


def _molar(gas: str) -> float:
    """Return the density of a gas in the room [mol/m^3]: the equation turned round by Newton."""
    n = P_ROOM / (R_MOLAR * T_ROOM)
    for _ in range(20):
        n *= P_ROOM / float(gas_pressure(gas, n))
    return n


def fill_pressure(gas: str, fill: Array, temp: float = T_ROOM) -> Array:
    """Return the gauge pressure of a cylinder from its filling.

    Parameters
    ----------
    gas : str
        A gas of ``FLUIDS``.
    fill : array
        Share of the nominal contents, 0 to 1.2 [-].
    temp : float
        Temperature of the cylinder [K].

    Returns
    -------
    array
        Gauge pressure; an empty cylinder stands at the room's [Pa].

    Examples
    --------
    >>> [round(float(p) / 6894.757, -1) for p in fill_pressure("oxygen", np.array([1.0, 0.5]))]
    [1940.0, 990.0]

    References
    ----------
    .. [1] Peng DY, Robinson DB, Ind Eng Chem Fundam 1976;15(1):59-64.
    """
    density = np.asarray(fill, dtype=float) * FLUIDS[gas].full * _molar(gas)
    return np.maximum(gas_pressure(gas, density, temp) - P_ROOM, 0.0)


def contents(gas: str, pressure: float, volume: float, temp: float = T_ROOM) -> float:
    """Return the gas in a cylinder from its gauge pressure.

    While there is liquid the pressure says nothing of it; returned is the least, all vapour.

    Parameters
    ----------
    gas : str
        A gas of ``FLUIDS``.
    pressure : float
        Gauge pressure, 0 to 20 MPa [Pa].
    volume : float
        Water volume of the cylinder [m^3].
    temp : float
        Temperature of the cylinder [K].

    Returns
    -------
    float
        Gas at the pressure and temperature of the room [m^3].

    Raises
    ------
    PhysicsError
        The pressure is negative or above 20 MPa.

    Examples
    --------
    A size E cylinder of oxygen at 1000 psi, figures S-20 and D-03:

    >>> round(contents("oxygen", 1000 * 6894.757, 4.7e-3) * 1e3, -1)
    340.0

    References
    ----------
    .. [1] Peng DY, Robinson DB, Ind Eng Chem Fundam 1976;15(1):59-64.
    """
    if not 0 <= pressure <= 20e6:
        raise PhysicsError("contents", "pressure", pressure, "0 to 20 MPa")
    high = 0.8 / _constants(gas, temp)[1]
    if temp < FLUIDS[gas].t_critical:
        p_vapour, high, _ = saturation(gas, temp)
        if pressure + P_ROOM >= p_vapour:
            return volume * high / _molar(gas)
    low = 0.0
    for _ in range(60):
        middle = (low + high) / 2
        above = float(gas_pressure(gas, middle, temp)) > pressure + P_ROOM
        low, high = (low, middle) if above else (middle, high)
    return volume * low / _molar(gas)
