"""The only door to experta: a clean import, an exact agenda, and an engine that can be used again.

experta 1.9.4 needs three things put right. Its import wants a name that Python 3.10 removed, leaves
a log handler on the root logger and hides its own ImportErrors. Its agenda looks a blocked
activation up among equal keys and can miss it, so a rule fires although its NOT is blocked. Its
network is rebuilt for each engine and shows every fact to every rule. ``RuleEngine`` does not.
"""

from __future__ import annotations

import bisect
import collections
import collections.abc
import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any


@contextmanager
def _old_name_of_mapping() -> Iterator[None]:
    """Lend ``collections`` the name that frozendict 1.2, which experta pins, still reads."""
    lend = not hasattr(collections, "Mapping")
    if lend:
        collections.Mapping = collections.abc.Mapping  # type: ignore[attr-defined]
    try:
        yield
    finally:
        if lend:
            del collections.Mapping  # type: ignore[attr-defined]


@contextmanager
def _root_handlers_kept() -> Iterator[None]:
    """Take away again whatever log handlers are added to the root logger inside."""
    root = logging.getLogger()
    before = list(root.handlers)
    try:
        yield
    finally:
        for added in [handler for handler in root.handlers if handler not in before]:
            root.removeHandler(added)


# Each name comes from the module that defines it, since the package itself swallows ImportError.
with _root_handlers_kept():
    with _old_name_of_mapping():
        import frozendict  # noqa: F401
    from experta import watchers
    from experta.abstract import Strategy
    from experta.conditionalelement import NOT
    from experta.engine import KnowledgeEngine
    from experta.fact import Fact as ExpertaFact
    from experta.matchers.rete import ReteMatcher
    from experta.matchers.rete.abstract import Node
    from experta.matchers.rete.mixins import AnyChild, NoMemory
    from experta.matchers.rete.nodes import ConflictSetNode
    from experta.matchers.rete.token import Token
    from experta.matchers.rete.utils import extract_facts
    from experta.rule import Rule as ExpertaRule

watchers.unwatch()  # else its match log follows the level of the root logger


class ExactAgenda(Strategy):  # type: ignore[misc]
    """Order activations by salience, then rule, facts and binding: a key that no two share."""

    def _update_agenda(self, agenda: Any, added: Iterable[Any], removed: Iterable[Any]) -> None:
        for activation in removed:
            activation.key = _key(activation)
            place = bisect.bisect_left(agenda.activations, activation)
            waiting = agenda.activations[place : place + 1]
            if waiting and waiting[0].key == activation.key:  # else it has fired already
                del agenda.activations[place]
        for activation in added:
            activation.key = _key(activation)
            bisect.insort(agenda.activations, activation)


def _key(activation: Any) -> tuple[int, str, tuple[tuple[str, str], ...]]:
    bound = (
        (name, f"{fact['__factid__']:06d}" if isinstance(fact, ExpertaFact) else fact)
        for name, fact in activation.context.items()
    )
    return activation.rule.salience, activation.rule.__name__, tuple(sorted(bound))


class PatternNode(AnyChild, NoMemory, Node):  # type: ignore[misc]
    """All tests of one pattern in one node: experta's chain of nodes copies a token at each."""

    def __init__(self, pattern: Any) -> None:
        super().__init__()
        self.values = pattern.get("values")
        self.is_same = "same" in pattern
        self.bound = pattern.get("__bind__")

    def show(self, fact: Any, tag: Any) -> None:
        """Pass a fact that fits on, under the names that other patterns of the rule know it by."""
        if self.values and fact["value"] not in self.values:
            return
        context = {self.bound: fact} if self.bound else {}
        if self.is_same:
            context["at"] = fact["at"]
        for child in self.children:
            child.callback(tag(fact, context))


class IndexedNetwork(ReteMatcher):  # type: ignore[misc]
    """A network that shows a fact only to patterns of its type, and is wiped in one pass."""

    def build_network(self) -> None:
        """Build the network, then list the nodes that remember, and those where rules end."""
        self._entries: dict[type, list[PatternNode]] = {}
        super().build_network()
        nodes = tuple(_walk(self.root_node))
        self._memories = tuple(node for node in nodes if not isinstance(node, NoMemory))
        self._ends = tuple(node for node in nodes if isinstance(node, ConflictSetNode))

    def build_alpha_part(self, ruleset: Iterable[Any], root_node: Any) -> dict[Any, Any]:
        """Return a node for each pattern; equal patterns share one."""
        patterns = dict.fromkeys(fact for rule in ruleset for fact in extract_facts(rule))
        terminals = {pattern: PatternNode(pattern) for pattern in patterns}
        for pattern, node in terminals.items():
            root_node.add_child(node, node.show)
            self._entries.setdefault(type(pattern), []).append(node)
        return terminals

    def changes(self, adding: Any = None, deleting: Any = None) -> tuple[list[Any], list[Any]]:
        """Send the changed facts through and return the activations added and removed."""
        for facts, tag in ((deleting, Token.invalid), (adding, Token.valid)):
            for fact in facts or ():
                for node in self._entries.get(type(fact), ()):
                    node.show(fact, tag)
        added: list[Any] = []
        removed: list[Any] = []
        for end in self._ends:
            if end.added or end.removed:
                more, fewer = end.get_activations()
                added.extend(more)
                removed.extend(fewer)
        return added, removed

    def reset(self) -> None:
        """Forget all facts; experta's own recursion visits a shared node once per path."""
        for node in self._memories:
            node._reset()


def _walk(root: Any) -> Iterator[Any]:
    """Yield each node below ``root`` once."""
    seen, waiting = {id(root)}, [root]
    while waiting:
        node = waiting.pop()
        yield node
        for child in node.children:
            if id(child.node) not in seen:
                seen.add(id(child.node))
                waiting.append(child.node)


class RuleEngine(KnowledgeEngine):  # type: ignore[misc]
    """Base of generated engines; ``reset`` makes one as good as new."""

    __matcher__ = IndexedNetwork
    __strategy__ = ExactAgenda

    def get_deffacts(self) -> list[Any]:
        """Return the initial fact alone, without the search through all members."""
        return [self._declare_initial_fact]


def compile_engine(rules: Iterable[Any]) -> Any:
    """Return an engine class with these rules, made by ``compile_rule``."""
    return type("CompiledRules", (RuleEngine,), {rule.__name__: rule for rule in rules})


def compile_rule(found: Iterable[Any], absent: Iterable[Any], salience: int, action: Any) -> Any:
    """Return a rule that calls ``action(engine, **bound)``; its name must be like no other's."""
    return ExpertaRule(*found, *map(NOT, absent), salience=salience)(action)


def make_pattern(
    kind: str, name: str, values: Iterable[str] = (), *, same: bool = False, bound: str = ""
) -> Any:
    """Return what fits a fact with one of ``values``, or any, at the rule's place if ``same``."""
    fields: dict[str, Any] = {"values": frozenset(values)} if values else {}
    if same:
        fields["same"] = True
    pattern = _fact_type(kind, name)(**fields)
    return bound << pattern if bound else pattern


def make_fact(kind: str, name: str, value: str, at: str) -> Any:
    """Return a fact that can be declared to an engine, once."""
    return _fact_type(kind, name)(value=value, at=at)


@cache
def _fact_type(kind: str, name: str) -> Any:
    """Return the type of all facts of this kind and name, and of the patterns that fit them."""
    return type(f"{kind} {name}", (ExpertaFact,), {})
