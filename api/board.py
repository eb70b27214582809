"""What stands on the pages of a work-up, as values for the templates, which only loop and choose.

The words are those of the terminal: the same functions make them, only no line is cut.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from api.ask import Item
from api.desk import Standing
from api.ending import list_do, list_likely, say_leak_range, say_reason
from api.question import EXAMPLES, Question
from api.screens import (
    LEAST,
    TOP,
    Task,
    View,
    clock_line,
    say_about,
    say_entry,
    say_leak,
    since_failed,
)
from api.show import SAFETY, say_minutes, say_tool
from api.timing import find_timer
from api.tongue import name_version
from diagnose.choices import in_ten
from diagnose.explain import say_strength
from diagnose.language import _, first_capital, mark
from diagnose.model import (
    NOT_DONE,
    NOT_SURE,
    OTHER_ANSWERS,
    RETURN,
    Assessment,
    RankedCause,
    Reading,
)
from diagnose.outline import ZONE_TITLES, Step
from diagnose.readings import say_reading, verdict
from diagnose.units import (
    AS_WRITTEN,
    HIGH_PRESSURE,
    LOW_PRESSURE,
    TRADE,
    Units,
    kind_of,
    show,
    to_si,
)

UNITS = {
    "flow": ("mL/min", "L/min"),
    "volume": ("mL", "L"),
    "time": ("s", "min"),
}
#: what a reading means -> how its row looks
SIGNS = {"fail": "failed", "pass": "passed"}
#: how a row looks -> its word
SIGN_WORDS = {
    "failed": mark("failed"), "passed": mark("passed"), "seen": mark("seen"), "done": mark("done"),
}  # fmt: skip


@dataclass(frozen=True)
class Asked:
    """A question and the ways to answer it."""

    ask: str
    answers: tuple[tuple[str, str], ...]  # id, title
    others: tuple[tuple[str, str], ...]
    units: tuple[str, ...]
    example: str


@dataclass(frozen=True)
class Meaning:
    """What one outcome would mean."""

    title: str
    then: str


@dataclass(frozen=True)
class Act:
    """One of the best next things to do."""

    number: int
    title: str
    minutes: str
    path: str
    need: str
    cautions: tuple[str, ...]
    before: tuple[str, ...]
    say: tuple[str, ...]
    means: tuple[Meaning, ...]


@dataclass(frozen=True)
class Bar:
    """A cause and how likely it is."""

    title: str
    chance: str
    hundredths: int
    leak: str


@dataclass(frozen=True)
class Reason:
    """Why a cause ranks where it does."""

    title: str
    chance: str
    speaks: tuple[str, ...]
    changes: str


@dataclass(frozen=True)
class Row:
    """Something read or done."""

    text: str
    sign: str

    @property
    def word(self) -> str:
        """What its sign says."""
        return _(SIGN_WORDS[self.sign])


def list_units(unit: str, wanted: Units) -> tuple[str, ...]:
    """Return the units that a number may be entered in, the one wanted first.

    >>> list_units("cmH2O", Units(low="kPa")), list_units("psi", Units()), list_units("%", Units())
    (('kPa', 'cmH2O', 'mbar'), ('psi', 'bar', 'kPa'), ('%',))
    """
    if unit not in TRADE:
        return (unit,) if unit else ()
    known = UNITS.get(kind_of(unit), (unit,))
    if kind_of(unit) == "pressure":
        known = HIGH_PRESSURE if unit in HIGH_PRESSURE else LOW_PRESSURE
    return tuple(dict.fromkeys((wanted.of(unit), unit, *known)))


def say_example(unit: str, first: str) -> str:
    """Return a number such as may be read, in the unit first offered.

    >>> say_example("cmH2O", "cmH2O"), say_example("cmH2O", "kPa"), say_example("psi", "bar")
    ('12', '1.2', '103')
    """
    example = EXAMPLES.get(unit, f"12 {unit}")
    if first != unit:
        example = show(to_si(example, kind_of(unit)), first)
    return example.split()[0]


def ask(question: Question, wanted: Units = AS_WRITTEN) -> Asked:
    """Return a question for a page."""
    units = list_units(question.unit, wanted)
    return Asked(
        first_capital(question.ask),
        tuple(zip(question.outcomes, question.titles, strict=True)),
        tuple((name, first_capital(_(OTHER_ANSWERS[name]))) for name in (NOT_SURE, NOT_DONE)),
        units,
        say_example(question.unit, units[0]) if units else "",
    )


def list_failing(step: Step, asked: Asked) -> Asked:
    """Return the question of a step that failed, without the answers that are a pass."""
    passing = {seen.id for seen in step.outcomes if seen.means == "pass"}
    answers = tuple(each for each in asked.answers if each[0] not in passing)
    return Asked(asked.ask, answers, (), asked.units, asked.example)


def name_zones() -> dict[str, str]:
    """Return what the parts of the checkout are called, by their ids."""
    return {zone: _(title) for zone, title in ZONE_TITLES.items()}


def say_need(task: Task) -> str:
    """Return what a task needs; "" for nothing."""
    return ", ".join(map(say_tool, task.tools))


def list_cautions(task: Task) -> tuple[str, ...]:
    """Return the cautions of a task, those apart that stand on every page."""
    everywhere = {_(text) for text in SAFETY}
    return tuple(text for text in task.cautions if text not in everywhere)


def path_of(task: Task) -> str:
    """Return the page of a task, below the work-up's own."""
    if task.remedy is None:
        return f"do/{task.test.id}"
    return f"put-right/{task.remedy.act}@{task.remedy.component}"


