"""What is known about a work-up beside its readings: tools at hand, changed parts, who works."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from api.errors import InputError
from api.intake import find_components, find_tools
from api.show import say_tool
from diagnose.catalogue import Catalogue
from diagnose.language import _, first_capital
from diagnose.model import WorkUp
from diagnose.outline import ZONE_TITLES


@dataclass(frozen=True)
class Told:
    """What was told: no tools named means that every tool is at hand."""

    tools: frozenset[str] | None
    changed: frozenset[str]
    who: Literal["user", "biomed"]


@dataclass(frozen=True)
class Tick:
    """One thing to tick."""

    key: str
    label: str
    is_on: bool


def name_tools(catalogue: Catalogue) -> list[str]:
    """Return every tool that a check of the machine uses."""
    return sorted({tool for test in catalogue.tests for tool in test.check.tools})


def list_tools(catalogue: Catalogue, work: WorkUp) -> list[Tick]:
    """Return the tools to tick; those at hand are ticked."""
    return [
        Tick(tool, first_capital(say_tool(tool)), work.tools is None or tool in work.tools)
        for tool in name_tools(catalogue)
    ]


def list_parts(catalogue: Catalogue, work: WorkUp) -> dict[str, list[Tick]]:
    """Return the parts of the machine to tick, zone by zone; changed ones are ticked."""
    circuit = catalogue.circuit
    found: dict[str, list[Tick]] = {}
    for zone, title in ZONE_TITLES.items():
        own = [name for name, kind in circuit.kinds.items() if kind.zone == zone]
        if own:
            found[_(title)] = [
                Tick(name, circuit.title(name), name in work.changed) for name in own
            ]
    return found


def read_told(catalogue: Catalogue, tools: Iterable[str], changed: Iterable[str], who: str) -> Told:
    """Return what a form tells.

    Raises
    ------
    InputError
        A tool that no check uses, a part that the machine lacks, or somebody unknown.
    """
    at_hand = find_tools(catalogue, tools)
    if who not in ("user", "biomed"):
        raise InputError("who", _("'{who}' is nobody here").format(who=who), ["user", "biomed"])
    return Told(
        None if at_hand == {*name_tools(catalogue)} else at_hand,
        find_components(catalogue, changed),
        "biomed" if who == "biomed" else "user",
    )
