"""What can be done at the machine: the choices, any other check, any remedy, as tasks in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from api.ask import Item
from api.screens import Task, say_remedy
from diagnose.catalogue import Catalogue, Test, words
from diagnose.choices import say_then_repeat
from diagnose.kb.schema import Check
from diagnose.language import _, first_capital
from diagnose.model import Choice, Remedied, WorkUp
from diagnose.outline import ZONE_TITLES, ZONES


@dataclass(frozen=True)
class Bench:
    """A machine and the work-up on it: what is needed to put a task in words."""

    catalogue: Catalogue
    checks: Mapping[str, Check]
    work: WorkUp

    def of_choice(self, choice: Choice) -> Task:
        """Return a choice as a task."""
        test = self.catalogue.tests[self.catalogue.test_index[choice.test]]
        return Task(test, choice.title, choice.say, choice.minutes, choice.tools, choice.cautions,
                    self.before(test), choice.remedy)  # fmt: skip

    def of_test(self, test: Test) -> Task:
        """Return any check as a task."""
        catalogue, check = self.catalogue, test.check
        say = tuple(words(catalogue, text, test.it) for text in check.say)
        title = words(catalogue, check.title, test.it)
        return Task(test, title, say, check.minutes, tuple(check.tools), tuple(check.cautions),
                    self.before(test))  # fmt: skip

    def of_remedy(self, remedy: Remedied) -> Task:
        """Return a remedy, with the failed step repeated after it, as a task."""
        catalogue = self.catalogue
        failed = self.of_test(catalogue.tests[catalogue.test_index[self.work.failed]])
        say = say_remedy(catalogue, remedy)
        title = say_then_repeat(say, failed.title)
        return replace(failed, title=title, say=(say, *failed.say), remedy=remedy)

    def before(self, test: Test) -> tuple[str, ...]:
        """Return what must be done before a check and was not."""
        catalogue = self.catalogue
        done = {catalogue.tests[catalogue.test_index[r.test]].check_id for r in self.work.readings}
        return tuple(self.checks[name].title for name in test.check.after if name not in done)


def list_others(catalogue: Catalogue, work: WorkUp) -> list[Item]:
    """Return every check that may be done, by zone, steps first."""
    tests = [t for t in catalogue.tests if t.check.by == "user" or work.who == "biomed"]
    tests.sort(key=lambda test: (ZONES.index(test.check.zone), test.check.kind != "step"))
    titles = [first_capital(words(catalogue, t.check.title, t.it)) for t in tests]
    return [Item(test.id, title, _(ZONE_TITLES[test.check.zone]))
            for test, title in zip(tests, titles, strict=True)]  # fmt: skip


def may_check(catalogue: Catalogue, work: WorkUp, name: str) -> bool:
    """Tell whether whoever works may do a check of the machine."""
    return name in {item.key for item in list_others(catalogue, work)}


def may_remedy(catalogue: Catalogue, work: WorkUp, remedy: Remedied) -> bool:
    """Tell whether whoever works may put something right."""
    return work.who != "user" or remedy in list_remedies(catalogue)[1].values()


def list_remedies(catalogue: Catalogue) -> tuple[list[Item], dict[str, Remedied]]:
    """Return every remedy that a user may do, by component, and what each one is."""
    found: dict[str, Remedied] = {}
    items = []
    for cause in catalogue.causes:
        own = Remedied(cause.fault.remedy.act, cause.component)
        key = f"{own.act}@{own.component}"
        if cause.fault.remedy.by == "user" and key not in found:
            found[key] = own
            items.append(
                Item(key, say_remedy(catalogue, own), catalogue.circuit.title(own.component))
            )
    items.sort(key=lambda item: (item.group, item.label))
    return items, found
