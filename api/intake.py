"""The first questions of a work-up: which machine, which step failed, what was seen, what passed."""

from __future__ import annotations

from dataclasses import dataclass, field

from api.ask import Asker, Item, Picker, parse_numbers
from api.engine import Engine
from api.errors import InputError
from api.screens import question_lines
from api.show import Line, Screen, fit, lines, safety_lines
from diagnose.errors import DiagnoseError, ReadingError, UnitError
from diagnose.model import OTHER_ANSWERS, Reading, WorkUp
from diagnose.outline import Profile, Step
from diagnose.readings import read_answer, verdict

BACK = "b"


@dataclass
class Told:
    """What is known at the start; None is asked for."""

    machine: str | None = None
    failed: str | None = None
    reading: str | None = None
    passed: list[str] | None = None
    minutes: float | None = None
    tools: frozenset[str] | None = None
    who: str = "user"
    last_machine: str = ""
    asks_minutes: bool = field(default=True)


class Intake:
    """Asks what is not told yet and returns the work-up that begins there."""

    def __init__(self, engine: Engine, screen: Screen, asker: Asker, told: Told) -> None:
        self.engine, self.screen, self.asker, self.told = engine, screen, asker, told
