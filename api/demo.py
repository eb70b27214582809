"""A work-up on an invented machine with a hidden cause: by hand, or playing by itself."""

from __future__ import annotations

from api.ask import Person
from api.clock import Clock
from api.ending import final_screen
from api.engine import Engine
from api.keep import Keeper
from api.screens import View, clock_line, minutes_since, say_remedy
from api.show import Line, Screen, fit, lines, safety_lines, wrap
from api.talk import Talk
from diagnose.choices import in_ten
from diagnose.language import first_capital
from diagnose.model import Reading, WorkUp
from diagnose.pretend import Pretend, draw_pretend
from diagnose.readings import say_reading
from diagnose.session import Kit, diagnose

MACHINE = "small"
ACTS_MOST = 30


def run_demo(engine: Engine, screen: Screen, number: int, auto: bool) -> View:
    """Run a work-up on an invented machine; returns its last view."""
    engine.prepare(MACHINE)
    screen.show(safety_lines())
    screen.show([Line(), *wrap(
        f"Demo {number}: nothing here is real. An invented machine failed its checkout; its cause "
        "is hidden. 'tenhold demo --seed "f"{number}' shows the same one again.")])  # fmt: skip
    kit = engine.kit(MACHINE)
    pretend, work = draw_pretend(kit.catalogue, number)
    go = _play if auto else _talk
    view = go(screen, kit, pretend, work)
    screen.show(reveal(view, pretend))
    return view


def _talk(screen: Screen, kit: Kit, pretend: Pretend, work: WorkUp) -> View:
    screen.show(wrap("You choose what to do; Enter at a question lets the pretend machine answer."))
    person = Person(screen)
    if not person.pause():
        raise KeyboardInterrupt
    keeper = Keeper(None, person.tell)
    return Talk(screen, person, kit, work, keeper, Clock.begin(None, by_wall=False), pretend).run()


def _play(screen: Screen, kit: Kit, pretend: Pretend, work: WorkUp) -> View:
    """Follow the first choice each time, and show each step in short."""
    start = len(work.entries)
    screen.show([Line(), Line(fit("Failed: " + say_reading(kit.catalogue, work.readings[-1])))])
    if start > 1:
        screen.show(lines(f"{start - 1} checkout steps before it passed."))
    for number in range(1, ACTS_MOST + 1):
        assessment = diagnose(kit, work)
        view = View(assessment, kit.catalogue, work, minutes_since(kit.catalogue, work), None)
        if assessment.disposition.final:
            screen.show([Line(), *final_screen(view, "")])
            return view
        choice = assessment.choices[0]
        screen.show([Line(), *_step_lines(view, number)])
        if choice.remedy is not None:
            work = work.add(choice.remedy)
        reading = pretend.answer(work, choice.test)
        work = work.add(reading)
        screen.show([Line(fit(f"     Seen: {_seen(kit, reading)}"))])
    raise RuntimeError(f"the work-up does not end after {ACTS_MOST} acts")


def _step_lines(view: View, number: int) -> list[Line]:
    """Return where it stands and what is done next, in short."""
    causes = "; ".join(
        f"{first_capital(c.title)}, {in_ten(c.chance)}" for c in view.assessment.ranking[:2]
    )
    choice = view.assessment.choices[0]
    do = choice.title if choice.remedy is None else say_remedy(view.catalogue, choice.remedy)
    again = "" if choice.remedy is None else " Then repeat the failed step."
    clock = clock_line(view).text
    return [
        Line(f"[{number}]  {clock}", "bold"),
        *wrap(f"Likeliest: {causes}.", "     ", "                "),
        *wrap(f"Do: {do}{again}", "     ", "         "),
    ]


def _seen(kit: Kit, reading: Reading) -> str:
    test = kit.catalogue.tests[kit.catalogue.test_index[reading.test]]
    title = test.check.reading.outcomes[reading.outcome].title
    return title if reading.number_si is None else f"{title} ({reading.text})"


def reveal(view: View, pretend: Pretend) -> list[Line]:
    """Return what the hidden cause was, and where the ranking had it."""
    singles = [c for c in view.assessment.ranking if len(c.ids) == 1]
    place = next((n for n, c in enumerate(singles, 1) if c.ids[0] == pretend.cause.id), 0)
    cause = singles[place - 1] if place else None
    title = first_capital(cause.title) if cause else pretend.cause.id
    chance = f" ({in_ten(cause.chance)})" if cause else ""
    right = "put right" if pretend.is_fixed(view.work.remedies) else "still there"
    return [Line(), *wrap(f"The hidden cause was: {title}. It stands at place {place}{chance} of "
                          f"{len(singles)}, and is {right}.", mark="bold")]  # fmt: skip
