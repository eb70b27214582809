"""``tenhold rank``: one diagnosis in one shot, from JSON or options, to JSON or a screen."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

import typer

from api.ending import final_screen
from api.engine import Engine
from api.errors import OK, REMOVAL, InputError, UseError
from api.intake import find_profile
from api.listing import to_json
from api.screens import View, main_screen, minutes_since, missing_lines
from api.shapes import (
    AssessmentOut,
    ReadingIn,
    RemedyIn,
    WorkUpIn,
    read_json,
    to_shape,
    to_work_up,
)
from api.show import Line, Screen, safety_lines
from diagnose.model import REMOVE
from diagnose.session import diagnose


def say_schema() -> str:
    """Return the form of the JSON taken and given, as JSON Schema."""
    return to_json({"in": WorkUpIn.model_json_schema(), "out": AssessmentOut.model_json_schema()})


def read_file(name: str) -> WorkUpIn:
    """Return the work-up in a JSON file, or on the standard input for ``-``.

    Raises
    ------
    InputError
        The file cannot be read, or holds no work-up.
    """
    try:
        if name == "-":
            return read_json(sys.stdin.read(), "standard input")
        with open(name, encoding="utf-8") as file:
            return read_json(file.read(), name)
    except UnicodeDecodeError:
        raise InputError(name, "is not UTF-8 text", do="save it as UTF-8") from None
    except OSError as error:
        do = "name a JSON file, or - for the standard input"
        raise InputError(name, f"cannot be read ({error.strerror})", do=do) from error


@dataclass(frozen=True)
class Options:
    """What the options of the command line say."""

    machine: str | None
    failed: str | None
    reading: str | None
    then: list[str]
    done: list[str]
    passed: list[str] | None
    minutes: float | None
    changed: list[str]


def from_options(own: Options, tools: list[str] | None, who: Any) -> WorkUpIn:
    """Return the work-up given by options.

    Raises
    ------
    UseError
        An option is missing.
    InputError
        An option has not its form.
    """
    given = {"--machine": own.machine, "--failed": own.failed, "--reading": own.reading}
    missing = [name for name, value in given.items() if value is None]
    if missing:
        raise UseError(f"rank needs a JSON file, or {', '.join(missing)}; see tenhold rank --help")
    readings = [ReadingIn(check=str(own.failed), answer=str(own.reading))]
    for text in own.then:
        check, answer = _cut(text, "=", "--then", "CHECK=ANSWER")
        readings.append(ReadingIn(check=check, answer=answer))
    remedies = []
    for text in own.done:
        act, component = _cut(text, "@", "--done", "ACT@COMPONENT, such as close@apl_valve")
        remedies.append(RemedyIn(act=act, component=component))
    return WorkUpIn(
        machine=str(own.machine),
        failed=str(own.failed),
        readings=readings,
        passed=[] if own.passed in (None, ["none"]) else own.passed or [],
        remedies=remedies,
        minutes_left=own.minutes,
        tools=tools,
        who=who,
        changed=own.changed,
    )


def _cut(text: str, sign: str, option: str, form: str) -> tuple[str, str]:
    left, found, right = text.partition(sign)
    if not found or not left.strip() or not right.strip():
        raise InputError(option, f"'{text}' is not {form}")
    return left.strip(), right.strip()


def run_rank(engine: Engine, given: WorkUpIn, as_json: bool, exit_disposition: bool) -> int:
    """Diagnose and print; returns the exit code."""
    profile = find_profile(engine.outline, given.machine)
    catalogue = engine.catalogue(given.machine)
    work = to_work_up(given, catalogue, profile)
    assessment = diagnose(engine.kit(given.machine), work)
    if as_json:
        typer.echo(to_json(to_shape(assessment).model_dump(mode="json")))
    else:
        used = minutes_since(catalogue, work)
        view = View(assessment, catalogue, work, used, assessment.minutes_left)
        Screen().show(_lines(view))
    removed = assessment.disposition.say == REMOVE
    return REMOVAL if removed and exit_disposition else OK


def _lines(view: View) -> list[Line]:
    if view.assessment.disposition.final:
        return final_screen(view, "")
    return [*main_screen(view)[:-1], *missing_lines(view), *safety_lines()]
