"""HTTP for programs: one diagnosis in one shot, and what the knowledge holds, as JSON and SVG."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Request, Response
from pydantic.json_schema import SkipJsonSchema

from api import listing
from api.board import sum_parts
from api.described import BODY, answers, errors, example
from api.engine import Engine
from api.errors import UnknownError
from api.intake import find_profile
from api.known import (
    CheckOut,
    FaultOut,
    Known,
    MachineOut,
    Plain,
    Remembered,
    SourceOut,
    WholeMachineOut,
)
from api.shapes import AssessmentOut, WorkUpIn, to_shape, to_work_up
from diagnose.catalogue import Catalogue
from diagnose.model import WorkUp
from diagnose.readings import find_test

PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'"  # one attribute in the picture
PICTURE: dict[str, Any] = {"content": {"image/svg+xml": {}}, "description": "A picture"}
UNCHANGED: dict[str, Any] = {"description": "Not changed since the version in If-None-Match"}
LOOKED_UP = errors(404, 422) | {304: UNCHANGED}

Given = Annotated[WorkUpIn, Body(openapi_examples={"torn bag": {"value": example("asked")}})]
Machine = Annotated[str, Path(openapi_examples={"small": {"value": "small"}})]
Checked = Annotated[
    str | SkipJsonSchema[None],
    Query(
        description="a check: what it puts to the test is marked",
        openapi_examples={"hold": {"value": "breathing.hold_30"}},
    ),
]

routes = APIRouter(prefix="/api", tags=["knowledge"], route_class=Known)
diagnosing = APIRouter(prefix="/api", tags=["diagnosis"], route_class=Plain)
ranking = APIRouter(prefix="/api", tags=["diagnosis"], route_class=Remembered)


def _engine(request: Request) -> Engine:
    engine: Engine = request.app.state.engine
    return engine


@ranking.post(
    "/rank",
    response_model=AssessmentOut,
    responses=errors(404, *BODY) | {200: answers("assessment")},
)
def rank(request: Request, given: Given) -> Response:
    """Return what can be said about a failed step and the readings since; nothing is kept."""
    _, work = _read(request, given)
    shape = to_shape(_engine(request).diagnose(work))
    return Response(shape.model_dump_json(), media_type="application/json")


def _read(request: Request, given: WorkUpIn) -> tuple[Catalogue, WorkUp]:
    engine = _engine(request)
    profile = find_profile(engine.outline, given.machine)
    catalogue = engine.catalogue(profile.id)
    return catalogue, to_work_up(given, catalogue, profile)


@diagnosing.post(
    "/rank/circuit.svg",
    response_class=Response,
    responses=errors(404, *BODY) | {200: PICTURE},
)
def draw_ranking(request: Request, given: Given, check: Checked = None) -> Response:
    """Return the gas paths; likely parts are shaded, by colour, pattern and words."""
    from diagnose.draw import draw_svg

    engine = _engine(request)
    catalogue, work = _read(request, given)
    if check is not None:
        find_test(catalogue, check)
    chances = sum_parts(engine.diagnose(work))
    return to_picture(draw_svg(catalogue, engine.base().version, check, chances))


def _looked_up(name: str) -> dict[str, Any]:
    """Return how a look-up is described: only what is known of a thing is told of it."""
    return {"responses": LOOKED_UP | {200: answers(name)}, "response_model_exclude_unset": True}


@routes.get("/machines", response_model=list[MachineOut], **_looked_up("machines"))
def list_machines(request: Request) -> list[dict[str, Any]]:
    """Return every machine."""
    return listing.list_machines(_engine(request))


@routes.get("/machines/{machine}", response_model=WholeMachineOut, **_looked_up("machine"))
def show_machine(request: Request, machine: Machine) -> dict[str, Any]:
    """Return a machine with its components, and how they are joined."""
    engine = _engine(request)
    return listing.show_machine(engine, find_profile(engine.outline, machine).id)


@routes.get("/sources", response_model=list[SourceOut], **_looked_up("sources"))
def list_sources(request: Request) -> list[dict[str, Any]]:
    """Return where the knowledge comes from."""
    return listing.list_sources(_engine(request))


@routes.get("/machines/{machine}/steps", response_model=list[CheckOut], **_looked_up("checks"))
def list_steps(request: Request, machine: Machine) -> list[dict[str, Any]]:
    """Return the checkout steps of a machine."""
    return [each for each in list_checks(request, machine) if each["kind"] == "step"]


@routes.get("/machines/{machine}/checks", response_model=list[CheckOut], **_looked_up("checks"))
def list_checks(request: Request, machine: Machine) -> list[dict[str, Any]]:
    """Return the checkout steps and isolating tests of a machine."""
    engine = _engine(request)
    return listing.list_checks(engine, find_profile(engine.outline, machine).id)


@routes.get("/machines/{machine}/causes", response_model=list[FaultOut], **_looked_up("causes"))
def list_causes(request: Request, machine: Machine) -> list[dict[str, Any]]:
    """Return the faults and slips of a machine."""
    engine = _engine(request)
    return listing.list_causes(engine, find_profile(engine.outline, machine).id)


@routes.get(
    "/machines/{machine}/circuit.svg",
    response_class=Response,
    responses=LOOKED_UP | {200: PICTURE},
)
def draw_circuit(request: Request, machine: Machine, check: Checked = None) -> Response:
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


@routes.get("/checks/{name}", response_model=CheckOut, **_looked_up("check"))
def show_check(
    request: Request,
    name: Annotated[str, Path(openapi_examples={"hold": {"value": "breathing.hold_30"}})],
) -> dict[str, Any]:
    """Return all there is to say about a check."""
    return _show(request, name, ("step", "isolating_test"), "check")


@routes.get("/causes/{name}", response_model=FaultOut, **_looked_up("cause"))
def show_cause(
    request: Request,
    name: Annotated[str, Path(openapi_examples={"torn bag": {"value": "breathing.bag_torn"}})],
) -> dict[str, Any]:
    """Return all there is to say about a cause."""
    return _show(request, name, ("fault", "slip"), "cause")


def _show(request: Request, name: str, kinds: tuple[str, ...], wanted: str) -> dict[str, Any]:
    found = listing.show_one(_engine(request), name)
    if found["kind"] not in kinds:
        raise UnknownError("name", f"'{name}' is no {wanted}")
    return found
