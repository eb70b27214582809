"""HTTP for programs: one diagnosis in one shot, and what the knowledge holds, as JSON and SVG."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Request, Response
from pydantic import BaseModel

from api import listing
from api.engine import Engine
from api.errors import UnknownError
from api.guard import PROBLEM
from api.intake import find_profile
from api.shapes import AssessmentOut, WorkUpIn, to_shape, to_work_up
from diagnose.readings import find_test

EXAMPLE = {
    "machine": "small",
    "failed": "breathing.hold_30",
    "readings": [
        {"check": "breathing.hold_30", "answer": "22 cmH2O"},
        {"check": "breathing.bag_look", "answer": "torn"},
    ],
    "minutes_left": 20,
}
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'"  # one attribute in the picture


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


def _documented(status: int, title: str, where: str, what: str) -> dict[int | str, Any]:
    """Return an error for the description of the interface."""
    example = {
        "status": status, "title": title, "detail": f"{where}: {what}",
        "problems": [{"where": where, "what": what, "allowed": []}],
    }  # fmt: skip
    schema = TroubleOut.model_json_schema(ref_template="#/components/schemas/{model}")
    schema["properties"]["problems"]["items"] = schema.pop("$defs")["ProblemOut"]
    content = {PROBLEM: {"schema": schema, "example": example}}
    return {status: {"description": title, "content": content}}


ERRORS = (
    _documented(400, "Refused", "body", "it is no JSON")
    | _documented(403, "From elsewhere", "Origin", "it was sent from a page of somewhere else")
    | _documented(404, "No such name", "machine", "'tall' is not known")
    | _documented(413, "Too long", "body", "the body is longer than 262144 bytes")
    | _documented(422, "This cannot be used", "answer", "'22' has no unit")
    | _documented(500, "A fault in tenhold itself", "", "treat the machine as not shown to be safe")
    | _documented(503, "The knowledge cannot be used as it is", "file:1: field", "is not known")
)

routes = APIRouter(prefix="/api", tags=["knowledge"], responses=ERRORS)


def _engine(request: Request) -> Engine:
    engine: Engine = request.app.state.engine
    return engine


@routes.post("/rank", tags=["diagnosis"])
def rank(
    request: Request,
    given: Annotated[WorkUpIn, Body(openapi_examples={"torn bag": {"value": EXAMPLE}})],
) -> AssessmentOut:
    """Return what can be said about a failed step and the readings since; nothing is kept."""
    engine = _engine(request)
    profile = find_profile(engine.outline, given.machine)
    work = to_work_up(given, engine.catalogue(given.machine), profile)
    return to_shape(engine.diagnose(work))


@routes.get("/machines")
def list_machines(request: Request) -> list[dict[str, Any]]:
    """Return every machine."""
    return listing.list_machines(_engine(request))


@routes.get("/machines/{machine}/steps")
def list_steps(request: Request, machine: str) -> list[dict[str, Any]]:
    """Return the checkout steps of a machine."""
    return [each for each in list_checks(request, machine) if each["kind"] == "step"]


@routes.get("/machines/{machine}/checks")
def list_checks(request: Request, machine: str) -> list[dict[str, Any]]:
    """Return the checkout steps and isolating tests of a machine."""
    engine = _engine(request)
    return listing.list_checks(engine, find_profile(engine.outline, machine).id)


@routes.get("/machines/{machine}/causes")
def list_causes(request: Request, machine: str) -> list[dict[str, Any]]:
    """Return the faults and slips of a machine."""
    engine = _engine(request)
    return listing.list_causes(engine, find_profile(engine.outline, machine).id)


@routes.get(
    "/machines/{machine}/circuit.svg",
    response_class=Response,
    responses={200: {"content": {"image/svg+xml": {}}}},
)
def draw_circuit(request: Request, machine: str, check: str | None = None) -> Response:
    """Return the gas paths of a machine; with a check, what it puts to the test."""
    from diagnose.draw import draw_svg

    engine = _engine(request)
    catalogue = engine.catalogue(find_profile(engine.outline, machine).id)
    if check is not None:
        find_test(catalogue, check)
    return to_picture(draw_svg(catalogue, engine.base().version, check))


def to_picture(svg: str) -> Response:
    """Return a picture as an answer."""
    headers = {"content-security-policy": PICTURE_POLICY}
    return Response(svg, media_type="image/svg+xml", headers=headers)


@routes.get("/checks/{name}")
def show_check(request: Request, name: str) -> dict[str, Any]:
    """Return all there is to say about a check."""
    return _show(request, name, ("step", "isolating_test"), "check")


@routes.get("/causes/{name}")
def show_cause(request: Request, name: str) -> dict[str, Any]:
    """Return all there is to say about a cause."""
    return _show(request, name, ("fault", "slip"), "cause")


def _show(request: Request, name: str, kinds: tuple[str, ...], wanted: str) -> dict[str, Any]:
    found = listing.show_one(_engine(request), name)
    if found["kind"] not in kinds:
        raise UnknownError("name", f"'{name}' is no {wanted}")
    return found
