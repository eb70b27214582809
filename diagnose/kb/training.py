"""The shape of what training rests on: stock drills, and published studies to compare with.

No diagnosis rests on these files, so changing them changes no version of the knowledge.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from diagnose.kb.atoms import Fraction, Id, Source, Words
from diagnose.kb.schema import Strict


class DrillCause(Strict):
    """One hidden cause of a drill, and how bad it is: a share of the range of its severity."""

    cause: Annotated[str, Field(pattern=r"^[a-z0-9_]+\.[a-z0-9_]+(@[a-z0-9_]+)?$")]
    severity: Fraction = 0.5


class Drill(Strict):
    """One stock drill: what is wrong with which machine, and after which kind of published case."""

    level: Annotated[int, Field(ge=1, le=5)]
    machine: Id
    causes: Annotated[list[DrillCause], Field(min_length=1, max_length=2)]
    failed: str  # the checkout step that fails
    seed: Annotated[int, Field(ge=0)]
    minutes: float | None = None  # until the machine is needed
    tools: list[Id] | None = None  # at hand; left out: every tool
    after: Words  # the kind of published case, in our words
    source: Source
    learn: Words  # what to take from it; said in the debrief


class Group(Strict):
    """People of a study, and how many of the faults set on purpose they found."""

    who: Words
    faults: Annotated[int, Field(ge=1)]  # set on the machine
    found: Annotated[float, Field(ge=0)]  # on average


class Study(Strict):
    """A published study of faults set on purpose, for comparison."""

    title: Words
    people: Annotated[int, Field(ge=1)]
    groups: Annotated[list[Group], Field(min_length=1)]
    source: Source
    note: str = ""
