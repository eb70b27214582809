"""The rule base: every name in every rule exists, every rule can fire, and none says too much."""

from collections.abc import Iterator
from functools import cache
from typing import get_args

import pytest

from diagnose.kb.atoms import Hazard
from diagnose.kb.load import read
from diagnose.rules import Condition, Fact, Fired, Rule, RuleBase, rule_from_mapping

BASE, PROBLEMS = read()
RULES = {name: rule_from_mapping(shape.model_dump()) for name, shape in BASE.rules.items()}
HAZARDS = get_args(Hazard)
PLACE = "here_1"  # stands for any component that a check is done at
MARKS = {
    "repeat": ("passed", "failed", "missing"),
    "independent": ("passed", "failed", "missing"),
    "lead": ("user", "biomed", "nothing_wrong", "something_else"),
    "lead_chance": ("high", "middling", "low"),
    "put_right": ("yes", "no"),
    "shown_absent": ("yes", "no"),
    "unexplained": ("yes", "no"),
    "chance_left": ("low", "high"),
    "contradiction": ("yes", "no"),
    "graph_disagrees": ("yes", "no"),
    "answers": ("complete", "missing"),
    "tests": ("left", "used_up"),
    "time": ("left", "out"),
    "person": ("goes_on", "stopped"),
    "second_cause": ("likely", "unlikely"),
    "intermittent": ("suspected", "no"),
    "done": ("yes", "no"),
    "remedied": ("yes", "no"),  # something was put right between the readings
}
MAY_RETURN = {
    "repeat": "passed", "independent": "passed", "lead": "user", "lead_chance": "high",
    "put_right": "yes", "shown_absent": "no", "unexplained": "no", "chance_left": "low",
    "contradiction": "no", "graph_disagrees": "no", "answers": "complete", "tests": "used_up",
    "time": "left", "person": "goes_on", "second_cause": "unlikely", "intermittent": "no",
    "done": "yes", "remedied": "yes",
}  # fmt: skip
USUAL = 0.5  # a cause that shows an outcome at least this often usually shows it [-]

every_rule = pytest.mark.parametrize("rule", list(RULES.values()), ids=list(RULES))


def of_kind(kind: str) -> list[Rule]:
    """Return the rules that conclude one kind of thing."""
    return [rule for rule in RULES.values() if rule.conclude.kind == kind]


@cache
def rule_base() -> RuleBase:
    return RuleBase(list(RULES.values()))


def fire(facts: set[Fact]) -> tuple[Fired, ...]:
    return rule_base().fire(facts)


def makers(symptom: str) -> list[Rule]:
    return [rule for rule in of_kind("symptom") if rule.conclude.names == (symptom,)]


def known_names(kind: str) -> set[str]:
    """Return the names that a condition of this kind may ask for."""
    return {
        "reading": set(BASE.checks),
        "symptom": {rule.conclude.names[0] for rule in of_kind("symptom")},
        "option": {name for machine in BASE.machines.values() for name in machine.options},
        "mark": set(MARKS),
    }[kind]


def known_values(condition: Condition) -> set[str]:
    """Return the values that the fact a condition asks for can have."""
    if condition.kind == "reading":
        return set(BASE.checks[condition.name].reading.outcomes)
    if condition.kind == "mark":
        return set(MARKS[condition.name])
    return {machine.options.get(condition.name, "no") for machine in BASE.machines.values()}


def failing_steps() -> Iterator[tuple[str, str]]:
    """Yield every outcome with which a checkout step fails."""
    for name, check in BASE.checks.items():
        for outcome, shown in check.reading.outcomes.items():
            if check.kind == "step" and shown.means == "fail":
                yield name, outcome


def facts_for(rule: Rule, place: str) -> set[Fact]:
    """Return readings, options and marks that meet every condition of a rule's ``when``."""
    facts: set[Fact] = set()
    for condition in rule.when:
        if condition.kind == "symptom":
            facts |= facts_for(makers(condition.name)[0], place)
        else:
            checks_place = condition.kind == "reading" and BASE.checks[condition.name].each
            value = condition.values[0] if condition.values else ""
            facts.add(Fact(condition.kind, condition.name, value, place if checks_place else ""))
    return facts


def test_all_rules_are_read() -> None:
    assert [problem for problem in PROBLEMS if "/rules/" in problem.path] == []
    assert len(RULES) >= 85


def test_the_rules_compile_in_strata() -> None:
    assert len(rule_base().rules) == len(RULES)


@every_rule
def test_every_condition_asks_for_what_can_be(rule: Rule) -> None:
    for condition in rule.when + rule.unless:
        assert condition.name in known_names(condition.kind)
        if condition.values:
            assert set(condition.values) <= known_values(condition)


