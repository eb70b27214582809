"""Text with a unit to SI and back: the only place where trade units meet the engine.

Inside, everything is SI (Pa, m3, s, fractions). A bare number is refused, because a bare number is
how 30 mmHg becomes 30 cmH2O. The units library is loaded on first use: starting must stay quick.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from diagnose.errors import UnitError
from diagnose.language import _, spoken

#: trade unit -> (kind, SI value of one); enough for showing numbers without loading the library.
TRADE = {
    "cmH2O": ("pressure", 98.0665),
    "kPa": ("pressure", 1e3),
    "mbar": ("pressure", 1e2),
    "Pa": ("pressure", 1.0),
    "psi": ("pressure", 6894.757293168361),  # 0.45359237 kg x 9.80665 m/s2 on a square inch
    "bar": ("pressure", 1e5),
    "mL/min": ("flow", 1e-6 / 60),
    "L/min": ("flow", 1e-3 / 60),
    "s": ("time", 1.0),
    "min": ("time", 60.0),
    "mL": ("volume", 1e-6),
    "L": ("volume", 1e-3),
    "%": ("fraction", 0.01),
    "mm": ("length", 1e-3),
    "m3/Pa": ("compliance", 1.0),
    "mL/cmH2O": ("compliance", 1e-6 / 98.0665),
}

#: what a person may read pressures in: of the breathing system, and of the supplies
LOW_PRESSURE = ("cmH2O", "mbar", "kPa")
HIGH_PRESSURE = ("psi", "bar", "kPa")

LONGEST = 40  # characters of a quantity
_POWER = re.compile(r"\*\*|\^|[⁰¹²³⁴-⁹]")
_HIGH_POWER = re.compile(r"(\*\*|\^)\W*\d[\d_.e]")  # of two digits or more

SI = {
    "pressure": "Pa",
    "flow": "m3/s",
    "time": "s",
    "volume": "m3",
    "fraction": "",
    "length": "m",
    "compliance": "m3/Pa",
}
USUAL = {
    "pressure": "cmH2O",
    "flow": "mL/min",
    "time": "s",
    "volume": "mL",
    "fraction": "%",
    "length": "mm",
    "compliance": "mL/cmH2O",
}


@dataclass(frozen=True, slots=True)
class Units:
    """The units in which a person reads pressures; "" is the unit of the check itself."""

    low: str = ""
    high: str = ""

    def of(self, unit: str) -> str:
        """Return the unit in which a number of a check is shown and first asked for.

        >>> Units(low="kPa").of("cmH2O"), Units(low="kPa").of("psi"), Units(low="kPa").of("s")
        ('kPa', 'psi', 's')
        """
        if unit == LOW_PRESSURE[0]:
            return self.low or unit
        return (self.high or unit) if unit in HIGH_PRESSURE else unit


AS_WRITTEN = Units()


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry()
    registry.define("cmH2O = 98.0665 pascal = cmH2O = cm_of_water")  # conventional, NIST SP 811
    return registry


def to_si(text: str, kind: str) -> float:
    """Return a quantity written with its unit in SI.

    Parameters
    ----------
    text : str
        A number and a unit, such as ``"30 cmH2O"`` or ``"10 %"``.
    kind : str
        One of ``pressure``, ``flow``, ``time``, ``volume``, ``fraction``, ``length``,
        ``compliance``.

    Returns
    -------
    float
        The value in the SI unit of its kind [Pa, m^3/s, s, m^3, -, m, m^3/Pa].

    Raises
    ------
    UnitError
        No unit, an unknown unit, a unit of another kind, or a number that is not finite.

    Examples
    --------
    >>> round(to_si("30 cmH2O", "pressure"), 1)
    2942.0
    """
    return _convert(text.strip(), kind)


@lru_cache(maxsize=4096)
def _convert(text: str, kind: str) -> float:
    number, _blank, unit = text.partition(" ")
    trade = TRADE.get(unit.strip())
    if trade is not None and trade[0] == kind:
        value = _number(number, text, kind) * trade[1]
    else:
        value = _by_library(text, kind)
    if not math.isfinite(value):
        raise UnitError(text, USUAL[kind], _("is not a finite number"))
    return value


def _number(number: str, text: str, kind: str) -> float:
    try:
        return float(number)
    except ValueError:
        raise UnitError(text, USUAL[kind], _("does not start with a number")) from None


def _by_library(text: str, kind: str) -> float:
    # the library computes what it reads: a tower of powers would keep it busy for ever
    if len(text) > LONGEST or len(_POWER.findall(text)) > 1 or _HIGH_POWER.search(text):
        raise UnitError(text[:LONGEST], USUAL[kind], _("is not understood"))
    try:
        quantity = _registry().Quantity(text)
    except Exception as error:  # the library raises many kinds for bad text
        raise UnitError(text, USUAL[kind], _("is not understood")) from error
    if not hasattr(quantity, "to") or (quantity.unitless and kind != "fraction"):
        raise UnitError(text, USUAL[kind], _("has no unit"))
    try:
        return float(quantity.to(SI[kind] or "dimensionless").magnitude)
    except Exception as error:
        raise UnitError(text, USUAL[kind], _("has a unit of another kind")) from error


def from_si(value: float, unit: str) -> float:
    """Return an SI value in a trade unit.

    >>> round(from_si(2942, "cmH2O"))
    30
    """
    return value / TRADE[unit][1]


def kind_of(unit: str) -> str:
    """Return the kind of quantity a trade unit measures.

    >>> kind_of("mL/min")
    'flow'
    """
    try:
        return TRADE[unit][0]
    except KeyError:
        raise UnitError(unit, ", ".join(TRADE), _("is not a unit used here")) from None


def show(value: float, unit: str, figures: int = 2) -> str:
    """Return an SI value as people write it, in a trade unit, with so many figures at least.

    >>> show(2942, "cmH2O"), show(2157, "kPa", 3)
    ('30 cmH2O', '2.16 kPa')
    """
    number = from_si(value, unit)
    if number == 0 or not math.isfinite(number):
        return f"0 {unit}"
    digits = max(0, figures - 1 - math.floor(math.log10(abs(number))))
    rounded = round(number, digits)
    if not digits:
        return f"{rounded:.0f} {unit}"
    return f"{rounded:.{digits}f}".replace(".", spoken().decimal) + f" {unit}"
