"""The JSON that goes in and out, as strict models: a work-up in, an assessment out.

``tenhold rank --schema`` prints both as JSON Schema. Every number carries its unit in its name.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from api.errors import InputError
from api.intake import (
    find_components,
    find_step,
    find_tools,
    list_passed,
    passed_reading,
    refuse_pass,
)
from diagnose.catalogue import Catalogue
from diagnose.choices import in_ten
from diagnose.errors import CircuitError
from diagnose.model import Assessment, Choice, Entry, RankedCause, Remedied, WorkUp
from diagnose.outline import Profile
from diagnose.readings import read_answer

ML_MIN = 6e7  # 1 m3/s in mL/min
MINUTES_MOST = 24 * 60


NAME_MOST = 200  # characters
ENTRIES_MOST = 500
Name = Annotated[str, Field(min_length=1, max_length=NAME_MOST)]


def read_whole(given: Any) -> Any:
    """Return a whole number as such: in JSON 2.0 is the same number as 2.

    >>> read_whole(2.0), read_whole(2.5), read_whole("2")
    (2, 2.5, '2')
    """
    return int(given) if isinstance(given, float) and given.is_integer() else given


class Shape(BaseModel):
    """Base of all shapes: nothing unknown is taken, and nothing is guessed from another type."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class ReadingIn(Shape):
    """What was seen at one check."""

    check: Annotated[Name, Field(description="id of the check")]
    answer: Annotated[
        Name,
        Field(description="outcome id, number with unit, 'not sure' or 'could not be done'"),
    ]


class ActIn(Shape):
    """What was put right."""

    act: Annotated[Name, Field(description="close, open, cap, refit, replace, drain, clean, set")]
    component: Name


class RemedyIn(ActIn):
    """What was put right, and when."""

    after: Annotated[
        Annotated[int, Field(ge=0, le=ENTRIES_MOST), BeforeValidator(read_whole)] | None,
        Field(description="readings before it; left out: after all"),
    ] = None


class OpeningIn(Shape):
    """A failed step and everything entered since."""

    machine: Name
    failed: Annotated[Name, Field(description="id of the checkout step that failed")]
    readings: Annotated[
        list[ReadingIn],
        Field(
            min_length=1,
            max_length=ENTRIES_MOST,
            description="in order; the failed step's own reading first",
        ),
    ]
    passed: Annotated[
        list[Name],
        Field(max_length=ENTRIES_MOST, description="steps that passed before; or ['all']"),
    ] = []
    remedies: Annotated[list[RemedyIn], Field(max_length=ENTRIES_MOST)] = []
    minutes_left: Annotated[
        float | None, Field(ge=0, le=MINUTES_MOST, description="until the machine is needed")
    ] = None
    tools: Annotated[
        list[Name] | None,
        Field(max_length=ENTRIES_MOST, description="at hand; null: every tool"),
    ] = None
    who: Literal["user", "biomed"] = "user"
    changed: Annotated[
        list[Name],
        Field(
            max_length=ENTRIES_MOST,
            description="components changed since the machine last passed",
        ),
    ] = []


class WorkUpIn(OpeningIn):
    """A failed step and everything entered since, asked about in one shot."""

    stopped: Annotated[bool, Field(description="the person goes no further")] = False


class DispositionOut(Shape):
    """One of exactly two."""

    say: Literal["return to checkout", "remove from service and call biomed"]
    final: Annotated[bool, Field(description="nothing more is worth doing")]
    reason: str
    rule: str
    hazard: str
    missing: list[str]


class CauseOut(Shape):
    """A cause and how likely it is."""

    ids: list[str]
    title: str
    kind: str
    component: str
    chance: float
    chance_words: str
    leak_ml_min: Annotated[float | None, Field(description="at 30 cmH2O")]
    leak_low_ml_min: float | None
    leak_high_ml_min: float | None


class OutcomeOut(Shape):
    """What one outcome of a choice would mean."""

    outcome: str
    title: str
    chance: float
    then: str


class ChoiceOut(Shape):
    """One thing to do next."""

    kind: Literal["check", "remedy", "repeat"]
    check: str
    title: str
    say: list[str]
    minutes: float
    worth_minutes: float
    tools: list[str]
    cautions: list[str]
    remedy: RemedyIn | None
    outcomes: list[OutcomeOut]


class SaidOut(Shape):
    """A rule that spoke."""

    rule: str
    kind: str
    names: list[str]
    because: str
    matched: list[str]
    source: str


class SpeaksOut(Shape):
    """What one reading says about a cause."""

    reading: str
    says: str
    log10_factor: float


class AccountOut(Shape):
    """Why a cause ranks where it does."""

    cause: str
    title: str
    chance: float
    speaks: list[SpeaksOut]
    changes: str


class AssessmentOut(Shape):
    """Everything a diagnosis says; the disposition stands first."""

    form: Literal[1] = 1
    disposition: DispositionOut
    swap_first: bool
    machine: str
    failed: str
    knowledge_version: str
    minutes_used: float
    minutes_ahead: float
    minutes_left: float | None
    choices: list[ChoiceOut]
    ranking: list[CauseOut]
    said: list[SaidOut]
    accounts: list[AccountOut]
    suspects: list[str]
    left_out: list[str]
    advice: Annotated[list[str], Field(description="what is safe to do meanwhile")]
    cautions: list[str]


