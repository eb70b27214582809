"""The shape of every knowledge file, as strict pydantic models.

All scalars arrive as text (the reader does not guess types). Quantities keep their unit in the text
and become SI here, once. Unknown fields are refused. A number always carries its source.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from diagnose.kb.atoms import (
    Act,
    DottedId,
    ElementType,
    Fraction,
    Gas,
    Hazard,
    Id,
    Person,
    Port,
    Source,
    Words,
    Zone,
)
from diagnose.units import to_si

#: parameter of a circuit element -> kind of quantity
PARAMETERS = {
    "drop": "pressure",  # pressure lost at 60 L/min through a passage, valve or relief
    "opening": "pressure",  # at which a valve or relief begins to open, or a bellows rises
    "recoil": "pressure",  # vacuum an empty suction bulb makes
    "pull": "pressure",  # vacuum behind a pump, a positive number
    "keeps": "pressure",  # pressure that a regulator keeps behind it
    "bore": "length",  # diameter of a hole
    "seep": "flow",  # laminar leak at 30 cmH2O: joints; the wrong way through a valve: its seat
    "flow": "flow",  # gas fed in
    "volume": "volume",  # rigid gas space
    "size": "volume",  # nominal size of a bag or bulb
    "stretch": "compliance",  # elastic wall
    "open": "fraction",  # share of the way that is open
    "gain": "fraction",  # gauge: reading / true
    "offset": "pressure",  # gauge: reading at zero
    "oxygen": "fraction",  # share of oxygen in what a feed gives; the machine says which gas it is
    "fill": "fraction",  # cylinder: gas in it / its nominal contents
    "top": "fraction",  # oxygen cell: most that it can show
    "bias": "fraction",  # oxygen cell: reading where there is no oxygen
}


class Strict(BaseModel):
    """Base of all knowledge shapes: nothing unknown, nothing changed after load."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class Sourced(Strict):
    """A number with its unit, its spread between machines, and where it comes from."""

    text: Annotated[str, Field(alias="is")]
    spread: Fraction = 0.0
    source: Source
    note: str = ""

    def si(self, parameter: str) -> float:
        """Return the value in the SI unit of ``parameter``."""
        return to_si(self.text, PARAMETERS[parameter])

    def si_time(self) -> float:
        """Return a time in seconds."""
        return to_si(self.text, "time")


Setting = Sourced | Literal["0", "1"]


class Element(Strict):
    """One piece of pneumatics inside a component."""

    type: ElementType
    at: Id | None = None
    from_: Annotated[Id | None, Field(alias="from")] = None
    to: Id | None = None
    drop: Sourced | None = None
    opening: Sourced | None = None
    recoil: Sourced | None = None
    pull: Sourced | None = None
    keeps: Sourced | None = None
    bore: Sourced | None = None
    seep: Sourced | None = None
    flow: Sourced | None = None
    volume: Sourced | None = None
    size: Sourced | None = None
    stretch: Sourced | None = None
    open: Literal["0", "1"] | None = None
    oxygen: Sourced | None = None
    fill: Sourced | None = None

    @model_validator(mode="after")
    def _ends(self) -> Element:
        two = self.type in ("passage", "valve", "relief")
        if two and not (self.from_ and self.to):
            raise ValueError(f"a {self.type} needs 'from' and 'to'; 'to: room' is the room")
        if not two and not self.at:
            raise ValueError(f"a {self.type} needs 'at'")
        for name, value in self.parameters().items():
            value.si(name)
        return self

    def parameters(self) -> dict[str, Sourced]:
        """Return the numbers given for this element, by parameter name."""
        found = {name: getattr(self, name, None) for name in PARAMETERS}
        return {name: value for name, value in found.items() if isinstance(value, Sourced)}


class Component(Strict):
    """A kind of component: its ports, its pneumatics, and the positions it can be put in."""

    title: Words
    zone: Zone
    ports: list[Id] = []
    inside: list[Id] = []
    elements: dict[Id, Element] = {}
    positions: dict[Id, dict[str, Setting]] = {}
    ready: Id | None = None
    note: str = ""


