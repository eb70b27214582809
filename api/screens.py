"""What the work-up shows, as pure functions from an assessment to lines that fit 80 x 24."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from api.show import WIDTH, Line, Mark, bar, fit, lines, say_minutes, wrap
from diagnose.catalogue import Catalogue, Test, words
from diagnose.choices import in_ten
from diagnose.explain import minutes_used, say_strength
from diagnose.language import _, first_capital, inside, mark, tell
from diagnose.model import Assessment, Choice, OutcomeMeaning, Reading, Remedied, Said, WorkUp
from diagnose.readings import say_reading
from diagnose.units import AS_WRITTEN, Units

TOP = 5
SEEN_WIDTH = 32
LEAST = 0.005  # chance from which a cause stands in the list of all [-]
OUTCOME_LINES = 7  # lines for what the outcomes of the choices would mean
STANDING = mark("OUT OF SERVICE until it is shown to be safe.")
MENU = "1 2 3 do it   o other   d remedy done   u undo   ? why   c causes   q stop"


@dataclass(frozen=True)
class View:
    """An assessment with what is needed to say it."""

    assessment: Assessment
    catalogue: Catalogue
    work: WorkUp
    used: float  # minutes since the step failed
    left: float | None  # minutes until the machine is needed
    units: Units = AS_WRITTEN  # in which pressures are shown


@dataclass(frozen=True)
class Task:
    """One thing to do at the machine, then one reading."""

    test: Test
    title: str
    say: tuple[str, ...]
    minutes: float
    tools: tuple[str, ...]
    cautions: tuple[str, ...]
    first: tuple[str, ...] = ()  # what must be done before
    remedy: Remedied | None = None


def since_failed(work: WorkUp) -> int:
    """Return the place after the failed step's first reading: where the work-up itself begins."""
    for place, entry in enumerate(work.entries):
        if isinstance(entry, Reading) and entry.test == work.failed:
            return place + 1
    return 0


def minutes_since(catalogue: Catalogue, work: WorkUp) -> float:
    """Return the minutes since the step failed, by the knowledge's figures."""
    return minutes_used(catalogue, replace(work, entries=work.entries[since_failed(work) :]))


def main_screen(view: View) -> list[Line]:
    """Return the screen that everything is chosen from."""
    found = [Line(STANDING, "alarm"), clock_line(view)]
    found += _so_far(view)
    advice = [line for text in view.assessment.advice for line in wrap(text, "! ", mark="alarm")]
    found += advice  # it takes its lines from the causes
    if view.assessment.choices:
        found.append(Line("Do next:", "bold"))
    found += _choice_lines(view.assessment.choices)
    found.append(Line("What it may be:", "bold"))
    found += cause_lines(view.assessment, max(1, TOP - len(advice)))
    return [*found, Line(MENU, "dim")]


def clock_line(view: View) -> Line:
    """Return the clock; first of all whether to swap the machine."""
    used, ahead = say_minutes(view.used), say_about(view.assessment.minutes_ahead)
    if view.assessment.swap_first:
        left = say_minutes(view.left or 0.0)
        swap = _("SWAP THE MACHINE NOW, diagnose after: {left} left, {ahead} to go.")
        return Line(swap.format(left=left, ahead=ahead), "alarm")
    if view.left is None:
        return Line(_("Clock: {used} used, {ahead} to go.").format(used=used, ahead=ahead))
    clock = _("Clock: {used} used, {ahead} to go, {left} until it is needed.")
    return Line(clock.format(used=used, ahead=ahead, left=say_minutes(view.left)))


def say_about(minutes: float) -> str:
    """Return minutes that are an estimate."""
    said = say_minutes(minutes)
    return said if 0 < minutes < 0.75 else _("about {minutes}").format(minutes=said)


def _so_far(view: View) -> list[Line]:
    own = [r for r in view.work.readings if r.test == view.work.failed]
    found = [Line(fit("Failed: " + say_reading(view.catalogue, own[0])))] if own else []
    last = view.work.entries[-1] if view.work.entries else None
    if last is not None and last is not (own[0] if own else None):
        found.append(Line(fit("Last:   " + say_entry(view.catalogue, last))))
    return found


def say_entry(catalogue: Catalogue, entry: Reading | Remedied, units: Units = AS_WRITTEN) -> str:
    """Return a reading or a remedy in words."""
    if isinstance(entry, Reading):
        return first_capital(say_reading(catalogue, entry, units))
    return _("Done: {remedy}").format(remedy=say_remedy(catalogue, entry))


def say_remedy(catalogue: Catalogue, remedy: Remedied) -> str:
    """Return a remedy in words, those for a user where a user may do it."""
    for cause in sorted(catalogue.causes, key=lambda cause: cause.fault.remedy.by != "user"):
        own = cause.fault.remedy
        if (own.act, cause.component) == (remedy.act, remedy.component):
            return words(catalogue, own.say, cause.component)
    return f"{tell(remedy.act)} {inside(catalogue.circuit.title(remedy.component))}"


