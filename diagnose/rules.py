"""Rules in words: when these facts hold, and unless those do, conclude.

Rules see levels, never numbers. A symptom that a rule concludes is a fact for other rules; every
other conclusion is only recorded. ``unless`` means "not known", so the rules that conclude a
symptom must have fired before any rule asks for its absence: the rule base sorts its rules into
such strata, or refuses. What fires depends on the set of facts alone, never on their order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from diagnose.experta_gate import compile_engine, compile_rule, make_fact, make_pattern

FACT_KINDS = ("reading", "symptom", "option", "mark")
#: a symptom, a hazard, a reason, a reason, what is safe to do meanwhile
ONE_NAME = ("symptom", "stop", "doubt", "remove", "advise")
MANY_NAMES = ("exclude", "point")  # faults
CONCLUSION_KINDS = ONE_NAME + MANY_NAMES


class RuleError(ValueError):
    """Rules that cannot be used: in which rule, which field, what is wrong and what is allowed."""

    def __init__(self, rule: str, field: str, what: str) -> None:
        self.rule, self.field, self.what = rule, field, what
        super().__init__(f"rule {rule or 'without id'}: {field}: {what}")


@dataclass(frozen=True, slots=True, order=True)
class Fact:
    """What rules see: a level, a symptom, an option of the machine, or a mark of the session."""

    kind: str
    name: str
    value: str = ""
    at: str = ""  # component instance the check was done at, "" if none

    def __post_init__(self) -> None:
        if self.kind not in FACT_KINDS:
            raise ValueError(f"'{self.kind}' is no kind of fact; allowed: {', '.join(FACT_KINDS)}")


@dataclass(frozen=True, slots=True)
class Condition:
    """A fact asked for: with one of ``values``, or any; at the rule's one place if ``same``."""

    kind: str
    name: str
    values: tuple[str, ...] = ()
    same: bool = False


@dataclass(frozen=True, slots=True)
class Conclusion:
    """What follows: a symptom, faults excluded or pointed at, a hazard that stops use, a reason."""

    kind: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rule:
    """When every condition of ``when`` is met and none of ``unless`` is, conclude."""

    id: str
    when: tuple[Condition, ...]
    unless: tuple[Condition, ...]
    conclude: Conclusion
    because: str
    source: str

    def __post_init__(self) -> None:
        if not self.when:
            raise RuleError(self.id, "when", "is empty; give at least one condition")
        for field, conditions in (("when", self.when), ("unless", self.unless)):
            for place, condition in enumerate(conditions):
                _check_condition(self.id, f"{field}.{place}", condition)
        if any(c.same for c in self.unless) and not any(c.same for c in self.when):
            raise RuleError(self.id, "unless", "'at: same' needs a condition with it in 'when'")
        _check_conclusion(self.id, self.conclude)


@dataclass(frozen=True, slots=True)
class Fired:
    """A rule that fired, its place ("" without ``same``), and the first fact for each ``when``."""

    rule: str
    conclusion: Conclusion
    at: str
    matched: tuple[Fact, ...]
    because: str
    source: str


def _check_condition(rule: str, field: str, condition: Condition) -> None:
    if condition.kind not in FACT_KINDS:
        allowed = ", ".join(FACT_KINDS)
        raise RuleError(rule, field, f"'{condition.kind}' is no kind of fact; allowed: {allowed}")
    if condition.kind == "symptom" and condition.values:
        raise RuleError(rule, f"{field}.is", "a symptom is there or not; leave 'is' out")


def _check_conclusion(rule: str, conclusion: Conclusion) -> None:
    if conclusion.kind not in CONCLUSION_KINDS:
        what = f"'{conclusion.kind}' is no conclusion; allowed: {', '.join(CONCLUSION_KINDS)}"
        raise RuleError(rule, "conclude", what)
    if not conclusion.names or (conclusion.kind in ONE_NAME and len(conclusion.names) > 1):
        wanted = "one name" if conclusion.kind in ONE_NAME else "at least one name"
        what = f"has {len(conclusion.names)} names; give {wanted}"
        raise RuleError(rule, f"conclude.{conclusion.kind}", what)