class Machine(Strict):
    """One generic build of workstation."""

    title: Words
    about: Words
    options: dict[Id, str]
    components: dict[Id, Id]
    titles: dict[Id, Words] = {}
    connections: list[str]
    ready: dict[Id, Id] = {}
    gases: dict[Id, Gas] = {}  # what a component feeds, where that is not oxygen
    teaching: bool = False


class Severity(Strict):
    """How bad a fault can be: a range, drawn uniformly or uniformly in the logarithm."""

    range: Annotated[tuple[str, str], Field(min_length=2)]
    spread: Literal["log_uniform", "uniform"] = "log_uniform"
    source: Source


class Effect(Strict):
    """One edit of the physics, out of a closed vocabulary."""

    do: Literal["leak", "block", "unseat", "feed", "stay", "misread", "empty", "shift"]
    at: Id | None = None  # element of the component
    position: Id | None = None  # for ``stay``
    part: Id | None = None  # for ``stay``: another component that the slip leaves so
    bore: Severity | None = None
    seep: Severity | None = None
    open: Severity | None = None
    flow: Severity | None = None
    gain: Severity | None = None
    offset: Severity | None = None
    bias: Severity | None = None
    fill: Severity | None = None
    top: Severity | None = None
    keeps: Severity | None = None

    @model_validator(mode="after")
    def _fits(self) -> Effect:
        wanted = {
            "leak": ("bore", "seep"),
            "block": ("open",),
            "unseat": ("seep", "bore", "open"),
            "feed": ("flow",),
            "stay": ("position",),
            "misread": ("gain", "offset", "bias", "top"),
            "empty": ("fill",),
            "shift": ("keeps",),
        }[self.do]
        if not any(getattr(self, name) for name in wanted):
            raise ValueError(f"'{self.do}' needs one of: {', '.join(wanted)}")
        if self.do != "stay" and not self.at:
            raise ValueError(f"'{self.do}' needs 'at', the element it changes")
        return self


class Seen(Strict):
    """What no equation gives: the chance of an outcome when this cause is present."""

    check: DottedId
    outcome: Id
    chance: Fraction
    source: Source
    at: Id | None = None  # only when the cause is in this component; left out: in any of its kind


class HowOften(Strict):
    """Chance that the cause is present when a checkout begins."""

    per_10000: float
    source: Source
    basis: str = ""


class Remedy(Strict):
    """What puts the cause right, and who may do it."""

    by: Person
    act: Act
    minutes: float
    say: Words
    source: Source = "judgement"
    botched: Fraction = 0.01  # chance that it was done and did not put the cause right


class Case(Strict):
    """An example that must come out: the readings given, and where the cause must rank."""

    name: Words
    machine: Id
    at: Id | None = None
    failed: str
    given: dict[str, str] = {}
    expect: Literal["first", "first_three"] = "first"


class Fault(Strict):
    """One fault or slip of a kind of component."""

    title: Words
    component: Id
    kind: Literal["fault", "slip"]
    status: Literal["draft", "reviewed", "retired"] = "draft"
    reviewed_by: str = ""
    reviewed_on: str = ""
    hazard: Hazard
    about: Words
    effect: list[Effect] = []
    intermittent: Fraction = 1.0  # chance that it shows at any one occasion
    intermittent_source: Source | None = None
    seen: list[Seen] = []
    how_often: HowOften
    remedy: Remedy
    look_alikes: list[DottedId] = []
    cases: list[Case]
    sources: list[Source] = []


class Limits(Strict):
    """Between which limits one of the signs of an outcome lies; one of them may be left out."""

    least: str | None = None
    most: str | None = None


class Band(Strict):
    """What of an outcome differs for a component that feeds another gas than oxygen."""

    title: Words
    least: str | None = None
    most: str | None = None


class Outcome(Strict):
    """One of the few things a person can see; ``means`` is the verdict of the checkout."""

    title: Words
    means: Literal["pass", "fail", "neutral"]
    least: str | None = None  # lower limit of the number, with unit
    most: str | None = None
    where: dict[Id, Limits] | None = None  # limits of the signs; the first outcome that fits
    gases: dict[Gas, Band] = {}  # where ``each`` is a component that feeds that gas

    @property
    def is_band(self) -> bool:
        """Tell whether the physics can lead to it; else it is seen instead of a number."""
        return self.least is not None or self.most is not None or self.where is not None


