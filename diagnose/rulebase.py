"""The rules of the knowledge, compiled; and a work-up as the facts that rules see."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from diagnose.catalogue import Catalogue, belongs
from diagnose.errors import KnowledgeError, Problem
from diagnose.kb.load import KnowledgeBase
from diagnose.model import Remedied, WorkUp
from diagnose.rules import Fact, Fired, RuleBase, RuleError, rule_from_mapping


def compile_rules(base: KnowledgeBase) -> RuleBase:
    """Return the rule base.

    Raises
    ------
    KnowledgeError
        A rule says nothing that rules can say.
    """
    try:
        return RuleBase([rule_from_mapping(rule.model_dump()) for rule in base.rules.values()])
    except RuleError as error:
        raise KnowledgeError(
            [Problem("knowledge/rules", 1, f"{error.rule}.{error.field}", error.what)]
        ) from error


def read_facts(catalogue: Catalogue, work: WorkUp) -> Iterator[Fact]:
    """Yield what rules see of a work-up: the machine's options, and the readings that still hold.

    A reading is superseded by a later one of the same test only when a remedy lies between them;
    otherwise both stand, and rules may call that a contradiction.
    """
    for name, value in catalogue.circuit.machine.options.items():
        yield Fact("option", name, value)
    yield Fact("mark", "remedied", "yes" if work.remedies else "no")
    latest: dict[str, int] = {}
    seen: list[tuple[int, str, str]] = []
    remedies = 0
    for entry in work.entries:
        if isinstance(entry, Remedied):
            remedies += 1
        elif entry.is_answer:
            latest[entry.test] = remedies
            seen.append((remedies, entry.test, entry.outcome))
    for when, name, outcome in seen:
        if when == latest[name]:
            test = catalogue.tests[catalogue.test_index[name]]
            yield Fact("reading", test.check_id, outcome, test.it)


def list_excluded(catalogue: Catalogue, fired: Sequence[Fired]) -> frozenset[str]:
    """Return the causes that rules exclude; a conclusion at one place excludes only there."""
    return frozenset(
        cause.id
        for each in fired
        if each.conclusion.kind == "exclude"
        for cause in catalogue.causes
        if cause.fault_id in each.conclusion.names and belongs(cause.component, each.at)
    )
