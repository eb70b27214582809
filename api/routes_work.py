"""HTTP for programs: work-ups that are followed step by step, in the same records as the pages."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Path, Query, Request, Response
from pydantic import BaseModel
from pydantic.json_schema import SkipJsonSchema

from api.board import chance_parts
from api.described import BODY, LINKS, answers, errors, example
from api.desk import Desk, Standing
from api.errors import UnknownError
from api.intake import find_profile
from api.known import Plain
from api.once import Mark, Openings, write
from api.routes_json import Checked, to_picture
from api.shapes import OpeningIn, find_remedy, to_work_up
from api.standing import (
    HandoverOut,
    LengthIn,
    ListOut,
    ReadingAddedIn,
    RemedyAddedIn,
    WorkUpOut,
    to_brief,
    to_handover,
    to_work_up_out,
)
from api.tasks import may_check, may_remedy
from diagnose.errors import LogError
from diagnose.model import Remedied
from diagnose.places import state_folder
from diagnose.readings import find_test, read_answer

Key = Annotated[
    str | SkipJsonSchema[None],
    Header(
        alias="Idempotency-Key", min_length=1, max_length=100, pattern="^[!-~]+$",
        description="names this write: sent again, it is answered again and not done again",
        openapi_examples={"any text of your own": {"value": "ward3-0001"}},
    ),
]  # fmt: skip
Name = Annotated[
    str,
    Path(
        description="of the work-up, as it was answered when it was opened",
        openapi_examples={"one": {"value": "work-up-20260302-064800-1a2b"}},
    ),
]
STANDS = {200: answers("work_up", links=LINKS)}
WRITES = errors(404, 409, *BODY)

routes = APIRouter(prefix="/api/work-ups", tags=["work-ups"], route_class=Plain)


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


def to_answer(told: BaseModel, status: int = 200, **headers: str) -> Response:
    """Return what is told as an answer; written once, as it may be long."""
    return Response(told.model_dump_json(), status, headers, "application/json")


def _body(name: str) -> Any:
    return Body(openapi_examples={"one": {"value": example(name)}})


@routes.post(
    "",
    status_code=201,
    response_model=WorkUpOut,
    responses=errors(404, *BODY) | {
        201: answers("work_up", links=LINKS, description="Opened"),
        200: answers("work_up", model=WorkUpOut, links=LINKS, description="Opened before"),
    },
)  # fmt: skip
def open_work_up(
    request: Request, given: Annotated[OpeningIn, _body("opening")], key: Key = None
) -> Response:
    """Open a work-up: it is on the disk when this is answered."""
    desk = _desk(request)
    profile = find_profile(desk.engine.outline, given.machine)
    work = to_work_up(given, desk.catalogue(profile.id), profile)
    openings: Openings = request.app.state.openings
    mark = Mark.of(key, "open", given.model_dump())
    standing, is_new = openings.open(desk, work, mark)
    place = f"/api/work-ups/{standing.record.name}"
    return to_answer(to_work_up_out(standing), 201 if is_new else 200, location=place)


@routes.get("", response_model=ListOut, responses=errors(422) | {200: answers("work_ups")})
def list_work_ups(
    request: Request,
    limit: Annotated[int, Query(ge=1, le=100, description="how many, the newest first")] = 20,
) -> Response:
    """Return the newest work-ups."""
    found: list[dict[str, Any]] = []
    unreadable = []
    for path in sorted(state_folder().glob("work-up-*.jsonl"), reverse=True)[:limit]:
        try:
            found.append(to_brief(_desk(request).find(path.stem)))
        except (LogError, UnknownError):
            unreadable.append(path.stem)
    return to_answer(ListOut.model_validate({"work_ups": found, "unreadable": unreadable}))


@routes.get("/{name}", response_model=WorkUpOut, responses=errors(404, 422) | STANDS)
def read_work_up(request: Request, name: Name) -> Response:
    """Return a work-up as it stands, with its assessment."""
    return to_answer(to_work_up_out(_desk(request).read(name)))


@routes.get(
    "/{name}/handover",
    response_model=HandoverOut,
    responses=errors(404, 422) | {200: answers("handover")},
)
def hand_over(request: Request, name: Name) -> Response:
    """Return what biomed, or whoever goes on, needs to know."""
    return to_answer(to_handover(_desk(request).read(name)))


@routes.get(
    "/{name}/circuit.svg",
    response_class=Response,
    responses=errors(404, 422) | {200: {"content": {"image/svg+xml": {}}}},
)
def draw_work_up(request: Request, name: Name, check: Checked = None) -> Response:
    """Return the gas paths; likely parts are shaded, by colour, pattern and words."""
    from diagnose.draw import draw_svg

    desk = _desk(request)
    view = desk.read(name).view
    if check is not None:
        find_test(view.catalogue, check)
    version = desk.engine.base().version
    return to_picture(draw_svg(view.catalogue, version, check, chance_parts(view)))


@routes.post("/{name}/readings", response_model=WorkUpOut, responses=WRITES | STANDS)
def add_reading(
    request: Request,
    name: Name,
    given: Annotated[ReadingAddedIn, _body("reading")],
    key: Key = None,
) -> Response:
    """Add what was seen at a check, "not sure" too."""
    desk = _desk(request)
    work = desk.find(name).work
    catalogue = desk.catalogue(work.machine)
    find_test(catalogue, given.check)
    if not may_check(catalogue, work, given.check):
        raise UnknownError("check", f"'{given.check}' is done by biomed")
    reading = read_answer(catalogue, given.check, given.answer)
    return _write(
        request, name, given, key, lambda mark: desk.add(name, given.length, reading, **mark)
    )


@routes.post("/{name}/remedies", response_model=WorkUpOut, responses=WRITES | STANDS)
def add_remedy(
    request: Request,
    name: Name,
    given: Annotated[RemedyAddedIn, _body("remedy")],
    key: Key = None,
) -> Response:
    """Add that something was put right; then repeat the failed step."""
    desk = _desk(request)
    remedy = _find_remedy(desk, name, given)
    return _write(
        request, name, given, key, lambda mark: desk.add(name, given.length, remedy, **mark)
    )


def _find_remedy(desk: Desk, name: str, given: RemedyAddedIn) -> Remedied:
    """Return a remedy that whoever works may do."""
    work = desk.find(name).work
    catalogue = desk.catalogue(work.machine)
    own = find_remedy(catalogue, given.act, given.component)
    if not may_remedy(catalogue, work, own):
        raise UnknownError("remedy", f"'{given.act}' at '{given.component}' is done by biomed")
    return own


@routes.post("/{name}/undo", response_model=WorkUpOut, responses=WRITES | STANDS)
def undo(
    request: Request, name: Name, given: Annotated[LengthIn, _body("length")], key: Key = None
) -> Response:
    """Take the last entry back, or the stop."""
    desk = _desk(request)
    return _write(request, name, given, key, lambda mark: desk.undo(name, given.length, **mark))


@routes.post("/{name}/stop", response_model=WorkUpOut, responses=WRITES | STANDS)
def stop(
    request: Request, name: Name, given: Annotated[LengthIn, _body("length")], key: Key = None
) -> Response:
    """Stop here: the machine is removed from service."""
    desk = _desk(request)
    return _write(request, name, given, key, lambda mark: desk.stop(name, given.length, **mark))


def _write(
    request: Request,
    name: str,
    given: LengthIn,
    key: str | None,
    change: Callable[[dict[str, object]], None],
) -> Response:
    mark = Mark.of(key, request.url.path.rpartition("/")[2], given.model_dump())
    standing: Standing = write(_desk(request), name, given.length, mark, change)
    return to_answer(to_work_up_out(standing))
