"""Rules speak of checks, outcomes, faults, hazards, options and marks that exist."""

from __future__ import annotations

from typing import Any, get_args

from diagnose.kb.atoms import Hazard
from diagnose.kb.lint.desk import Desk, no_such, note_braces
from diagnose.kb.reader import Where
from diagnose.rules import Condition, Rule, RuleError, find_strata, rule_from_mapping

#: the marks that the engine sets, and what they can be
YES_NO = ("yes", "no")
MARKS = {
    "answers": ("missing", "complete"),
    "chance_left": ("low", "high"),
    "contradiction": YES_NO,
    "done": YES_NO,
    "graph_disagrees": YES_NO,
    "independent": ("passed", "failed", "missing"),
    "intermittent": ("suspected", "no"),
    "lead": ("user", "biomed", "nothing_wrong", "something_else"),
    "lead_chance": ("high", "middling", "low"),
    "person": ("stopped", "goes_on"),
    "put_right": YES_NO,
    "remedied": YES_NO,
    "repeat": ("passed", "failed", "missing"),
    "second_cause": ("likely", "unlikely"),
    "shown_absent": YES_NO,
    "tests": ("used_up", "left"),
    "time": ("out", "left"),
    "unexplained": YES_NO,
}


def lint_rules(desk: Desk) -> None:
    """Note what is wrong with the rules."""
    rules = [rule for name in desk.base.rules if (rule := _read(desk, name)) is not None]
    concluded = {name for rule in rules for name in rule.conclude.names
                 if rule.conclude.kind == "symptom"}  # fmt: skip
    concluded |= {str(shape.conclude.get("symptom")) for shape in desk.base.rules.values()}
    for rule in rules:
        for field, conditions in (("when", rule.when), ("unless", rule.unless)):
            for number, condition in enumerate(conditions):
                _lint_condition(desk, rule, (field, number), condition, concluded)
        _lint_conclusion(desk, rule)
        note_braces(desk, "rules", rule.id, ("because",), rule.because, it=False)
        stem = desk.rule_places[rule.id][0].removeprefix("rules/").removesuffix(".yaml")
        if rule.id.split(".")[0] != stem:
            what = f"'{rule.id}' does not begin with the file's name; write '{stem}.' before it"
            desk.note("rules", rule.id, ("id",), what)
    try:
        find_strata(rules)
    except RuleError as error:
        desk.note("rules", error.rule, (error.field,), error.what)


def _read(desk: Desk, name: str) -> Rule | None:
    path, index = desk.rule_places[name]
    data: Any = desk.base.documents[path].data
    try:
        return rule_from_mapping(data[index])
    except RuleError as error:
        where = tuple(int(part) if part.isdigit() else part for part in error.field.split("."))
        desk.note("rules", name, where, error.what)
        return None


def _lint_condition(
    desk: Desk, rule: Rule, where: Where, condition: Condition, concluded: set[str]
) -> None:
    name = condition.name
    if condition.kind == "reading":
        _lint_reading(desk, rule, where, condition)
        return
    if condition.same and condition.kind in ("option", "mark"):
        desk.note("rules", rule.id, (*where, "at"), f"a {condition.kind} has no place; remove it")
    if condition.kind == "symptom":
        if name not in concluded:
            what = no_such(name, "symptom that a rule concludes", concluded)
            desk.note("rules", rule.id, (*where, "symptom"), what)
    elif condition.kind == "option":
        options: dict[str, set[str]] = {}
        for machine in desk.base.machines.values():
            for option, value in machine.options.items():
                options.setdefault(option, set()).add(value)
        _lint_values(desk, rule, where, condition, options)
    else:
        _lint_values(desk, rule, where, condition, {k: set(v) for k, v in MARKS.items()})


def _lint_values(
    desk: Desk, rule: Rule, where: Where, condition: Condition, known: dict[str, set[str]]
) -> None:
    kind, name = condition.kind, condition.name
    owner = "of a machine" if kind == "option" else "that the engine sets"
    if name not in known:
        desk.note("rules", rule.id, (*where, kind), no_such(name, f"{kind} {owner}", known))
        return
    for number, value in enumerate(condition.values):
        if value not in known[name]:
            what = no_such(value, f"value of {kind} '{name}'", known[name])
            desk.note("rules", rule.id, (*where, "is", number), what)


def _lint_reading(desk: Desk, rule: Rule, where: Where, condition: Condition) -> None:
    checks = desk.names("checks")
    if condition.name not in checks:
        what = no_such(condition.name, "check", checks)
        desk.note("rules", rule.id, (*where, "reading"), what)
        return
    check = desk.base.checks.get(condition.name)
    if check is None:
        return
    for number, value in enumerate(condition.values):
        if value not in check.reading.outcomes:
            what = no_such(value, f"outcome of '{condition.name}'", check.reading.outcomes)
            desk.note("rules", rule.id, (*where, "is", number), what)
    if condition.same and not check.each:
        what = f"'{condition.name}' is done at one place only; remove 'at'"
        desk.note("rules", rule.id, (*where, "at"), what)


def _lint_conclusion(desk: Desk, rule: Rule) -> None:
    kind, names = rule.conclude.kind, rule.conclude.names
    if kind == "stop" and names[0] not in get_args(Hazard):
        what = no_such(names[0], "hazard", get_args(Hazard))
        desk.note("rules", rule.id, ("conclude", kind), what)
    faults = desk.names("faults")
    for number, name in enumerate(names):
        if kind in ("exclude", "point") and name not in faults:
            what = no_such(name, "fault or slip that is in use", faults)
            desk.note("rules", rule.id, ("conclude", kind, number), what)
