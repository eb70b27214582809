"""Stock drills name machines, causes, steps and tools that are there."""

from __future__ import annotations

from diagnose.catalogue import Catalogue
from diagnose.kb.lint.desk import Desk, no_such
from diagnose.kb.training import Drill


def lint_drills(desk: Desk) -> None:
    """Note what a stock drill names that its machine does not have."""
    for name, drill in desk.base.drills.items():
        catalogue = desk.catalogues.get(drill.machine)
        if drill.machine not in desk.base.machines:
            what = no_such(drill.machine, "machine", desk.base.machines)
            desk.note("drills", name, ("machine",), what)
        elif catalogue is not None:
            _lint_one(desk, name, drill, catalogue)


def _lint_one(desk: Desk, name: str, drill: Drill, catalogue: Catalogue) -> None:
    causes = [cause.id for cause in catalogue.causes]
    steps = [test.id for test in catalogue.tests if test.check.kind == "step"]
    tools = {tool for test in catalogue.tests for tool in test.check.tools}
    for number, each in enumerate(drill.causes):
        if each.cause not in causes:
            what = no_such(each.cause, "cause on this machine", causes)
            desk.note("drills", name, ("causes", number, "cause"), what)
    if drill.failed not in steps:
        what = no_such(drill.failed, "checkout step of this machine", steps)
        desk.note("drills", name, ("failed",), what)
    for number, tool in enumerate(drill.tools or ()):
        if tool not in tools:
            desk.note("drills", name, ("tools", number), no_such(tool, "tool", tools))
