"""Random rule sets against a plain evaluator that shares nothing with the engine but its types.

A rule engine that fires a blocked rule, or that depends on the order of facts or of hashing, could
release a machine that must not be used. Run as a program, this file prints what fires.
"""

import os
import random
import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from itertools import product
from pathlib import Path

import pytest

from diagnose.experta_gate import RuleEngine
from diagnose.rules import Conclusion, Condition, Fact, Fired, Rule, RuleBase

ROOT = Path(__file__).parents[2]
SETS = 200
LEVELS = {"leak": 0, "block": 0, "silent": 0, "odd": 1, "slow": 1, "stuck": 2}  # symptom -> stratum
CHECKS = ("hold", "bulb")
PLACES = ("", "vaporizer_1", "vaporizer_2")
Found = dict[tuple[str, str], tuple[Fact, ...]]


def random_condition(draw: random.Random, below: int, symptom_share: float) -> Condition:
    """Return a condition; a symptom in it belongs to a stratum lower than ``below``."""
    symptoms = [name for name, level in LEVELS.items() if level < below]
    is_same = draw.random() < 0.2
    if symptoms and draw.random() < symptom_share:
        return Condition("symptom", draw.choice(symptoms), (), is_same)
    if draw.random() < 0.1:
        return Condition("option", "check_valve", draw.choice([(), ("yes",), ("no",)]), is_same)
    values = draw.choice([(), (), ("low",), ("low", "high")])
    return Condition("reading", draw.choice(CHECKS), values, is_same)


def random_rule(draw: random.Random, number: int) -> Rule:
    """Return a rule that is in order with ``LEVELS``."""
    symptom = draw.choice(list(LEVELS))
    has_symptom = draw.random() < 0.5
    top = LEVELS[symptom] if has_symptom else 3
    when = tuple(
        random_condition(draw, top + 1, 0.2) for _ in range(draw.choice([1, 1, 1, 1, 2, 3]))
    )
    unless = [random_condition(draw, top, 0.9) for _ in range(draw.choice([0, 1, 2]))]
    if not any(condition.same for condition in when):
        unless = [Condition(c.kind, c.name, c.values) for c in unless]
    conclude = Conclusion("symptom", (symptom,)) if has_symptom else Conclusion("doubt", ("odd",))
    return Rule(f"any.rule_{number}", when, tuple(unless), conclude, "because", "judgement")


def random_rules(number: int) -> list[Rule]:
    draw = random.Random(f"rules {number}")
    return [random_rule(draw, place) for place in range(draw.randint(12, 30))]


def random_facts(number: int) -> list[Fact]:
    draw = random.Random(f"facts {number}")
    facts = [Fact("option", "check_valve", draw.choice(["yes", "no"]))]
    for _ in range(draw.randint(1, 6)):
        check, value = draw.choice(CHECKS), draw.choice(["low", "high", "high"])
        facts.append(Fact("reading", check, value, draw.choice(PLACES)))
    return facts


def fits(condition: Condition, fact: Fact) -> bool:
    named = (condition.kind, condition.name) == (fact.kind, fact.name)
    return named and (not condition.values or fact.value in condition.values)


def matches(rule: Rule, facts: Sequence[Fact]) -> Iterator[tuple[str, tuple[Fact, ...]]]:
    """Yield each place and each choice of facts with which the rule fires, if these are all."""
    for chosen in product(*([f for f in facts if fits(c, f)] for c in rule.when)):
        places = {f.at for c, f in zip(rule.when, chosen, strict=True) if c.same}
        if len(places) > 1:
            continue
        at = min(places, default="")
        blocked = (fits(c, f) and (not c.same or f.at == at) for c in rule.unless for f in facts)
        if not any(blocked):
            yield at, chosen


def evaluate(rules: Sequence[Rule], given: Iterable[Fact]) -> Found:
    """Return what must fire: stratum by stratum until nothing is new, then every rule once."""
    facts = set(given)
    for level in range(3):
        size = -1
        while size != len(facts):
            size = len(facts)
            for rule in rules:
                name = rule.conclude.names[0]
                if rule.conclude.kind == "symptom" and LEVELS[name] == level:
                    facts |= {Fact("symptom", name, "", at) for at, _ in matches(rule, list(facts))}
    found: Found = {}
    for rule in rules:
        for at, chosen in matches(rule, list(facts)):
            found[rule.id, at] = min(chosen, found.get((rule.id, at), chosen))
    return found


def as_found(fired: Iterable[Fired]) -> Found:
    return {(one.rule, one.at): one.matched for one in fired}


@pytest.mark.parametrize("number", range(SETS))
def test_rules_fire_exactly_as_the_plain_evaluator_says(number: int) -> None:
    rules = random_rules(number)
    base = RuleBase(rules)
    for turn in range(3):  # the same engine again, so nothing may be left of the turn before
        facts = random_facts(3 * number + turn)
        fired = base.fire(facts)
        assert as_found(fired) == evaluate(rules, facts)
        assert len(as_found(fired)) == len(fired)


@pytest.mark.parametrize("number", range(0, SETS, 10))
def test_order_of_facts_and_of_rules_is_irrelevant(number: int) -> None:
    rules, facts = random_rules(number), random_facts(number)
    shuffle = random.Random(number).shuffle
    expected = RuleBase(rules).fire(facts)
    for _ in range(4):
        shuffle(rules)
        shuffle(facts)
        assert RuleBase(rules).fire(facts + facts) == expected


def test_random_rule_sets_put_negation_and_chaining_to_the_test() -> None:
    blocked = chained = 0
    for number in range(SETS):
        rules, facts = random_rules(number), random_facts(3 * number)
        found = evaluate(rules, facts)
        bare = [Rule(r.id, r.when, (), r.conclude, r.because, r.source) for r in rules]
        blocked += bool(evaluate(bare, facts).keys() - found.keys())
        chained += any(fact.kind == "symptom" for facts in found.values() for fact in facts)
    assert blocked > SETS / 2
    assert chained > SETS / 2


def test_evaluator_catches_the_agenda_that_experta_comes_with(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(RuleEngine, "__strategy__", RuleEngine.__base__.__strategy__)

    def is_wrong(number: int) -> bool:
        rules, facts = random_rules(number), random_facts(3 * number)
        return as_found(RuleBase(rules).fire(facts)) != evaluate(rules, facts)

    assert any(is_wrong(number) for number in range(SETS))


def print_what_fires() -> None:
    for number in range(0, SETS, 5):
        print(number, RuleBase(random_rules(number)).fire(random_facts(number)))


def test_what_fires_does_not_depend_on_hashing() -> None:
    printed = set()
    for hashing in ("1", "4711"):
        environment = {**os.environ, "PYTHONHASHSEED": hashing, "PYTHONPATH": str(ROOT)}
        run = subprocess.run(
            [sys.executable, __file__], env=environment, capture_output=True, text=True, check=True
        )
        printed.add(run.stdout)
    assert len(printed) == 1
    assert printed.pop().count("Fired(") > 100


if __name__ == "__main__":
    print_what_fires()