def read_json(text: str, name: str) -> WorkUpIn:
    """Return the work-up written in a JSON text.

    Raises
    ------
    InputError
        It is no JSON, or no work-up: with every problem at once.
    """
    try:
        data = json.loads(text)
    except ValueError as error:
        place = f"{name}:{getattr(error, 'lineno', 1)}"
        what = f"is not valid JSON: {getattr(error, 'msg', error)}"
        raise InputError(place, what, do="'tenhold rank --schema' shows the form") from error
    try:
        return WorkUpIn.model_validate(data)
    except ValidationError as error:
        found = [": ".join(say_detail(each)) for each in error.errors(include_url=False)]
        do = "'tenhold rank --schema' shows the form"
        raise InputError(name, "; ".join(found), do=do) from None


def say_detail(detail: Any) -> tuple[str, str]:
    """Return where a JSON has not its form, and what is wrong there."""
    place = ".".join(map(str, detail["loc"])) or "top"
    words = {"missing": "is missing", "extra_forbidden": "is not a field"}
    said = words.get(detail["type"], str(detail["msg"]))
    given = detail.get("input")
    shown = f" (given: {given!r})" if isinstance(given, str | int | float) else ""
    return place, f"{said}{shown}"


def to_work_up(given: OpeningIn, catalogue: Catalogue, profile: Profile) -> WorkUp:
    """Return the engine's work-up, every name and answer checked.

    Raises
    ------
    InputError, ReadingError, UnitError, CircuitError
        Something in it does not belong to this machine.
    """
    failed = find_step(profile, given.failed)
    steps = {step.id: step for step in profile.steps}
    readings = [read_answer(catalogue, each.check, each.answer) for each in given.readings]
    own = [reading for reading in readings if reading.test == failed]
    if not own:
        do = "add what was seen when it failed"
        raise InputError("readings", f"hold none of the failed step '{failed}'", do=do)
    refuse_pass(steps[failed], own[0])
    entries: list[Entry] = list(readings)
    late = [(len(readings) if r.after is None else r.after, r) for r in given.remedies]
    for after, each in reversed(sorted(late, key=lambda pair: pair[0])):
        if after > len(readings):
            raise InputError("remedies", f"after {after}: there are only {len(readings)} readings")
        entries.insert(after, find_remedy(catalogue, each.act, each.component))
    passed = [
        passed_reading(steps[name]) for name in list_passed(profile, steps[failed], given.passed)
    ]
    tools = None if given.tools is None else find_tools(catalogue, given.tools)
    is_stopped = isinstance(given, WorkUpIn) and given.stopped
    return WorkUp(profile.id, failed, (*passed, *entries), given.minutes_left, tools, given.who,
                  is_stopped, find_components(catalogue, given.changed))  # fmt: skip


def find_remedy(catalogue: Catalogue, act: str, component: str) -> Remedied:
    """Return a remedy that a person may do on this machine.

    Raises
    ------
    CircuitError, InputError
        No such component, or nothing is put right there by this act.
    """
    kinds, machine = catalogue.circuit.kinds, catalogue.circuit.machine_id
    if component not in kinds:
        raise CircuitError(machine, f"'{component}' is no component", sorted(kinds))
    acts = {c.fault.remedy.act for c in catalogue.causes if c.component == component}
    if act not in acts:
        raise InputError("remedies", f"'{act}' puts nothing right at '{component}'", sorted(acts))
    return Remedied(act, component)


def to_shape(assessment: Assessment) -> AssessmentOut:
    """Return an assessment as it leaves in JSON."""
    a, d = assessment, assessment.disposition
    return AssessmentOut.model_validate({
        "disposition": {
            "say": d.say, "final": d.final, "reason": d.reason, "rule": d.rule, "hazard": d.hazard,
            "missing": list(d.missing),
        },
        "swap_first": a.swap_first,
        "machine": a.machine,
        "failed": a.failed,
        "knowledge_version": a.knowledge_version,
        "minutes_used": a.minutes_used,
        "minutes_ahead": a.minutes_ahead,
        "minutes_left": a.minutes_left,
        "choices": [_choice(each) for each in a.choices],
        "ranking": [to_cause(each) for each in a.ranking],
        "said": [{
            "rule": s.rule, "kind": s.kind, "names": list(s.names), "because": s.because,
            "matched": list(s.matched), "source": s.source,
        } for s in a.said],
        "accounts": [{
            "cause": each.cause, "title": each.title, "chance": each.chance,
            "speaks": [{"reading": r, "says": w, "log10_factor": f} for r, w, f in each.speaks],
            "changes": each.changes,
        } for each in a.accounts],
        "suspects": list(a.suspects),
        "left_out": list(a.left_out),
        "advice": list(a.advice),
        "cautions": list(a.cautions),
    })  # fmt: skip


def to_cause(cause: RankedCause) -> dict[str, Any]:
    """Return a cause as it leaves in JSON."""
    low, high = cause.leak_range_si or (None, None)
    return {
        "ids": list(cause.ids), "title": cause.title, "kind": cause.kind,
        "component": cause.component, "chance": cause.chance, "chance_words": in_ten(cause.chance),
        "leak_ml_min": _ml_min(cause.leak_si), "leak_low_ml_min": _ml_min(low),
        "leak_high_ml_min": _ml_min(high),
    }  # fmt: skip


def _ml_min(flow_si: float | None) -> float | None:
    return None if flow_si is None else round(flow_si * ML_MIN, 1)


def _choice(choice: Choice) -> dict[str, Any]:
    remedy = choice.remedy and {"act": choice.remedy.act, "component": choice.remedy.component}
    return {
        "kind": choice.kind, "check": choice.test, "title": choice.title, "say": list(choice.say),
        "minutes": choice.minutes, "worth_minutes": choice.worth, "tools": list(choice.tools),
        "cautions": list(choice.cautions), "remedy": remedy or None,
        "outcomes": [{"outcome": m.outcome, "title": m.title, "chance": m.chance, "then": m.then}
                     for m in choice.means],
    }  # fmt: skip
