"""Lint: everything that is wrong with the knowledge, across its files, all at once.

The schema sees one file; here ids resolve, bands tile, cases can be entered and numbers have
sources. What only the compiled tables show stands in ``ambiguity``, so that a lint stays quick.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from diagnose.errors import Problem
from diagnose.kb.lint.checks import lint_checks
from diagnose.kb.lint.desk import Desk, set_desk
from diagnose.kb.lint.drills import lint_drills
from diagnose.kb.lint.faults import lint_faults
from diagnose.kb.lint.parts import lint_parts
from diagnose.kb.lint.rules import lint_rules
from diagnose.kb.lint.sourcing import Share, count_numbers, lint_sources
from diagnose.kb.lint.words import lint_words
from diagnose.kb.load import FOLDER, read


@dataclass(frozen=True)
class LintReport:
    """What a lint found: the problems, and how much knowledge of which origin there is."""

    problems: tuple[Problem, ...]
    counts: Mapping[str, int]
    numbers_by_kind: Mapping[str, Mapping[str, Share]]


def lint(folder: Path = FOLDER) -> LintReport:
    """Return every problem in a knowledge folder, and what the folder holds.

    Raises
    ------
    KnowledgeError
        The folder holds no knowledge files at all.

    Examples
    --------
    >>> lint().counts["machines"]
    8
    """
    base, _ = read(folder)
    desk = set_desk(base)
    for part in (lint_parts, lint_checks, lint_faults, lint_rules, lint_drills, lint_sources):
        part(desk)
    found = {problem for document in base.documents.values() for problem in document.problems}
    found |= set(lint_words(folder, base))
    return LintReport(tuple(sorted(found)), count(desk), count_numbers(desk))


def count(desk: Desk) -> dict[str, int]:
    """Return how many there are of everything; retired faults do not count."""
    faults, checks = desk.live.values(), desk.base.checks.values()
    return {
        "causes": len(faults),
        "faults": sum(fault.kind == "fault" for fault in faults),
        "slips": sum(fault.kind == "slip" for fault in faults),
        "checks": len(checks),
        "steps": sum(check.kind == "step" for check in checks),
        "isolating tests": sum(check.kind == "isolating_test" for check in checks),
        "rules": len(desk.base.rules),
        "sources": len(desk.base.sources),
        "machines": len(desk.base.machines),
        "components": len(desk.base.components),
    }