def rule_from_mapping(data: Mapping[str, Any]) -> Rule:
    """Return the rule written in a knowledge file, once read into texts, lists and mappings.

    Raises
    ------
    RuleError
        A key is missing or unknown, or holds what it may not.

    Examples
    --------
    >>> rule_from_mapping({"id": "supply.low", "because": "x", "source": "memory",
    ...     "when": [{"reading": "supply.gauge", "is": "low"}], "conclude": {"doubt": "odd"}})
    Traceback (most recent call last):
    ...
    diagnose.rules.RuleError: rule supply.low: when.0.is: 'low' is no list of texts; write [low]
    """
    rule = str(data.get("id", ""))
    _expect_keys(rule, "", data, ("id", "when", "unless", "conclude", "because", "source"))
    for key in ("id", "when", "conclude", "because", "source"):
        if key not in data:
            raise RuleError(rule, key, "is missing; every rule needs it")
    return Rule(
        id=_read_text(rule, "id", data["id"]),
        when=_read_conditions(rule, "when", data["when"]),
        unless=_read_conditions(rule, "unless", data.get("unless", [])),
        conclude=_read_conclusion(rule, data["conclude"]),
        because=_read_text(rule, "because", data["because"]),
        source=_read_text(rule, "source", data["source"]),
    )


def _expect_keys(rule: str, field: str, data: object, allowed: Sequence[str]) -> None:
    if not isinstance(data, Mapping):
        raise RuleError(rule, field, f"'{data}' has no keys; allowed: {', '.join(allowed)}")
    for key in data:
        if key not in allowed:
            path = f"{field}.{key}" if field else str(key)
            raise RuleError(rule, path, f"is no key here; allowed: {', '.join(allowed)}")


def _read_text(rule: str, field: str, text: object) -> str:
    if not isinstance(text, str) or not text.strip():
        raise RuleError(rule, field, f"'{text}' is no text; write words, in quotes if need be")
    return text


def _read_texts(rule: str, field: str, texts: object) -> tuple[str, ...]:
    if not isinstance(texts, Sequence) or isinstance(texts, str) or not texts:
        raise RuleError(rule, field, f"'{texts}' is no list of texts; write [{texts or 'text'}]")
    return tuple(_read_text(rule, f"{field}.{n}", text) for n, text in enumerate(texts))


def _read_conditions(rule: str, field: str, items: object) -> tuple[Condition, ...]:
    if not isinstance(items, Sequence) or isinstance(items, str):
        raise RuleError(rule, field, f"'{items}' is no list; write one '- {{...}}' per condition")
    return tuple(_read_condition(rule, f"{field}.{n}", item) for n, item in enumerate(items))


def _read_condition(rule: str, field: str, item: Any) -> Condition:
    _expect_keys(rule, field, item, (*FACT_KINDS, "is", "at"))
    kinds = [kind for kind in FACT_KINDS if kind in item]
    if len(kinds) != 1:
        what = f"has {len(kinds)} kinds of fact; write exactly one of: {', '.join(FACT_KINDS)}"
        raise RuleError(rule, field, what)
    if item.get("at", "same") != "same":
        raise RuleError(rule, f"{field}.at", f"'{item['at']}' is not allowed; write 'at: same'")
    name = _read_text(rule, f"{field}.{kinds[0]}", item[kinds[0]])
    values = _read_texts(rule, f"{field}.is", item["is"]) if "is" in item else ()
    return Condition(kinds[0], name, values, same="at" in item)


def _read_conclusion(rule: str, item: Any) -> Conclusion:
    _expect_keys(rule, "conclude", item, CONCLUSION_KINDS)
    if len(item) != 1:
        what = f"has {len(item)} keys; write exactly one of: {', '.join(CONCLUSION_KINDS)}"
        raise RuleError(rule, "conclude", what)
    [(kind, names)] = item.items()
    if kind in ONE_NAME:
        return Conclusion(kind, (_read_text(rule, f"conclude.{kind}", names),))
    return Conclusion(kind, _read_texts(rule, f"conclude.{kind}", names))


class RuleBase:
    """Rules compiled once and fired for any number of sets of facts, from any thread.

    Raises
    ------
    RuleError
        Two rules share an id, or symptoms wait for each other's absence; the circle is named.

    Examples
    --------
    >>> hold_lost = rule_from_mapping({
    ...     "id": "breathing.hold_lost",
    ...     "when": [{"reading": "breathing.hold_30", "is": ["falls_slowly", "falls_fast"]}],
    ...     "conclude": {"symptom": "breathing_leak"},
    ...     "because": "The pressure fell, so gas leaves.", "source": "fda1993"})
    >>> [fired] = RuleBase([hold_lost]).fire([Fact("reading", "breathing.hold_30", "falls_fast")])
    >>> fired.conclusion.names
    ('breathing_leak',)
    """

    def __init__(self, rules: Sequence[Rule]) -> None:
        self.rules = tuple(sorted(rules, key=lambda rule: rule.id))
        for before, after in pairwise(self.rules):
            if before.id == after.id:
                raise RuleError(after.id, "id", "two rules have this id; change one")
        self._engine_type = _compile(self.rules, find_strata(self.rules))
        self._idle = [self._engine_type()]  # building a network takes far longer than using it

    def fire(self, facts: Iterable[Fact]) -> tuple[Fired, ...]:
        """Return every rule that fires, once for each place, sorted by rule id and place."""
        try:
            engine = self._idle.pop()
        except IndexError:  # others are at work in other threads
            engine = self._engine_type()
        engine.reset()
        engine.matched = {}
        engine.declare(*map(_describe, sorted(set(facts))))
        engine.run()
        matched: dict[tuple[int, str], tuple[Fact, ...]] = engine.matched
        self._idle.append(engine)  # an engine that raised above does not come back
        return tuple(self._fired(*key, matched[key]) for key in sorted(matched))

    def _fired(self, index: int, at: str, matched: tuple[Fact, ...]) -> Fired:
        rule = self.rules[index]
        return Fired(rule.id, rule.conclude, at, matched, rule.because, rule.source)


