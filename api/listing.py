"""Lists of machines, checks and causes: as tables to read, or as JSON to work with."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from api.engine import Engine
from api.errors import UnknownError
from api.show import Line, fit, wrap
from diagnose.catalogue import Catalogue, Cause, Test, words
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.schema import Check, Fault
from diagnose.language import first_capital
from diagnose.model import OTHER_ANSWERS

ID_WIDTH = 36


def to_json(data: Any) -> str:
    """Return data as JSON text that every terminal can show."""
    return json.dumps(data, indent=2)


def list_machines(engine: Engine) -> list[dict[str, Any]]:
    """Return every machine."""
    return [_describe_machine(engine, name) for name in engine.base().machines]


def _describe_machine(engine: Engine, name: str) -> dict[str, Any]:
    machine, catalogue = engine.base().machines[name], engine.catalogue(name)
    return {
        "id": name, "title": machine.title, "about": machine.about,
        "teaching": machine.teaching, "options": dict(machine.options),
        "steps": sum(t.check.kind == "step" for t in catalogue.tests),
        "checks": len(catalogue.tests), "causes": len(catalogue.causes),
    }  # fmt: skip


def show_machine(engine: Engine, name: str) -> dict[str, Any]:
    """Return all there is to say about a machine: its parts, and how they are joined."""
    circuit = engine.catalogue(name).circuit
    parts = [{"id": part, "title": circuit.title(part), "kind": kind}
             for part, kind in circuit.machine.components.items()]  # fmt: skip
    more = {"components": parts, "connections": list(circuit.machine.connections),
            "ready": dict(circuit.ready)}  # fmt: skip
    return _describe_machine(engine, name) | more


def list_sources(engine: Engine) -> list[dict[str, Any]]:
    """Return where the knowledge comes from."""
    sources = engine.base().sources.items()
    return [{"id": key, "cite": " ".join(s.cite.split()), "kind": s.kind, "seen": s.seen,
             "note": s.note} for key, s in sources]  # fmt: skip


def list_checks(engine: Engine, machine: str | None) -> list[dict[str, Any]]:
    """Return every check of a machine, or of the knowledge."""
    if machine is None:
        base = engine.base()
        return [describe_check(name, check) for name, check in base.checks.items()]
    catalogue = engine.catalogue(machine)
    return [describe_test(catalogue, test) for test in catalogue.tests]


def list_causes(engine: Engine, machine: str | None) -> list[dict[str, Any]]:
    """Return every cause of a machine, or of the knowledge."""
    if machine is None:
        return [describe_fault(name, fault) for name, fault in engine.base().faults.items()]
    catalogue = engine.catalogue(machine)
    return [describe_cause(catalogue, cause) for cause in catalogue.causes]


def describe_check(name: str, check: Check) -> dict[str, Any]:
    """Return all there is to say about a check."""
    reading = check.reading
    return {
        "id": name,
        "title": check.title,
        "kind": check.kind,
        "zone": check.zone,
        "each": check.each,
        "needs": list(check.needs),
        "set_up": dict(check.set_up),
        "isolate": dict(check.isolate),
        "procedure": [m.model_dump(exclude_none=True, by_alias=True) for m in check.procedure],
        "say": list(check.say),
        "reading": {
            "ask": reading.ask,
            "kind": "number" if reading.unit else "outcome",
            "quantity": reading.quantity,
            "unit": reading.unit,
            "at": reading.at,
        },
        "outcomes": [
            {"id": key, "title": o.title, "means": o.means, "least": o.least, "most": o.most}
            for key, o in reading.outcomes.items()
        ],
        "other_answers": list(OTHER_ANSWERS.values()),
        "limit": check.limit.model_dump() if check.limit else None,
        "minutes": check.minutes,
        "tools": list(check.tools),
        "by": check.by,
        "cautions": list(check.cautions),
        "after": list(check.after),
        "misread": check.misread,
        "sources": sorted({*check.sources, check.minutes_source, check.misread_source}),
    }


def describe_test(catalogue: Catalogue, test: Test) -> dict[str, Any]:
    """Return all there is to say about a check at one place of a machine."""
    found = describe_check(test.check_id, test.check) | {"id": test.id, "check": test.check_id}
    found["title"] = first_capital(words(catalogue, test.check.title, test.it))
    found["say"] = [words(catalogue, text, test.it) for text in test.check.say]
    found["reading"] = found["reading"] | {
        "ask": words(catalogue, found["reading"]["ask"], test.it)
    }
    for name in ("set_up", "isolate"):
        found[name] = {k.replace("$it", test.it): v for k, v in found[name].items()}
    return found


def describe_fault(name: str, fault: Fault) -> dict[str, Any]:
    """Return all there is to say about a cause."""
    return {
        "id": name,
        "title": fault.title,
        "kind": fault.kind,
        "component": fault.component,
        "hazard": fault.hazard,
        "about": fault.about,
        "per_10000": fault.how_often.per_10000,
        "per_10000_source": fault.how_often.source,
        "shows": fault.intermittent,
        "remedy": fault.remedy.model_dump(),
        "look_alikes": list(fault.look_alikes),
        "status": fault.status,
        "sources": list(fault.sources),
    }


def describe_cause(catalogue: Catalogue, cause: Cause) -> dict[str, Any]:
    """Return all there is to say about a cause in one component of a machine."""
    found = describe_fault(cause.fault_id, cause.fault)
    found |= {"id": cause.id, "fault": cause.fault_id, "component": cause.component}
    found["title"] = words(catalogue, cause.fault.title, cause.component)
    found["about"] = words(catalogue, cause.fault.about, cause.component)
    say = words(catalogue, cause.fault.remedy.say, cause.component)
    found["remedy"] = found["remedy"] | {"say": say}
    return found


def machine_lines(found: Sequence[dict[str, Any]]) -> list[Line]:
    """Return machines to read."""
    shown: list[Line] = []
    for each in found:
        shown.append(Line(fit(f"{each['id']}: {each['title']}"), "bold"))
        shown += wrap(each["about"], "   ")
        shown.append(Line(f"   {each['steps']} checkout steps, {each['checks']} checks in all, "
                          f"{each['causes']} causes"))  # fmt: skip
    return shown


def item_lines(found: Sequence[dict[str, Any]]) -> list[Line]:
    """Return checks or causes to read: id and title, by zone, with minutes where there are any."""
    width = max((len(each["id"]) for each in found), default=0)
    shown = []
    for each in found:
        own = f"{each['id']:{min(width, ID_WIDTH)}}  {first_capital(each['title'])}"
        tail = f"  {each['minutes']:g} min" if "minutes" in each else ""
        mark = {"step": "S", "isolating_test": "i", "fault": "F", "slip": "s"}[each["kind"]]
        shown.append(Line(fit(f"{mark} {own}", 80 - len(tail)) + tail))
    return shown


def detail_lines(found: dict[str, Any]) -> list[Line]:
    """Return everything about one check or cause to read."""
    shown = [Line(first_capital(found["title"]), "bold")]
    for name, value in found.items():
        if name == "title" or value in (None, "", [], {}):
            continue
        label = name.replace("_", " ")
        if isinstance(value, list):
            shown.append(Line(f"{label}:"))
            for each in value:
                shown += wrap(_say_value(each), "   - ", "     ")
        else:
            shown += wrap(_say_value(value), f"{label}: ", "   ")
    return shown


def _say_value(value: Any) -> str:
    if isinstance(value, dict):
        parts = (f"{k}: {_say_value(v)}" for k, v in value.items() if v not in (None, "", [], {}))
        return "; ".join(parts)
    if isinstance(value, list):
        return ", ".join(map(_say_value, value))
    return str(value)


def show_one(engine: Engine, name: str) -> dict[str, Any]:
    """Return one check or cause of the knowledge.

    Raises
    ------
    InputError
        Nothing has this id.
    """
    import difflib

    base: KnowledgeBase = engine.base()
    plain = name.partition("@")[0]
    if plain in base.checks:
        return describe_check(plain, base.checks[plain])
    if plain in base.faults:
        return describe_fault(plain, base.faults[plain])
    near = difflib.get_close_matches(plain, [*base.checks, *base.faults], 3, 0.5)
    do = "'tenhold checks' and 'tenhold causes' list them"
    raise UnknownError("name", f"'{name}' is neither a check nor a cause", near, do)
