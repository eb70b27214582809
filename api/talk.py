"""The work-up itself: choose what to do next, do it, say what was seen, until it ends."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from api.ask import AnswersEndError, Asker, Person, Picker
from api.clock import Clock
from api.ending import final_screen
from api.keep import Keeper
from api.question import Way, ask_reading, from_test, question_lines
from api.screens import (
    Task,
    View,
    causes_screen,
    main_screen,
    minutes_since,
    since_failed,
    task_screen,
    why_screen,
)
from api.show import Line, Screen, count_fitting, fit, lines
from api.tasks import Bench, list_others, list_remedies
from api.timing import find_timer
from diagnose.catalogue import Test
from diagnose.model import Entry, Reading, WorkUp
from diagnose.pretend import Pretend
from diagnose.session import Kit, diagnose

END = "Enter ends, u takes the last answer back, ? why, c causes."
MORE = "m shows the rest. "


class Talk:
    """One work-up with a person or a script; ``pretend`` is an invented machine that answers."""

    def __init__(self, screen: Screen, asker: Asker, kit: Kit, work: WorkUp, keeper: Keeper,
                 clock: Clock, pretend: Pretend | None = None) -> None:  # fmt: skip
        self.screen, self.asker, self.kit, self.work = screen, asker, kit, work
        self.keeper, self.clock, self.pretend = keeper, clock, pretend
        self.opening = since_failed(work)

    def run(self) -> View:
        """Return the last view, when the work-up is at its end."""
        while True:
            view = self.assess()
            try:
                if not view.assessment.disposition.final:
                    self.act(view)
                elif not self.end(view):
                    return view
            except AnswersEndError:
                if view.assessment.disposition.final:
                    return view
                self.screen.show(lines("The answers end here; so the work-up stops."))
                self.work = replace(self.work, stopped=True)

    def assess(self) -> View:
        """Return where the work-up stands now."""
        catalogue = self.kit.catalogue
        used, left = self.clock.read(minutes_since(catalogue, self.work))
        self.work = replace(self.work, minutes_left=left)
        return View(diagnose(self.kit, self.work), catalogue, self.work, used, left)

    def act(self, view: View) -> None:
        """Show the choices and do what is chosen."""
        self.screen.clear()
        self.screen.show(main_screen(view))
        keys: dict[str, Callable[[View], None]] = {
            "o": self.other, "d": self.remedy, "u": self.undo, "?": self.why, "c": self.causes,
            "q": self.stop,
        }  # fmt: skip
        text = self.asker.ask().lower()
        choices = view.assessment.choices
        if text.isdigit() and 1 <= int(text) <= len(choices):
            self.perform(self.bench.of_choice(choices[int(text) - 1]))
        elif text in keys:
            keys[text](view)
        else:
            numbers = f"1 to {len(choices)}, or " if choices else ""
            given = f"'{fit(text, 20)}' is no choice here. " if text else ""
            self.asker.refuse(f"{given}Choose {numbers}one of {', '.join(keys)}.")

    def add(self, entry: Entry) -> None:
        """Keep an entry, then count it."""
        self.keeper.entry(entry)
        self.work = self.work.add(entry)

    @property
    def bench(self) -> Bench:
        """The machine and the work-up as it stands."""
        return Bench(self.kit.catalogue, self.kit.base.checks, self.work)

    def perform(self, task: Task) -> None:
        """Say what to do, then ask what was seen."""
        question = from_test(self.kit.catalogue, task.test)
        ways, extra = self._ways(task.test)
        self.screen.clear()
        told, asked = task_screen(task), question_lines(question, extra)
        self.screen.show(told)
        if task.remedy is not None:
            if not self._is_done():
                return
            self.add(task.remedy)
        elif len(told) + len(asked) + 2 > self.screen.height and not self.asker.pause():
            return
        self.screen.show([Line(), *asked])
        reading = ask_reading(self.asker, question, lambda: self.kit.catalogue, ways)
        if reading is not None:
            self.add(reading)

    def _is_done(self) -> bool:
        self.screen.show(lines("First number 1. Then: y it is done, b back.", mark="dim"))
        while True:
            text = self.asker.ask().lower()
            if text in ("y", "b") or (text == "" and self.pretend):
                return text != "b"
            self.asker.refuse("Say y when it is done, or b to go back.")

    def _ways(self, test: Test) -> tuple[Mapping[str, Way], str]:
        """Return the further keys at a reading, and how they are said."""
        ways: dict[str, Way] = {}
        extra = ""
        timer = find_timer(test.check) if isinstance(self.asker, Person) else None
        if timer is not None and timer.way == "up":
            ways["t"] = self._stop_watch
            extra += "   t stop watch"
        elif timer is not None:
            ways["t"] = lambda: self._count_down(timer.stages)
            extra += f"   t timer {' + '.join(f'{each:.0f}' for each in timer.stages)} s"
        if self.pretend is not None:
            pretend = self.pretend
            ways[""] = lambda: self._pretend(pretend, test)
            extra += "   Enter: it answers"
        return ways, extra

    def _pretend(self, pretend: Pretend, test: Test) -> Reading:
        reading = pretend.answer(self.work, test.id)
        self.screen.show(lines(f"The pretend machine shows: {self.title_of(test, reading)}"))
        return reading

    def title_of(self, test: Test, reading: Reading) -> str:
        """Return a reading in short words."""
        title = test.check.reading.outcomes[reading.outcome].title
        return title if reading.number_si is None else f"{title} ({reading.text})"

    def _stop_watch(self) -> str | None:
        self.screen.show(lines("Enter starts the watch."))
        self.asker.ask()
        began = time.monotonic()
        self.screen.show(lines("Running. Enter stops it."))
        self.asker.ask()
        text = f"{time.monotonic() - began:.1f} s"
        self.screen.show(lines(f"{text}. Enter takes it; anything else asks again."))
        return text if not self.asker.ask() else None

    def _count_down(self, stages: Sequence[float]) -> None:
        self.screen.show(lines("Enter starts the timer."))
        self.asker.ask()
        for number, seconds in enumerate(stages):
            print("\r\a" if number else "\r", end="")
            for left in range(round(seconds), 0, -1):
                print(f"\r{left:3} s ", end="", flush=True)
                time.sleep(1)
        print("\r\aRead it now. ", flush=True)

    def other(self, _view: View) -> None:
        """Do any check."""
        catalogue = self.kit.catalogue
        items = list_others(catalogue, self.work)
        heading = lines("Which check?", mark="bold")
        name = Picker(self.screen, self.asker, heading, items, has_back=True).pick()
        if name is not None:
            self.perform(self.bench.of_test(catalogue.tests[catalogue.test_index[name]]))

    def remedy(self, _view: View) -> None:
        """Say that something was put right, and repeat the failed step."""
        items, found = list_remedies(self.kit.catalogue)
        heading = lines("What was put right?", mark="bold")
        name = Picker(self.screen, self.asker, heading, items, has_back=True).pick()
        if name is not None:
            self.perform(self.bench.of_remedy(found[name]))

    def undo(self, _view: View | None = None) -> None:
        """Take the last entry back."""
        if self.work.stopped:
            self.work = replace(self.work, stopped=False)
            self.keeper.event("reopened")
            return
        before = self.work.undo()
        if before == self.work or len(before.entries) < self.opening:
            self.asker.refuse("There is nothing to take back.")
            return
        self.work = before
        self.keeper.event("undone")

    def why(self, view: View) -> None:
        """Show why."""
        self.page(why_screen(view))

    def causes(self, view: View) -> None:
        """Show all causes."""
        self.page(causes_screen(view.assessment))

    def stop(self, _view: View) -> None:
        """Stop here: the machine is removed from service."""
        self.work = replace(self.work, stopped=True)

    def page(self, found: list[Line]) -> None:
        """Show lines, a screen at a time."""
        room = self.screen.height - 3
        for start in range(0, len(found), room):
            self.screen.clear()
            self.screen.show(found[start : start + room])
            if not self.asker.pause():
                return

    def end(self, view: View) -> bool:
        """Show the end; True if it was taken back."""
        self.keeper.closed(view.assessment.disposition)
        while True:
            has_more = self._show_end(view)
            text = self.asker.ask().lower()
            if text == "u":
                self.undo()
                return True
            if text == "m" and has_more:
                self.page(final_screen(view, self.keeper.place)[has_more:])
            elif text == "?":
                self.why(view)
            elif text == "c":
                self.causes(view)
            elif text in ("", "q"):
                return False
            else:
                self.asker.refuse(f"'{fit(text, 20)}' is no choice here. {END}")

    def _show_end(self, view: View) -> int:
        """Show as much of the final block as fits; returns where the rest begins, 0 for no rest."""
        found = final_screen(view, self.keeper.place)
        self.screen.clear()
        if not isinstance(self.asker, Person):
            self.screen.show(found)
            return 0
        room = count_fitting(found, self.screen.height - 3)
        rest = room if len(found) > room else 0
        self.screen.show(found[:room])
        self.screen.show(lines(MORE + END if rest else END, mark="dim"))
        return rest
