"""The outcomes of a number cover the line: no gap, no overlap, all in the unit's kind."""

from __future__ import annotations

import math
from itertools import pairwise

from diagnose.catalogue import of_gas
from diagnose.errors import UnitError
from diagnose.kb.lint.desk import Desk
from diagnose.kb.schema import Check
from diagnose.units import TRADE, kind_of, to_si


def lint_bands(desk: Desk, name: str, check: Check) -> None:
    """Note what is wrong with the bands of a numeric reading."""
    reading = check.reading
    try:
        kind = kind_of(str(reading.unit))
    except UnitError:
        what = f"'{reading.unit}' is no unit used here; write one of: {', '.join(TRADE)}"
        desk.note("checks", name, ("reading", "unit"), what)
        return
    if kind != ("fraction" if reading.quantity == "oxygen" else reading.quantity):
        what = f"'{reading.unit}' measures {kind}, not {reading.quantity}; change one of them"
        desk.note("checks", name, ("reading", "unit"), what)
        return
    gases = {gas for own in reading.outcomes.values() for gas in own.gases}
    for gas in [None, *sorted(gases)]:
        own = of_gas(check, gas)
        found = _read_bands(desk, name, own, kind)
        if found and len(found) == sum(o.is_band for o in own.reading.outcomes.values()):
            _lint_tiling(desk, name, found)


Band = tuple[float, float, str]


def _read_bands(desk: Desk, name: str, check: Check, kind: str) -> list[Band]:
    found = []
    for outcome, own in check.reading.outcomes.items():
        where = ("reading", "outcomes", outcome)
        if not own.is_band:
            continue
        try:
            low = -math.inf if own.least is None else to_si(own.least, kind)
            high = math.inf if own.most is None else to_si(own.most, kind)
        except UnitError as error:
            desk.note("checks", name, where, str(error))
            continue
        if low >= high:
            what = f"'least' {own.least} is not below 'most' {own.most}; swap or mend them"
            desk.note("checks", name, where, what)
            continue
        found.append((low, high, outcome))
    return found


def _lint_tiling(desk: Desk, name: str, found: list[Band]) -> None:
    ranked = sorted(found)
    for (_, end, before), (start, _, after) in pairwise(ranked):
        if not math.isclose(end, start, rel_tol=1e-9, abs_tol=1e-15):
            clash = "overlaps" if start < end else "leaves a gap after"
            what = f"{clash} '{before}'; let 'most' of one be 'least' of the next"
            desk.note("checks", name, ("reading", "outcomes", after), what)
    for (limit, outcome), key in zip(_ends(ranked), ("least", "most"), strict=True):
        if math.isfinite(limit):
            what = f"no outcome lies beyond it; leave '{key}' out of this one"
            desk.note("checks", name, ("reading", "outcomes", outcome), what)


def _ends(ranked: list[Band]) -> tuple[tuple[float, str], tuple[float, str]]:
    low, high = ranked[0], max(ranked, key=lambda band: band[1])
    return (low[0], low[2]), (high[1], high[2])
