"""Signs fit their check: each can be seen and measured, and together they decide on one outcome."""

from __future__ import annotations

from diagnose.chances import boxes, sign_edges
from diagnose.errors import UnitError
from diagnose.kb.lint.desk import Desk, no_such
from diagnose.kb.schema import Check, Limits, Outcome, Sign
from diagnose.units import kind_of, to_si

KINDS = {"pressure": "pressure", "fullness": "fraction"}


def lint_signs(desk: Desk, name: str, check: Check) -> None:
    """Note what is wrong with a reading that is judged by several signs."""
    reading = check.reading
    for field in ("quantity", "at", "unit", "error", "when", "reach"):
        if getattr(reading, field) is not None:
            what = "is for one number; remove it, or remove the signs"
            desk.note("checks", name, ("reading", field), what)
    before = len(desk.base.documents[f"checks/{name.replace('.', '/')}.yaml"].problems)
    for key, sign in reading.signs.items():
        _lint_sign(desk, name, check, key, sign)
    for key, own in reading.outcomes.items():
        _lint_where(desk, name, check, key, own)
    if before == len(desk.base.documents[f"checks/{name.replace('.', '/')}.yaml"].problems):
        _lint_boxes(desk, name, check)


def _lint_sign(desk: Desk, name: str, check: Check, key: str, sign: Sign) -> None:
    where = ("reading", "signs", key)
    looks = [move.look for move in check.procedure if move.look]
    for field in ("look", "since"):
        look = getattr(sign, field)
        if look is not None and look not in looks:
            desk.note(
                "checks", name, (*where, field), no_such(look, "look of the procedure", looks)
            )
    for field, text in (("unit", f"1 {sign.unit}"), ("error", sign.error.text)):
        try:
            to_si(text, KINDS[sign.quantity])
        except UnitError as error:
            desk.note("checks", name, (*where, field), str(error))


def _lint_where(desk: Desk, name: str, check: Check, key: str, own: Outcome) -> None:
    reading, where = check.reading, ("reading", "outcomes", key)
    if own.where is None and key not in reading.otherwise:
        what = "has no 'where'; give its limits, or its chance under 'otherwise'"
        desk.note("checks", name, where, what)
    if own.where is not None and key in reading.otherwise:
        what = "gets its chance from the physics; remove it there, or remove 'where'"
        desk.note("checks", name, ("reading", "otherwise", key), what)
    for sign, limits in (own.where or {}).items():
        if sign not in reading.signs:
            what = no_such(sign, "sign of this reading", reading.signs)
            desk.note("checks", name, (*where, "where", sign), what)
            continue
        _lint_limits(desk, name, (*where, "where", sign), limits, reading.signs[sign])


def _lint_limits(desk: Desk, name: str, where: tuple[str, ...], limits: Limits, sign: Sign) -> None:
    ends = []
    for text in (limits.least, limits.most):
        try:
            ends += [to_si(text, KINDS[sign.quantity])] if text else []
        except UnitError as error:
            desk.note("checks", name, where, str(error))
    if len(ends) == 2 and ends[0] >= ends[1]:
        what = f"'least' {limits.least} is not below 'most' {limits.most}; swap or mend them"
        desk.note("checks", name, where, what)


def _lint_boxes(desk: Desk, name: str, check: Check) -> None:
    """Note signs that fit no outcome, and outcomes that others always come before."""
    reading = check.reading
    if any(kind_of(sign.unit) != KINDS[sign.quantity] for sign in reading.signs.values()):
        return
    edges = sign_edges(reading)
    found = boxes(reading, edges)
    number = 1
    for limits in edges:
        number *= len(limits) - 1
    if len(found) < number:
        what = "leave what can be seen without an outcome; let the last one be 'where: {}'"
        desk.note("checks", name, ("reading", "outcomes"), what)
    places = {place for _, place in found}
    for place, (key, own) in enumerate(reading.outcomes.items()):
        if own.where is not None and place not in places:
            what = "never comes out: what fits it fits an outcome before it; mend the limits"
            desk.note("checks", name, ("reading", "outcomes", key), what)