def list_acts(standing: Standing) -> list[Act]:
    """Return the best next things to do."""
    found = []
    for number, choice in enumerate(standing.view.assessment.choices, 1):
        task = standing.bench.of_choice(choice)
        means = tuple(
            Meaning(first_capital(each.title), first_capital(each.then))
            for each in sorted(choice.means, key=lambda mean: -mean.chance)
        )
        found.append(
            Act(number, first_capital(task.title), say_minutes(task.minutes), path_of(task),
                say_need(task), list_cautions(task), task.first, task.say, means)
        )  # fmt: skip
    return found


def say_task(task: Task) -> dict[str, object]:
    """Return one thing to do."""
    return {
        "title": first_capital(task.title), "minutes": first_capital(say_about(task.minutes)),
        "need": say_need(task), "cautions": list_cautions(task), "before": task.first,
        "say": task.say, "path": path_of(task), "timer": find_timer(task.test.check),
    }  # fmt: skip


def list_bars(ranking: Iterable[RankedCause], in_full: bool = False) -> list[Bar]:
    """Return causes with bars; in full, with the range of each leak."""
    found = []
    for each in ranking:
        leak = say_leak_range(each) if in_full else ""
        if each.leak_si is not None and not in_full:
            leak = _("leak {flow}").format(flow=say_leak(each.leak_si))
        title, hundredths = first_capital(each.title), round(100 * each.chance)
        found.append(Bar(title, in_ten(each.chance), hundredths, leak))
    return found


def list_reasons(view: View) -> list[Reason]:
    """Return why the likeliest causes rank where they do."""
    own = {say_reading(view.catalogue, each): say_reading(view.catalogue, each, view.units)
           for each in view.work.readings}  # fmt: skip
    return [
        Reason(
            first_capital(each.title),
            in_ten(each.chance),
            tuple(f"{first_capital(own.get(reading, reading))} - {say_strength(factor)}."
                  for reading, _words, factor in each.speaks),
            each.changes,
        )
        for each in view.assessment.accounts[:TOP]
    ]  # fmt: skip


