"""How the interface is described: every error with an example, and which answer leads where."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel, Field

from api.guard import PROBLEM

FILE = Path(__file__).with_name("examples.json")
REST = "treat the machine as not shown to be safe"


class ProblemOut(BaseModel):
    """One thing that is wrong."""

    where: str
    what: str
    allowed: list[str]


class TroubleOut(BaseModel):
    """Problem details (RFC 9457) of every error."""

    status: int
    title: str
    detail: str
    problems: list[ProblemOut]


class StaleOut(TroubleOut):
    """Problem details of a write that came too late."""

    length: int = Field(description="how long the record is by now")


#: status -> title, where, what: of an error that can really come
_ERRORS = {
    400: ("Refused", "body", "the body is no JSON that can be read"),
    403: ("From elsewhere", "Origin", "it was sent from a page of somewhere else"),
    404: ("No such name", "machine", "'tall' is not known"),
    409: ("The work-up went on meanwhile", "work-up-20260302-064800-1a2b",
          "the work-up went on since; read it, then send what still holds with the new length"),
    413: ("Too long", "body", "the body is longer than 262144 bytes"),
    422: ("This cannot be used", "answer", "'22' has no unit"),
    500: ("A fault in tenhold itself", "", REST),
    503: ("The knowledge cannot be used as it is", "file:1: field", "is not known"),
}  # fmt: skip
ALWAYS = (400, 500, 503)
BODY = (403, 413, 422)


def errors(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the errors that a route can give, for its description."""
    return {status: _describe(status) for status in sorted({*ALWAYS, *statuses})}


def _describe(status: int) -> dict[str, Any]:
    title, where, what = _ERRORS[status]
    example: dict[str, Any] = {
        "status": status, "title": title, "detail": f"{where}: {what}" if where else what,
        "problems": [{"where": where, "what": what, "allowed": []}] if where else [],
    }  # fmt: skip
    model: type[TroubleOut] = TroubleOut
    if status == 409:
        model, example["length"] = StaleOut, 4
    schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
    schema["properties"]["problems"]["items"] = schema.pop("$defs")["ProblemOut"]
    return {
        "description": title,
        "content": {PROBLEM: {"schema": schema, "example": example}},
    }


MARK = "example of: "


def example(name: str) -> str:
    """Return what stands for an example until the description is written."""
    return f"{MARK}{name}"


def answers(name: str, **more: Any) -> dict[str, Any]:
    """Return an answer with its example, for the description of a route."""
    content = {"application/json": {"example": example(name)}}
    return {"description": "Done", "content": content} | more


def describe(app: FastAPI) -> dict[str, Any]:
    """Return the description of the interface, written once.

    The examples are put in last: whoever writes the rest leaves out what is null, and they hold
    real answers, cut short, in which null has a meaning.
    """
    if app.openapi_schema is None:
        plain = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        app.openapi_schema = _fill(plain, json.loads(FILE.read_text("utf-8")))
    return app.openapi_schema


def _fill(value: Any, kept: dict[str, Any]) -> Any:
    if isinstance(value, dict):
        return {key: _fill(each, kept) for key, each in value.items()}
    if isinstance(value, list):
        return [_fill(each, kept) for each in value]
    is_mark = isinstance(value, str) and value.startswith(MARK)
    return kept[value.removeprefix(MARK)] if is_mark else value


_NAMED = {"name": "$response.body#/name"}
_LENGTH = {"length": "$response.body#/length"}
_FIRST = "$response.body#/assessment/choices/0"


def _link(route: str, **body: str) -> dict[str, Any]:
    found: dict[str, Any] = {"operationId": route, "parameters": _NAMED}
    return found | ({"requestBody": body} if body else {})


#: where a work-up leads to: a program can follow these without knowing anything beforehand
LINKS = {
    "read": _link("read_work_up"),
    "handover": _link("hand_over"),
    "picture": _link("draw_work_up"),
    "reading": _link("add_reading", **_LENGTH, check=f"{_FIRST}/check",
                     answer=f"{_FIRST}/outcomes/0/outcome"),
    "not_sure": _link("add_reading", **_LENGTH, check=f"{_FIRST}/check", answer="not sure"),
    "remedy": _link("add_remedy", **_LENGTH, act="replace", component="bag"),
    "undo": _link("undo", **_LENGTH),
    "stop": _link("stop", **_LENGTH),
}  # fmt: skip
