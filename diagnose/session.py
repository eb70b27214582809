"""One diagnosis, a straight line: readings in, assessment out, nothing kept.

Read this file first. Every step takes values and returns values; a stop-use conclusion travels in
the assessment and no later step can remove it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose import choices, course, dispose, explain, plan, predict, rank, rulebase, rules
from diagnose.catalogue import Catalogue, list_catalogue
from diagnose.kb.load import KnowledgeBase
from diagnose.model import Assessment, WorkUp
from diagnose.predict import Progress, Table
from diagnose.store import get_table


@dataclass(frozen=True)
class Kit:
    """What diagnosing one machine needs, made once."""

    base: KnowledgeBase
    catalogue: Catalogue
    table: Table
    rules: rules.RuleBase
    planner: course.Planner
    tested: dict[str, frozenset[str]]
    rates: Mapping[str, float] = field(default_factory=dict)  # chances that a person accepted


def make_kit(
    base: KnowledgeBase,
    machine_id: str,
    progress: Progress | None = None,
    rates: Mapping[str, float] | None = None,
) -> Kit:
    """Return the kit of a machine; its table comes from the cache or is compiled now.

    Parameters
    ----------
    base : KnowledgeBase
        The knowledge.
    machine_id : str
        The profile.
    progress : callable, optional
        Is told how far compiling is.
    rates : mapping, optional
        Chance per checkout by cause id, in place of the knowledge's.
    """
    catalogue = list_catalogue(base, machine_id)
    table = get_table(catalogue, base.version, progress)
    tested = predict.tested_components(catalogue)
    planner = course.make_planner(catalogue, table, tested)
    return Kit(base, catalogue, table, rulebase.compile_rules(base), planner, tested, rates or {})


def diagnose(kit: Kit, work: WorkUp) -> Assessment:
    """Return everything that can be said about a work-up.

    Examples
    --------
    >>> from diagnose.kb.load import load
    >>> from diagnose.readings import read_answer
    >>> kit = make_kit(load(), "small")
    >>> work = WorkUp("small", "breathing.hold_30")
    >>> work = work.add(read_answer(kit.catalogue, "breathing.hold_30", "falls_fast"))
    >>> diagnose(kit, work).disposition.say
    'remove from service and call biomed'
    """
    fired = kit.rules.fire(rulebase.read_facts(kit.catalogue, work))
    excluded = rulebase.list_excluded(kit.catalogue, fired)
    ranking = rank.rank(kit.catalogue, kit.table, work, excluded, dict(kit.rates))
    standing = dispose.find_standing(kit.catalogue, kit.table, kit.tested, work, ranking, fired)
    may_return = standing.marks["repeat"] == "passed"
    next_ = plan.plan(kit.planner, ranking, work, may_return)
    disposition = dispose.decide(kit.rules, standing, fired, next_.is_done)
    shown = () if disposition.final else choices.show_choices(kit.planner, next_)
    return explain.report(
        kit.catalogue, kit.table, kit.tested, work, ranking, fired, next_, shown, disposition
    )