def list_entries(view: View) -> tuple[list[Row], int]:
    """Return what was read and done from the failed step on, and how many steps passed before."""
    start = max(0, since_failed(view.work) - 1)
    rows = []
    for entry in view.work.entries[start:]:
        sign = "done"
        if isinstance(entry, Reading):
            test = view.catalogue.tests[view.catalogue.test_index[entry.test]]
            sign = SIGNS.get(verdict(test, entry), "seen")
        said = say_entry(view.catalogue, entry, view.units)
        rows.append(Row(first_capital(said), sign))
    return rows, start


def show_work(standing: Standing) -> dict[str, object]:
    """Return everything on the page of a work-up that is not at its end."""
    view, own = standing.view, standing.view.assessment
    shown = [cause for cause in own.ranking if cause.chance >= LEAST]
    clock = clock_line(view)
    rows, before = list_entries(view)
    return {
        "clock": clock.text, "is_urgent": bool(clock.mark), "rows": rows, "before": before,
        "last": rows[-1] if rows[1:] else None, "advice": own.advice,
        "acts": list_acts(standing), "bars": list_bars(own.ranking[:TOP]),
        "more_bars": list_bars(shown[TOP:]), "rest": len(own.ranking) - len(shown),
        "told": list_told(view), "missing": own.disposition.missing,
        "reasons": list_reasons(view), "said": own.said, "left_out": own.left_out,
    }  # fmt: skip


def show_end(standing: Standing) -> dict[str, object]:
    """Return everything on the page of a work-up at its end."""
    view, own = standing.view, standing.view.assessment.disposition
    returns = own.say == RETURN
    rows, before = list_entries(view)
    return {
        "disposition": _(own.say).upper(), "returns": returns, "why": say_reason(view),
        "told": list_told(view), "do": list_do(view), "missing": own.missing,
        "likely": list_bars(list_likely(view), True),
        "rows": rows, "before": before, "reasons": list_reasons(view),
        "said": view.assessment.said, "left_out": view.assessment.left_out,
    }  # fmt: skip


def say_failed(view: View) -> str:
    """Return the failed step and what was seen there."""
    own = next(r for r in view.work.readings if r.test == view.work.failed)
    return first_capital(say_reading(view.catalogue, own, view.units))


def group(items: Sequence[Item]) -> dict[str, list[Item]]:
    """Return items by their group, in order."""
    found: dict[str, list[Item]] = {}
    for item in items:
        found.setdefault(item.group, []).append(item)
    return found


def chance_parts(view: View) -> dict[str, float]:
    """Return how likely it is that a cause lies in a component [-]."""
    return sum_parts(view.assessment)


def sum_parts(assessment: Assessment) -> dict[str, float]:
    """Return how likely it is that a cause lies in a component, of an assessment [-]."""
    found: dict[str, float] = {}
    for cause in assessment.ranking:
        if cause.component:
            found[cause.component] = found.get(cause.component, 0.0) + cause.chance
    return found


def draw_likely(view: View, version: str) -> str:
    """Return the drawing around the likely parts, as SVG for the inside of a page."""
    from diagnose.near import draw_near

    return draw_near(view.catalogue, name_version(version), chance_parts(view))


def say_machine(view: View) -> str:
    """Return which machine it is: its number, where it is known, and its build."""
    title = view.catalogue.circuit.machine.title
    return f"{view.work.asset} ({title})" if view.work.asset else title


def list_told(view: View) -> list[str]:
    """Return what was told beside the readings, where it differs from the usual."""
    circuit, work = view.catalogue.circuit, view.work
    said = []
    if work.who == "biomed":
        said.append(_("Worked on by biomed."))
    if work.changed:
        parts = ", ".join(sorted(circuit.title(name) for name in work.changed))
        said.append(_("Changed since the machine last passed: {parts}.").format(parts=parts))
    if work.tools is not None:
        tools = ", ".join(sorted(map(say_tool, work.tools))) or _("none")
        said.append(_("Tools at hand: {tools}.").format(tools=tools))
    return said


def say_why(view: View) -> str:
    """Return in one line why a machine is out of service."""
    own = view.assessment.disposition
    return own.reason if own.final else _("The failed step is not cleared up.")