def _compile(rules: Sequence[Rule], strata: Mapping[str, int]) -> Any:
    """Return an engine class with one compiled rule for each rule; low strata fire first."""
    compiled = []
    for index, rule in enumerate(rules):
        found = [_pattern(condition, f"fact_{n}") for n, condition in enumerate(rule.when)]
        absent = [_pattern(condition) for condition in rule.unless]
        compiled.append(compile_rule(found, absent, -strata[rule.id], _action(index, rule)))
    return compile_engine(compiled)


def _pattern(condition: Condition, bound: str = "") -> Any:
    kind, name, values = condition.kind, condition.name, condition.values
    return make_pattern(kind, name, values, same=condition.same, bound=bound)


def _describe(fact: Fact) -> Any:
    described = make_fact(fact.kind, fact.name, fact.value, fact.at)
    described.origin = fact
    return described


def _action(index: int, rule: Rule) -> Any:
    """Return what experta calls when the rule fires: record it, and state its symptom."""
    bound_names = [f"fact_{n}" for n in range(len(rule.when))]
    kind, names = rule.conclude.kind, rule.conclude.names

    def act(engine: Any, at: str = "", **bound: Any) -> None:
        matched = tuple(bound[name].origin for name in bound_names)
        engine.matched[index, at] = min(matched, engine.matched.get((index, at), matched))
        if kind == "symptom":
            engine.declare(_describe(Fact("symptom", names[0], "", at)))

    act.__name__ = f"rule_{index}"  # the engine tells rules apart by it
    return act


def find_strata(rules: Sequence[Rule]) -> dict[str, int]:
    """Return by rule id when it may fire: after all that conclude a symptom it must not find.

    Parameters
    ----------
    rules : sequence of Rule
        Their order does not matter.

    Returns
    -------
    dict
        Stratum of each rule, 0 first [-].

    Raises
    ------
    RuleError
        Symptoms wait for each other's absence; the circle is named.
    """
    makers = [rule for rule in rules if rule.conclude.kind == "symptom"]
    level = {rule.conclude.names[0]: 0 for rule in makers}
    for _ in range(len(level) + 1):  # a longer chain than there are symptoms is a circle
        before = dict(level)
        for rule in makers:
            name = rule.conclude.names[0]
            level[name] = max(level[name], _stratum(rule, level))
        if level == before:
            return {rule.id: _stratum(rule, level) for rule in rules}
    raise _circle(makers)


def _stratum(rule: Rule, level: Mapping[str, int]) -> int:
    found = [level.get(name, 0) for name in _symptoms(rule.when)]
    absent = [level[name] + 1 for name in _symptoms(rule.unless) if name in level]
    return max(found + absent, default=0)


def _symptoms(conditions: Iterable[Condition]) -> set[str]:
    return {condition.name for condition in conditions if condition.kind == "symptom"}


def _circle(makers: Iterable[Rule]) -> RuleError:
    """Return the error that names the first circle of symptoms with an absence in it."""
    makers = sorted(makers, key=lambda rule: rule.id)
    needs: dict[str, set[str]] = {}
    for rule in makers:
        names = _symptoms(rule.when + rule.unless)
        needs.setdefault(rule.conclude.names[0], set()).update(names)
    rule, way = next(
        (rule, way)
        for rule in makers
        for absent in sorted(_symptoms(rule.unless))
        if (way := _way(needs, absent, rule.conclude.names[0]))
    )
    steps = ", which waits for ".join(f"'{name}'" for name in way)
    what = f"'{way[-1]}' waits for the absence of {steps}; take one of these out"
    return RuleError(rule.id, "unless", what)


def _way(needs: Mapping[str, set[str]], start: str, goal: str) -> list[str]:
    """Return a shortest way from ``start`` to ``goal``, or nothing."""
    ways, seen = [[start]], {start}
    for way in ways:  # grows while it is read
        if way[-1] == goal:
            return way
        fresh = sorted(needs.get(way[-1], set()) - seen)
        seen.update(fresh)
        ways.extend([*way, name] for name in fresh)
    return []