class Sign(Strict):
    """One number that a person judges an outcome by, without saying it."""

    quantity: Literal["pressure", "fullness"]
    at: Port
    look: Id | None = None  # at which ``look`` of the procedure; left out: at its end
    since: Id | None = None  # then it is how far the number fell since that ``look``
    unit: str
    error: Sourced


class Reading(Strict):
    """What is read: a number of the physics, one of a few outcomes, or both."""

    ask: Words
    quantity: Literal["pressure", "flow", "time", "volume", "oxygen"] | None = None
    at: Port | None = None  # component.element for what shows it; component.port for a test gauge
    when: Annotated[Literal["peak", "end"] | None, Field(description="of a breath")] = None
    unit: str | None = None
    reach: Fraction | None = None  # for ``time``: share of the store's size that counts as filled
    reach_source: Source | None = None
    error: Annotated[
        Sourced | None, Field(description="reader's error, one standard deviation")
    ] = None
    signs: dict[Id, Sign] = {}  # what the outcome is judged by, where that is no one number
    outcomes: dict[Id, Outcome]
    otherwise: dict[Id, Fraction] = {}  # chances when nothing here is wrong (observations)
    otherwise_source: Source | None = None

    @property
    def ports(self) -> list[str]:
        """Where it is read: of a number at one place, of signs at several."""
        return [self.at] if self.at else list(dict.fromkeys(s.at for s in self.signs.values()))


class Move(Strict):
    """One move of a procedure, in order; exactly one of set, fill, ..., breathe, wait, look."""

    set_: Annotated[dict[str, str] | None, Field(alias="set")] = None
    fill: Annotated[Port | None, Field(description="top up here until the gauge shows 'to'")] = None
    feed: Port | None = None
    squeeze: Annotated[Port | None, Field(description="a suction bulb, squeezed until flat")] = None
    hold: Annotated[Port | None, Field(description="keep this port at pressure 'to'")] = None
    breathe: Annotated[Port | None, Field(description="a ventilator, breathing in here")] = None
    look: Id | None = None
    to: Sourced | None = None
    flow: Sourced | None = None
    wait: Sourced | None = None
    volume: Sourced | None = None
    inspiration: Sourced | None = None
    expiration: Sourced | None = None
    breaths: Annotated[int, Field(ge=1, le=10)] | None = None

    @property
    def port(self) -> str | None:
        """Where the move is made."""
        return self.fill or self.feed or self.squeeze or self.hold or self.breathe


class Limit(Strict):
    """The pass limit, in words and as a number, with its source."""

    say: Words
    source: Source
    smallest: str = ""


class Check(Strict):
    """One checkout step or isolating test."""

    title: Words
    kind: Literal["step", "isolating_test"]
    zone: Zone
    each: Id | None = None  # one instance per component of this kind; ``$it`` names it
    needs: list[str] = []  # options of the machine, ``name``, ``name=value`` or ``name=a|b``
    set_up: dict[str, str] = {}
    isolate: dict[str, str] = {}  # deliberate acts that beat a slip, ``known_good`` swaps a part
    procedure: list[Move] = []
    say: list[Words]
    reading: Reading
    limit: Limit | None = None
    minutes: float
    minutes_source: Source
    tools: list[Id] = []
    by: Person = "user"
    cautions: list[Words] = []
    after: list[DottedId] = []
    misread: Fraction
    misread_source: Source
    sources: list[Source] = []


class Citation(Strict):
    """One entry of the bibliography."""

    cite: Words
    kind: Literal["published", "standard", "guideline", "common_practice", "memory", "judgement"]
    seen: Literal["text", "abstract", "extract", "memory", "own"]
    note: str = ""


class RuleShape(Strict):
    """One rule as written; its meaning is checked by ``diagnose.rules``."""

    id: DottedId
    when: list[dict[str, Any]]
    unless: list[dict[str, Any]] = []
    conclude: dict[str, Any]
    because: Words
    source: Source