@every_rule
def test_a_place_is_asked_for_only_where_a_check_has_one(rule: Rule) -> None:
    for condition in rule.when + rule.unless:
        if condition.same and condition.kind == "reading":
            assert BASE.checks[condition.name].each
        if condition.same and condition.kind == "symptom":
            assert any(own.same for maker in makers(condition.name) for own in maker.when)


@every_rule
def test_every_conclusion_and_source_exists(rule: Rule) -> None:
    if rule.conclude.kind in ("exclude", "point"):
        assert set(rule.conclude.names) <= set(BASE.faults)
        assert len(set(rule.conclude.names)) == len(rule.conclude.names)
    if rule.conclude.kind == "stop":
        assert rule.conclude.names[0] in HAZARDS
    assert rule.source.partition("#")[0] in BASE.sources


@every_rule
def test_every_rule_can_fire(rule: Rule) -> None:
    assert rule.id in {fired.rule for fired in fire(facts_for(rule, PLACE))}


@pytest.mark.parametrize(("check", "outcome"), list(failing_steps()))
def test_every_failing_step_gives_a_symptom(check: str, outcome: str) -> None:
    place = PLACE if BASE.checks[check].each else ""
    fired = fire({Fact("reading", check, outcome, place)})
    assert [one.conclusion.names[0] for one in fired if one.conclusion.kind == "symptom"]


def test_passed_checks_alone_give_no_symptom_no_stop_and_no_doubt() -> None:
    passed = {
        Fact("reading", name, outcome, PLACE if check.each else "")
        for name, check in BASE.checks.items()
        for outcome, shown in check.reading.outcomes.items()
        if shown.means == "pass"
    }
    kinds = {fired.conclusion.kind for fired in fire(passed)}
    assert not kinds & {"symptom", "stop", "doubt", "exclude"}


@pytest.mark.parametrize("rule", of_kind("stop"), ids=lambda rule: rule.id)
def test_no_stop_ends_what_a_user_usually_puts_right(rule: Rule) -> None:
    """A cause that usually shows all looks a stop asks for must be one for biomed."""
    shown = [(fact.name, fact.value) for fact in facts_for(rule, PLACE) if fact.kind == "reading"]
    looks = [(check, value) for check, value in shown if not BASE.checks[check].procedure]
    for name, fault in BASE.faults.items():
        chances = {(seen.check, seen.outcome): seen.chance for seen in fault.seen}
        instead = [
            sum(p for (c, o), p in chances.items() if c == check and o != value)
            for check, value in shown
            if BASE.checks[check].procedure
        ]  # what it is said to show in place of the number that the stop asks for
        if any(1 - other < USUAL for other in instead):
            continue
        if looks and all(chances.get(look, 0.0) >= USUAL for look in looks):
            assert fault.remedy.by == "biomed", name


@pytest.mark.parametrize("rule", of_kind("exclude"), ids=lambda rule: rule.id)
def test_an_exclusion_spares_what_comes_and_goes_and_ends_with_a_remedy(rule: Rule) -> None:
    assert all(BASE.faults[name].intermittent == 1.0 for name in rule.conclude.names)
    facts = facts_for(rule, PLACE) | {Fact("mark", "remedied", "yes")}
    assert rule.id not in {fired.rule for fired in fire(facts)}


def test_dispositions_see_only_marks_and_lead_only_to_removal() -> None:
    own = [rule for rule in RULES.values() if rule.id.startswith("disposition.")]
    assert len(own) >= 14
    assert own == of_kind("remove")
    assert all(condition.kind == "mark" for rule in own for condition in rule.when + rule.unless)


def test_a_work_up_that_may_return_meets_no_removal() -> None:
    assert fire({Fact("mark", name, value) for name, value in MAY_RETURN.items()}) == ()


@pytest.mark.parametrize(
    ("mark", "value"),
    [("repeat", "failed"), ("repeat", "missing"), ("independent", "failed"), ("put_right", "no"),
     ("unexplained", "yes"), ("chance_left", "high"), ("contradiction", "yes"), ("time", "out"),
     ("graph_disagrees", "yes"), ("answers", "missing"), ("person", "stopped"),
     ("intermittent", "suspected")],
)  # fmt: skip
def test_each_thing_that_lacks_for_return_meets_a_removal(mark: str, value: str) -> None:
    marks = MAY_RETURN | {mark: value}
    fired = fire({Fact("mark", name, given) for name, given in marks.items()})
    assert fired
    assert {one.conclusion.kind for one in fired} == {"remove"}
