"""How a work-up begins, from the first questions or from its record, and how it ends."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from api.ask import AnswersEndError, Asker, Item, Person, Picker, read_script
from api.clock import Clock
from api.engine import Engine
from api.errors import OK, REMOVAL, STOPPED, InputError, UseError
from api.intake import Intake, Told, find_profile
from api.show import Line, Screen, lines, safety_lines
from diagnose.errors import LogError
from diagnose.journal import Journal, Record, list_records, open_journal, read_record, resume
from diagnose.language import mark
from diagnose.model import REMOVE, WorkUp
from diagnose.outline import Outline
from diagnose.places import state_folder

if TYPE_CHECKING:
    from diagnose.catalogue import Catalogue

RECENT = timedelta(hours=24)  # older unfinished work-ups are not offered
OFFERED = 5
NEW = "new"
UNFINISHED = mark("A work-up was not finished. Go on with it?")
STOPPED_WORDS = "The machine is OUT OF SERVICE until it is shown to be safe."
NO_TERMINAL = (
    "work-up asks questions, and here nobody can answer: this is no terminal. "
    "Give the answers in a file, one a line: tenhold work-up --answers FILE (or - for the standard "
    "input). Or diagnose in one shot: tenhold rank --help."
)


@dataclass(frozen=True)
class Start:
    """A work-up at its start, with its open record and its clock."""

    work: WorkUp
    journal: Journal
    clock: Clock


def run_work_up(engine: Engine, told: Told, answers: str | None, resumed: str | None,
                exit_disposition: bool) -> int:  # fmt: skip
    """Run a work-up and return the exit code."""
    is_terminal = sys.stdin.isatty()
    if answers is None and not is_terminal:
        raise UseError(NO_TERMINAL)
    screen = Screen(clears=answers is None)
    asker: Asker = Person(screen) if answers is None else read_script(answers, screen)
    try:
        start = _begin(engine, screen, asker, told, resumed)
        return _run(engine, screen, asker, start, exit_disposition)
    except AnswersEndError:
        what = "the answers end before the failed step and its reading are known"
        raise InputError(
            str(answers), what, do="add lines, or use --failed and --reading"
        ) from None
    except KeyboardInterrupt:
        screen.show(
            [Line(), Line("Stopped. OUT OF SERVICE until it is shown to be safe.", "alarm")]
        )
        return STOPPED


def _begin(engine: Engine, screen: Screen, asker: Asker, told: Told, resumed: str | None) -> Start:
    by_wall = isinstance(asker, Person)
    records = list_records()[0] if by_wall or resumed == "last" else []
    record = None
    if resumed is not None:
        record = find_record(resumed, records)
    elif by_wall and told.machine is None and told.failed is None:
        record = _offer(engine, screen, asker, records)
    if record is not None:
        if resumed is not None:
            greet(screen, asker)
        return _go_on(engine, record, told.minutes, by_wall)
    told.last_machine = records[0].work.machine if records else ""
    intake = Intake(engine, screen, asker, told)
    work = intake.run()
    if intake.start:
        greet(screen, asker)
    clock = Clock.begin(work.minutes_left, by_wall)
    journal = open_journal(work, engine.base().version, clock.needed_at)
    return Start(work, journal, clock)


def greet(screen: Screen, asker: Asker) -> None:
    """Show the safety text where no question has shown it yet."""
    screen.clear()
    screen.show(safety_lines())
    asker.pause()


def _run(engine: Engine, screen: Screen, asker: Asker, start: Start, exit_disposition: bool) -> int:
    from api.keep import Keeper
    from api.talk import Talk

    keeper = Keeper(start.journal, asker.tell)
    try:
        kit = engine.kit(start.work.machine)
        view = Talk(screen, asker, kit, start.work, keeper, start.clock).run()
    except BaseException:
        screen.show([Line(), *(keeper.finish()[1] or _kept_lines(start.journal))])
        raise
    code, found = keeper.finish()
    screen.show(found)
    removed = view.assessment.disposition.say == REMOVE
    return code or (REMOVAL if removed and exit_disposition else OK)


def _kept_lines(journal: Journal) -> list[Line]:
    return lines(f"Kept in {journal.path}", "Go on with: tenhold work-up --resume last")


def find_record(name: str, records: list[Record]) -> Record:
    """Return a record by its id, its file, or ``last`` for the newest unfinished one.

    Raises
    ------
    InputError
        There is none.
    LogError
        It cannot be read.
    """
    if name == "last":
        open_ = [record for record in records if not record.is_closed]
        if not open_:
            raise InputError("--resume", f"no unfinished work-up lies in {state_folder()}")
        return open_[0]
    for path in (Path(name), state_folder() / name, state_folder() / f"{name}.jsonl"):
        if path.is_file():
            return read_record(path)
    what = f"no record '{name}', neither here nor in {state_folder()}"
    raise InputError("--resume", what, do="give its file, its name, or 'last'")


def _offer(engine: Engine, screen: Screen, asker: Asker, records: list[Record]) -> Record | None:
    recent = list_recent(records)
    if not recent:
        return None
    items = [Item(NEW, "Begin a new work-up")]
    items += [Item(record.name, title_record(engine.outline, record)) for record in recent]
    question = lines(UNFINISHED, mark="bold")
    heading = [*safety_lines(), *question]
    name = Picker(screen, asker, heading, items).pick()
    return next((record for record in recent if record.name == name), None)


def list_recent(records: list[Record]) -> list[Record]:
    """Return the unfinished work-ups that are offered to go on with."""
    now = datetime.now().astimezone()
    return [r for r in records if not r.is_closed and now - r.opened_at < RECENT][:OFFERED]


def title_record(outline: Outline, record: Record) -> str:
    """Return a work-up in one line: when, which step, which machine."""
    step = record.work.failed
    for profile in outline.machines:
        if profile.id == record.work.machine:
            step = {s.id: s.title for s in profile.steps}.get(step, step)
    return f"{record.opened_at:%H:%M}  {step} ({record.work.machine})"


def _go_on(engine: Engine, record: Record, minutes: float | None, by_wall: bool) -> Start:
    """Return a recorded work-up opened again, checked against the knowledge as it is now."""
    work = record.work
    find_profile(engine.outline, work.machine)
    engine.prepare(work.machine)
    check_known(engine.catalogue(work.machine), record)
    journal = resume(record)
    try:
        journal.flush()
    except LogError as error:
        if "another window" in error.what:
            raise
    now = datetime.now().astimezone()
    needed = record.needed_at if record.needed_at and record.needed_at > now else None
    clock = Clock(record.opened_at, needed, by_wall)
    if minutes is not None:
        clock = replace(clock, needed_at=now + timedelta(minutes=minutes))
    return Start(work, journal, clock)


def check_known(catalogue: Catalogue, record: Record) -> None:
    """Raise LogError if a record holds what the knowledge does not know any more."""
    for reading in record.work.readings:
        known = catalogue.test_index.get(reading.test)
        if known is None or (
            reading.is_answer and reading.outcome not in catalogue.tests[known].outcomes
        ):
            what = f"'{reading.test}: {reading.outcome}' is not in the knowledge any more"
            raise LogError(str(record.path), what, "begin a new work-up")
