"""A drill at the terminal: choose a check, see what it shows, name the cause, read the debrief."""

from __future__ import annotations

from collections.abc import Callable

from api.ask import AnswersEndError, Asker, Item, Picker
from api.drill_curve import letter, plot_letters
from api.drill_debrief import debrief_lines, study_lines
from api.drill_words import NOT_REAL, list_causes, say_cause, say_done, say_shown
from api.drilling import Drilling, Play
from api.screens import say_about
from api.show import Line, Screen, fit, lines, safety_lines, say_minutes, wrap
from api.tasks import Bench, list_others, list_remedies
from diagnose.catalogue import words
from diagnose.drill.case import Act
from diagnose.drill.curve import watch
from diagnose.drill.play import list_checks
from diagnose.errors import DrillError
from diagnose.language import first_capital
from diagnose.model import Reading
from diagnose.readings import say_reading, verdict

SHOWN = 11  # lines of what was done that one screen holds
MENU = "k check  d put right  s suspect  l list of all  e end it  q leave, go on later"
STUDY_MENU = "k check  l list of all  e write down what is wrong  q leave, go on later"


class DrillTalk:
    """One drill with a person or a script."""

    def __init__(self, screen: Screen, asker: Asker, drilling: Drilling, name: str) -> None:
        self.screen, self.asker, self.drilling = screen, asker, drilling
        self.play: Play = drilling.open(name)

    @property
    def catalogue(self):  # type: ignore[no-untyped-def]
        """The machine's checks and causes."""
        return self.play.kit.catalogue

    def run(self) -> bool:
        """Play until it is ended (True) or left to go on later (False)."""
        self.screen.show(safety_lines())
        self.screen.show([Line(), *wrap(NOT_REAL), Line()])
        deeds: dict[str, Callable[[], None]] = {
            "k": self.check, "d": self.remedy, "s": self.suspect, "l": self.list_all, "e": self.end,
        }  # fmt: skip
        if self.play.is_study:
            deeds = {key: deeds[key] for key in "kle"}
        while self.play.standing.end is None:
            self.screen.clear()
            self.screen.show(main_lines(self.play))
            try:
                text = self.asker.ask().lower()
                if text == "q":
                    return False
                if text in deeds:
                    deeds[text]()
                else:
                    self.asker.refuse(
                        f"'{fit(text, 20)}' is no choice here. {', '.join(deeds)} or q."
                    )
            except AnswersEndError:
                return False
        return True

    def act(self, act: Act) -> None:
        """Do an act; one that is not possible is said."""
        try:
            self.play = self.drilling.act(self.play.record.name, act)
        except DrillError as error:
            self.asker.refuse(f"{first_capital(error.what)}. {first_capital(error.do)}.")

    def _pick(self, title: str, items: list[Item]) -> str | None:
        heading = lines(title, mark="bold")
        return Picker(self.screen, self.asker, heading, items, has_back=True).pick()

    def check(self) -> None:
        """Do any check."""
        work = self.play.standing.work
        may = {test.id for test in list_checks(self.catalogue, work)}
        items = [item for item in list_others(self.catalogue, work) if item.key in may]
        name = self._pick("Which check?", items)
        if name is None:
            return
        self.screen.clear()
        self.screen.show(self._how(name))
        if not self.asker.pause():
            return
        self.act(Act("check", name))
        self.show_last()

    def _how(self, name: str) -> list[Line]:
        test = self.catalogue.tests[self.catalogue.test_index[name]]
        bench = Bench(self.catalogue, self.drilling.engine.base().checks, self.play.standing.work)
        task = bench.of_test(test)
        found = wrap(first_capital(task.title), mark="bold")
        found += wrap(f"{first_capital(say_about(task.minutes))}.")
        for caution in task.cautions:
            found += wrap(caution, "! ", mark="alarm")
        for number, text in enumerate(task.say, 1):
            found += wrap(text, f"{number}. ")
        return [*found, *lines("", words(self.catalogue, test.check.reading.ask, test.it))]

    def show_last(self) -> None:
        """Show what the last check read: the number, and the course of a pressure."""
        last = self.play.standing.work.entries[-1]
        if isinstance(last, Reading):
            self.screen.show([Line(), *shown_lines(self.play, last)])
            self.asker.pause()

    def remedy(self) -> None:
        """Put something right."""
        items, _ = list_remedies(self.catalogue)
        name = self._pick("What do you put right? Repeat the failed step after it.", items)
        if name is not None:
            self.act(Act("remedy", name))

    def suspect(self) -> None:
        """Note what is suspected now; the debrief comes back to it."""
        name = self._pick("What do you suspect now? It costs no time.", list_causes(self.catalogue))
        if name is not None:
            self.act(Act("suspect", name))

    def list_all(self) -> None:
        """Show all that was seen and done."""
        entries = self.play.standing.work.entries
        found = [
            Line(fit(f"{n:3} {say_done(self.catalogue, e)}")) for n, e in enumerate(entries, 1)
        ]
        room = self.screen.height - 3
        for start in range(0, len(found), room):
            self.screen.clear()
            self.screen.show(found[start : start + room])
            if not self.asker.pause():
                return

    def end(self) -> None:
        """Name the causes and the disposition."""
        named = self._name()
        if named is None:
            return
        if self.play.is_study:
            self.act(Act("end", "", named, "remove"))
            return
        self.screen.clear()
        self.screen.show(wrap(f"You name: {self._say(named)}.", mark="bold"))
        self.screen.show(lines(
            "  1  Return to checkout: put right, the failed step repeated and passed",
            "  2  Remove from service and call biomed", "b back, not ended yet"))  # fmt: skip
        while True:
            text = self.asker.ask().lower()
            if text in ("1", "2"):
                self.act(Act("end", "", named, "return" if text == "1" else "remove"))
                return
            if text == "b":
                return
            self.asker.refuse("Say 1, 2, or b.")

    def _say(self, named: tuple[str, ...]) -> str:
        return "; ".join(say_cause(self.catalogue, name) for name in named) or "nothing"

    def _name(self) -> tuple[str, ...] | None:
        named: list[str] = []
        items = list_causes(self.catalogue)
        while True:
            title = f"So far: {self._say(tuple(named))}. Another? b for no more." if named else (
                "What is wrong? Name it; you may name more than one.")  # fmt: skip
            name = self._pick(fit(title), items)
            if name is None:
                return tuple(named) or None
            if name not in named:
                named.append(name)


