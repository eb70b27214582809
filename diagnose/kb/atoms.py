"""The atoms of knowledge files: ids, words, closed lists, and quantities that become SI at load."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field

from diagnose.errors import UnitError
from diagnose.units import to_si

Id = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
DottedId = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$")]
Port = Annotated[str, Field(pattern=r"^(\$it|[a-z][a-z0-9_]*)\.[a-z][a-z0-9_]*$")]
Words = Annotated[str, Field(min_length=3)]
Source = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*(#[A-Za-z0-9., -]+)?$")]
Zone = Literal[
    "supply",
    "dosing",
    "vapour",
    "outlet",
    "breathing",
    "ventilator",
    "scavenging",
    "monitoring",
    "power",
    "emergency",
]
ZONES: tuple[str, ...] = get_args(Zone)
Hazard = Literal["cannot_ventilate", "hypoxic_mixture", "awareness", "overdose", "barotrauma",
                 "rebreathing", "room_pollution", "wrong_gas", "delay_only"]  # fmt: skip
ElementType = Literal["passage", "leak", "valve", "relief", "store", "bag", "bulb", "feed",
                      "gauge", "cell", "cylinder", "bellows", "inlet", "pump",
                      "regulator"]  # fmt: skip
Gas = Literal["oxygen", "nitrous_oxide", "air"]
Person = Literal["user", "biomed"]
Act = Literal["close", "open", "cap", "refit", "replace", "drain", "clean", "set", "repair"]


def _quantity(kind: str) -> BeforeValidator:
    def convert(value: object) -> float:
        if isinstance(value, float):
            return value
        try:
            return to_si(str(value), kind)
        except UnitError as error:
            raise ValueError(str(error)) from error

    return BeforeValidator(convert)


Pressure = Annotated[float, _quantity("pressure")]
Flow = Annotated[float, _quantity("flow")]
Volume = Annotated[float, _quantity("volume")]
Length = Annotated[float, _quantity("length")]
Compliance = Annotated[float, _quantity("compliance")]
Fraction = Annotated[float, _quantity("fraction")]
Time = Annotated[float, _quantity("time")]