def _choice_lines(choices: Sequence[Choice]) -> list[Line]:
    found = []
    room = OUTCOME_LINES
    for number, choice in enumerate(choices, 1):
        minutes = say_minutes(choice.minutes)
        title = fit(f"{number}  {first_capital(choice.title)}", WIDTH - len(minutes) - 2)
        found.append(Line(title.ljust(WIDTH - len(minutes)) + minutes, "bold"))
        share = max(2, room - 2 * (len(choices) - number))
        means = sorted(choice.means, key=lambda m: -m.chance)[:share]
        room -= len(means)
        found += [Line(_say_meaning(m)) for m in means]
    return found


def _say_meaning(meaning: OutcomeMeaning) -> str:
    """Return an outcome and what would then be likeliest; the chance is never cut off."""
    cause, _comma, chance = meaning.then.rpartition(", ")
    chance = chance.removeprefix("about ")
    head = f"     {fit(meaning.title, SEEN_WIDTH)} → "
    return f"{head}{fit(_lower(cause), WIDTH - len(head) - len(chance) - 2)}, {chance}"


def _lower(text: str) -> str:
    """Return a title as it stands inside a sentence; abbreviations keep their capitals."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def cause_lines(assessment: Assessment, number: int) -> list[Line]:
    """Return the likeliest causes with bars."""
    found = []
    for cause in assessment.ranking[:number]:
        leak = f" ({say_leak(cause.leak_si)})" if cause.leak_si is not None else ""
        room = WIDTH - 30
        title = first_capital(cause.title)
        title = title + leak if len(title + leak) <= room else fit(title, room)
        found.append(Line(f"{bar(cause.chance)} {in_ten(cause.chance):18} {title}"))
    return found


def say_leak(flow_si: float) -> str:
    """Return a leak at 30 cmH2O in round figures.

    >>> say_leak(2.04e-5)
    '1200 mL/min'
    """
    flow = flow_si * 6e7
    digits = 10 if flow < 1000 else 100
    return f"{max(digits, round(flow / digits) * digits)} mL/min"


def task_screen(task: Task) -> list[Line]:
    """Return what to do, numbered, with its cautions first."""
    need = f" You need: {', '.join(t.replace('_', ' ') for t in task.tools)}." if task.tools else ""
    found = wrap(first_capital(task.title), mark="bold")
    found += wrap(f"{first_capital(say_about(task.minutes))}.{need}")
    for caution in task.cautions:
        found += wrap(caution, "! ", mark="alarm")
    for text in task.first:
        found += wrap(f"Do this first: {text}", "! ")
    for number, text in enumerate(task.say, 1):
        found += wrap(text, f"{number}. ")
    return found


def causes_screen(assessment: Assessment) -> list[Line]:
    """Return all causes that are not almost ruled out."""
    shown = [cause for cause in assessment.ranking if cause.chance >= LEAST]
    found = [Line("All causes that are still possible, likeliest first:", "bold")]
    found += cause_lines(assessment, len(shown))
    rest = len(assessment.ranking) - len(shown)
    return [*found, Line(f"{rest} more are each less likely than 1 in {1 / LEAST:.0f}.", "dim")]


def why_screen(view: View) -> list[Line]:
    """Return why: what each reading says about each cause, and the rules that spoke."""
    found: list[Line] = []
    for account in view.assessment.accounts[:TOP]:
        found += wrap(f"{first_capital(account.title)}: {in_ten(account.chance)}", mark="bold")
        for reading, _strength, factor in account.speaks:
            found += wrap(f"{first_capital(reading)} - {say_strength(factor)}.", "   ")
        if not account.speaks:
            found += wrap("No reading speaks clearly for or against it.", "   ")
        if account.changes:
            found += wrap(f"What would change this: {account.changes}.", "   ")
    found.append(Line("What the rules say:", "bold"))
    for said in view.assessment.said:
        found += _rule_lines(said)
    if not view.assessment.said:
        found.append(Line("   Nothing beyond the readings."))
    if view.assessment.left_out:
        found.append(Line("Answers that say nothing:", "bold"))
        for text in view.assessment.left_out:
            found += wrap(first_capital(text), "   ")
    return found


def _rule_lines(said: Said) -> list[Line]:
    mark: Mark = "alarm" if said.kind in ("stop", "doubt") else ""
    seen = "; ".join(said.matched)
    return wrap(f"{said.because} ({seen}; rule {said.rule}, {said.source})", "   ", mark=mark)


def missing_lines(view: View) -> list[Line]:
    """Return what return to checkout still lacks."""
    missing = view.assessment.disposition.missing
    if not missing:
        return []
    found = lines("For a return to checkout these are still missing:", mark="bold")
    for text in missing:
        found += wrap(text, "   - ", "     ")
    return found