def main_lines(play: Play) -> list[Line]:
    """Return the screen that everything is chosen from."""
    catalogue, standing = play.kit.catalogue, play.standing
    machine = catalogue.circuit.machine.title
    clock = f"Clock: {say_minutes(standing.minutes)} used"
    left = standing.work.minutes_left
    if left is not None:
        clock += f", {say_minutes(max(0.0, left - standing.minutes))} until it is needed"
    head = "STUDY" if play.is_study else "DRILL"
    found = [Line(fit(f"{head}. {machine}. Nothing here is real."), "bold"), Line(f"{clock}.")]
    if play.is_study:
        many = len(play.record.case.causes)
        found += wrap(f"{many} faults are set on this machine. Do the whole checkout, then write "
                      "down what is wrong.")  # fmt: skip
    else:
        before = standing.opening - 1
        failed = next(r for r in standing.work.readings if r.test == standing.work.failed)
        found += wrap(f"Failed: {say_reading(catalogue, failed)}", mark="alarm")
        found.append(Line(f"{before} checkout steps before it passed." if before else
                          "It was the first step."))  # fmt: skip
    own = standing.own
    found.append(Line("Seen and done:" if own else "Nothing done yet.", "bold"))
    if len(own) > SHOWN:
        found.append(Line(f"    ... {len(own) - SHOWN} before; l shows them"))
    for number, entry in list(enumerate(own, 1))[-SHOWN:]:
        found.append(Line(fit(f"{number:3} {say_done(catalogue, entry)}")))
    if standing.noted:
        found.append(Line(fit(f"You suspect: {say_cause(catalogue, standing.noted[-1].cause)}")))
    return [*found, Line(STUDY_MENU if play.is_study else MENU, "dim")]


def shown_lines(play: Play, reading: Reading) -> list[Line]:
    """Return what a check shows: its number or look, and the course of a pressure over a hold."""
    catalogue = play.kit.catalogue
    test = catalogue.tests[catalogue.test_index[reading.test]]
    means = verdict(test, reading)
    tail = {"fail": " Outside the limit.", "pass": " Within the limit."}.get(means, "")
    found = wrap(f"Shows: {say_shown(catalogue, reading)}{tail}", mark="bold")
    curve = watch(play.rig, test, reading, play.standing.work.remedies)
    if curve is not None:
        found += [Line(text) for text in plot_letters([curve])]
        found.append(Line(f"{letter(0)} the gauge over the wait", "dim"))
    return found


def finish_lines(drilling: Drilling, play: Play) -> list[Line]:
    """Return the debrief of a drill, or the result of a study."""
    if play.is_study:
        return study_lines(drilling, play)
    return debrief_lines(drilling, play)
