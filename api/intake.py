"""The first questions of a work-up: which machine, which step failed, how, and what passed."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

from api.ask import Asker, Item, Person, Picker, has_words, parse_numbers
from api.engine import Engine
from api.errors import InputError, UnknownError
from api.fleet import find_machine
from api.question import ask_reading, from_step, question_lines
from api.show import Line, Screen, fit, lines, safety_lines
from diagnose.language import _
from diagnose.model import Reading, WorkUp
from diagnose.outline import ZONE_TITLES, Outline, Profile, Step

if TYPE_CHECKING:
    from diagnose.catalogue import Catalogue

STEPS_MOST = 36  # steps that one screen of 24 lines shows in two columns
CHANGED = "Was any part changed, filled, cleaned or refitted since the machine last passed?"
CHANGED_HOW = "Enter if not, or not known. Else words of the part, such as: bag. Commas for more."
PASSED = "a all of them   n none   or numbers, such as 1 3 5-7"


@dataclass
class Told:
    """What is known at the start; None is asked for."""

    machine: str | None = None
    failed: str | None = None
    reading: str | None = None
    passed: list[str] | None = None
    minutes: float | None = None
    tools: frozenset[str] | None = None
    who: Literal["user", "biomed"] = "user"
    last_machine: str = ""
    changed: tuple[str, ...] = ()
    asset: str = ""


class Intake:
    """Asks what is not told yet and returns the work-up that begins there."""

    def __init__(self, engine: Engine, screen: Screen, asker: Asker, told: Told) -> None:
        self.engine, self.screen, self.asker, self.told = engine, screen, asker, told
        self.start = safety_lines()

    def run(self) -> WorkUp:
        """Return the work-up with everything known at its start."""
        profile = self.choose_machine()
        self.engine.warm()
        self.engine.prepare(profile.id)
        while True:
            step = self.choose_step(profile)
            reading = self.choose_reading(profile, step)
            if reading is not None:
                break
            self.told.failed = None
        if self.told.tools is not None:
            find_tools(self.engine.catalogue(profile.id), self.told.tools)
        passed = self.choose_passed(profile, step)
        was_asked = self.told.minutes is None  # whoever tells it all is not asked for more
        if was_asked:
            self.told.minutes = self.ask_minutes()
        entries = (*self.read_passed(profile, passed), reading)
        told, catalogue = self.told, self.engine.catalogue(profile.id)
        changed = find_components(catalogue, told.changed)
        if was_asked and not changed and isinstance(self.asker, Person):
            changed = self.ask_changed(catalogue)
        return WorkUp(profile.id, step.id, entries, told.minutes, told.tools, told.who,
                      changed=changed, asset=told.asset)  # fmt: skip

    def _heading(self, text: str) -> list[Line]:
        """Return a heading; the safety text stands above the first one."""
        found = [*self.start, *lines(text, mark="bold")]
        self.start = []
        return found

    def choose_machine(self) -> Profile:
        """Return the machine."""
        machines = self.engine.outline.machines
        name = self.told.machine
        if self.told.asset:
            name = name or find_machine(self.engine, self.told.asset)
        if name is None:
            items = [Item(each.id, f"{each.title} ({each.id})") for each in machines]
            last = next((m.id for m in machines if m.id == self.told.last_machine), "")
            heading = self._heading("Which machine?")
            name = Picker(self.screen, self.asker, heading, items, last).pick()
        return find_profile(self.engine.outline, str(name))

    def choose_step(self, profile: Profile) -> Step:
        """Return the step that failed."""
        steps = {step.id: step for step in profile.steps}
        name = self.told.failed
        if name is None:
            items = list_steps(profile)
            heading = self._heading(f"{profile.title}. Which checkout step failed?")
            name = Picker(self.screen, self.asker, heading, items).pick()
        return steps[find_step(profile, str(name))]

    def choose_reading(self, profile: Profile, step: Step) -> Reading | None:
        """Return what was seen at the failed step; None to choose another step."""
        if self.told.reading is not None:
            from diagnose.readings import read_answer

            told = read_answer(self.engine.catalogue(profile.id), step.id, self.told.reading)
            refuse_pass(step, told)
            return told
        question = from_step(step)
        self.screen.clear()
        self.screen.show([*self._heading(step.title), *question_lines(question)])
        while True:
            reading = ask_reading(
                self.asker, question, partial(self.engine.catalogue, profile.id), {}
            )
            try:
                if reading is not None:
                    refuse_pass(step, reading)
                return reading
            except InputError as error:
                self.asker.refuse(f"{error.what}.")

    def choose_passed(self, profile: Profile, step: Step) -> list[str]:
        """Return the steps that passed before the failed one."""
        steps = list(profile.steps)
        earlier = steps[: steps.index(step)]
        if self.told.passed is not None:
            return list_passed(profile, step, self.told.passed)
        if not earlier:
            return []
        if len(earlier) <= STEPS_MOST:
            return self._choose_steps("Which of the steps before it", earlier)
        return self._choose_zones(earlier)

    def _choose_zones(self, earlier: list[Step]) -> list[str]:
        """Return the steps passed of a long checkout, asked zone by zone."""
        zones = group_steps(earlier)
        parts = list(zones.values())
        self.screen.clear()
        found = self._heading("Which parts of the checkout before it were done today, and passed?")
        found += [Line(f"{n:3} {ZONE_TITLES[zone]}, {len(own)} step{'s' * (len(own) > 1)}")
                  for n, (zone, own) in enumerate(zones.items(), 1)]  # fmt: skip
        self.screen.show([*found, Line(f"{PASSED}   s step by step", "dim")])
        chosen = self._ask_numbers(len(parts), more="s")
        if chosen is not None:
            return [step.id for n in chosen for step in parts[n - 1]]
        found: list[str] = []
        for zone, own in zones.items():
            found += self._choose_steps(f"{ZONE_TITLES[zone]}: which of these", own)
        return found

    def _choose_steps(self, which: str, steps: list[Step]) -> list[str]:
        self.screen.clear()
        self.screen.show(self._passed_lines(which, steps))
        chosen = self._ask_numbers(len(steps)) or []
        return [steps[n - 1].id for n in chosen]

    def _ask_numbers(self, most: int, more: str = "") -> list[int] | None:
        """Return the numbers chosen, or None for the one letter that asks for more."""
        while True:
            text = self.asker.ask().lower()
            if text in ("a", "all"):
                return list(range(1, most + 1))
            if text in ("n", "none"):
                return []
            if more and text == more:
                return None
            numbers = parse_numbers(text, most)
            if numbers is not None:
                return list(dict.fromkeys(numbers))
            self.asker.refuse(f"Say a, n, or numbers from 1 to {most}, such as 1 3 5-7.")

    def _passed_lines(self, which: str, earlier: list[Step]) -> list[Line]:
        found = self._heading(f"{which} were done today, and passed?")
        half = (len(earlier) + 1) // 2
        labels = [fit(f"{n:3} {step.title}", 38) for n, step in enumerate(earlier, 1)]
        for row in range(half):
            right = labels[row + half] if row + half < len(labels) else ""
            found.append(Line(f"{labels[row]:40}{right}".rstrip()))
        return [*found, Line(PASSED, "dim")]

    def ask_minutes(self) -> float | None:
        """Return the minutes until the machine is needed; None if that is not known."""
        self.screen.clear()
        heading = self._heading("In how many minutes is the machine needed?")
        self.screen.show([*heading, Line("Number of minutes, Enter if not known.", "dim")])
        while True:
            text = self.asker.ask()
            if not text:
                return None
            try:
                return read_minutes(text)
            except InputError as error:
                self.asker.refuse(f"'{text}' {error.what}.")

    def ask_changed(self, catalogue: Catalogue) -> frozenset[str]:
        """Return the parts changed since the machine last passed; none by Enter."""
        self.screen.clear()
        self.screen.show([*self._heading(CHANGED), Line(CHANGED_HOW, "dim")])
        circuit = catalogue.circuit
        items = [Item(name, circuit.title(name)) for name in circuit.kinds]
        while True:
            text = self.asker.ask()
            try:
                return frozenset(find_part(items, part) for part in text.split(",") if part.strip())
            except InputError as error:
                self.asker.refuse(f"{error}.")

    def read_passed(self, profile: Profile, names: list[str]) -> tuple[Reading, ...]:
        """Return the readings of steps that passed."""
        steps = {step.id: step for step in profile.steps}
        return tuple(passed_reading(steps[name]) for name in names)


def find_profile(outline: Outline, name: str) -> Profile:
    """Return a machine by its id; raises InputError if there is no such machine."""
    for profile in outline.machines:
        if profile.id == name:
            return profile
    known = sorted(profile.id for profile in outline.machines)
    raise UnknownError(
        "machine",
        _("'{name}' is not known").format(name=name),
        known,
        _("'tenhold machines' lists them"),
    )


def passed_reading(step: Step) -> Reading:
    """Return the reading of a step that passed.

    Raises
    ------
    InputError
        The step has no outcome that passes.
    """
    for seen in step.outcomes:
        if seen.means == "pass":
            return Reading(step.id, seen.id, None, seen.id)
    raise InputError("passed", _("'{step}' has no outcome that passes").format(step=step.id))


def list_passed(profile: Profile, failed: Step, names: list[str]) -> list[str]:
    """Return the ids of steps that passed: some by name, all that come earlier, or none.

    Raises
    ------
    InputError
        One of them is no step, or is the failed one.
    """
    if names == ["all"]:
        earlier = profile.steps[: profile.steps.index(failed)]
        return [each.id for each in earlier]
    found = [] if names == ["none"] else [find_step(profile, name) for name in names]
    if failed.id in found:
        raise InputError("passed", f"'{failed.id}' is the step that failed; leave it out")
    return list(dict.fromkeys(found))


def find_tools(catalogue: Catalogue, names: Iterable[str]) -> frozenset[str]:
    """Return tools by name; raises InputError if no check uses one of them."""
    known = {tool for test in catalogue.tests for tool in test.check.tools}
    unknown = [name for name in sorted(names) if name not in known]
    if unknown:
        raise InputError(
            "tools", _("'{tool}' is used by no check").format(tool=unknown[0]), sorted(known)
        )
    return frozenset(names)


def list_steps(profile: Profile) -> list[Item]:
    """Return the steps of a checkout, each in its part."""
    return [Item(s.id, s.title, _(ZONE_TITLES[s.zone])) for s in profile.steps]


def group_steps(steps: Iterable[Step]) -> dict[str, list[Step]]:
    """Return steps by part of the checkout, in order."""
    found: dict[str, list[Step]] = {}
    for step in steps:
        found.setdefault(step.zone, []).append(step)
    return found


def find_components(catalogue: Catalogue, names: Iterable[str]) -> frozenset[str]:
    """Return components by name; raises InputError if the machine lacks one of them."""
    kinds = catalogue.circuit.kinds
    unknown = [name for name in sorted(names) if name not in kinds]
    if unknown:
        near = difflib.get_close_matches(unknown[0], kinds, 3, 0.5) or sorted(kinds)
        what = _("'{part}' is no component of this machine").format(part=unknown[0])
        raise InputError("changed", what, near)
    return frozenset(names)


def find_part(items: Sequence[Item], text: str) -> str:
    """Return the one part that some words mean.

    Raises
    ------
    InputError
        They mean none, or several.

    Examples
    --------
    >>> find_part([Item("bag", "Reservoir bag"), Item("bag_mount", "Bag mount")], "reservoir")
    'bag'
    """
    plain = " ".join(text.lower().split())
    whole = [item for item in items if plain in (item.key, item.label.lower())]
    found = whole or [item for item in items if has_words(item, plain)]
    if len(found) == 1:
        return found[0].key
    if not found:
        raise InputError(plain, "no part of this machine is called so", do="try a shorter word")
    raise InputError(plain, "that may be several parts", [item.label for item in found[:5]])


def find_step(profile: Profile, name: str) -> str:
    """Return the id of a checkout step.

    Raises
    ------
    InputError
        The machine has no such step.
    """
    names = [step.id for step in profile.steps]
    if name in names:
        return name
    near = difflib.get_close_matches(name, names, 3, 0.5)
    do = _("'tenhold checks {machine}' lists the steps").format(machine=profile.id)
    what = _("'{step}' is no checkout step of '{machine}'").format(step=name, machine=profile.id)
    raise UnknownError("step", what, near, do)


def refuse_pass(step: Step, reading: Reading) -> None:
    """Raise InputError if what was seen at the failed step is a pass."""
    title = next(
        (s.title for s in step.outcomes if (s.id, s.means) == (reading.outcome, "pass")), ""
    )
    if title:
        what = _("'{title}' is a pass; say what failed, or choose another step")
        raise InputError(step.id, what.format(title=title))


def read_minutes(text: str) -> float:
    """Return minutes; raises InputError if it is no number of them.

    >>> read_minutes("12 min")
    12.0
    """
    plain = text.lower().removesuffix("minutes").removesuffix("min").strip()
    try:
        value = float(plain)
    except ValueError:
        raise InputError("minutes", _("is no number of minutes; write for example 12")) from None
    if not 0 <= value <= 24 * 60:
        raise InputError("minutes", _("must be from 0 to 1440"))
    return value
