"""``tenhold lint``: every problem of the knowledge, one a line, and what the knowledge holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from api.engine import name_unreadable
from api.errors import BAD_KNOWLEDGE, OK, InputError
from api.listing import to_json

if TYPE_CHECKING:
    from diagnose.kb.lint import LintReport


def run_lint(folder: Path, as_json: bool, with_groups: bool) -> int:
    """Print what a lint finds; returns the exit code."""
    from diagnose.kb.lint import lint

    if not folder.is_dir():
        raise InputError(str(folder), "is no folder", do="name the folder that holds checks/")
    with name_unreadable(folder):
        report = lint(folder)
    groups = _list_groups(folder) if with_groups and not report.problems else {}
    if as_json:
        typer.echo(to_json(_to_mapping(report) | ({"groups": groups} if with_groups else {})))
    else:
        for line in [*map(str, report.problems), *_say(report), *_say_groups(groups)]:
            typer.echo(line)
    return BAD_KNOWLEDGE if report.problems else OK


def _say(report: LintReport) -> list[str]:
    count = len(report.problems)
    found = [f"{count} problem{'' if count == 1 else 's'}"]
    found.append("; ".join(f"{number} {name}" for name, number in report.counts.items()))
    for place, kinds in report.numbers_by_kind.items():
        said = ", ".join(f"{s.count} {kind.replace('_', ' ')} ({s.share:.0%})"
                         for kind, s in kinds.items())  # fmt: skip
        found.append(f"{place}: {said}")
    return found


def _to_mapping(report: LintReport) -> dict[str, Any]:
    return {
        "problems": [
            {"path": p.path, "line": p.line, "field": p.field, "what": p.what}
            for p in report.problems
        ],
        "counts": dict(report.counts),
        "numbers": {
            place: {kind: {"count": s.count, "share": s.share} for kind, s in kinds.items()}
            for place, kinds in report.numbers_by_kind.items()
        },
    }


def _list_groups(folder: Path) -> dict[str, list[dict[str, Any]]]:
    from diagnose.kb.lint.ambiguity import list_ambiguity

    typer.echo(
        "Comparing every two causes on every machine; the first time takes minutes.", err=True
    )
    return {
        machine: [
            {"causes": list(g.causes), "nearest_check": g.best_check, "tells": g.best_difference}
            for g in groups
        ]
        for machine, groups in list_ambiguity(folder).items()
    }


def _say_groups(groups: dict[str, list[dict[str, Any]]]) -> list[str]:
    found = []
    for machine, each in groups.items():
        found.append(f"{machine}: {len(each)} groups of causes that no check tells apart")
        for group in each:
            tells = f"nearest: {group['nearest_check']} ({group['tells']:.0%})"
            found.append(f"  {', '.join(group['causes'])}; {tells}")
    return found
