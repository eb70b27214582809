"""What the knowledge says, as it leaves in JSON, and the marks by which an answer is known again.

An answer about the knowledge changes only with the knowledge, so its version is the mark (ETag):
a program that has the answer sends the mark along, and gets 304 as long as nothing has changed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Coroutine
from typing import Annotated, Any, Literal

from fastapi import Request, Response
from fastapi.routing import APIRoute
from pydantic import BaseModel, Field

from api.errors import InputError


class Plain(APIRoute):
    """A route that takes nothing it does not know."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return what answers a request."""
        own = super().get_route_handler()
        known = {each.alias for each in self.dependant.query_params}

        async def answer(request: Request) -> Response:
            refuse_unknown(request, known)
            return await own(request)

        return answer


class Known(Plain):
    """A route to knowledge: its answers carry the version, and need not be sent twice."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return what answers a request."""
        own = super().get_route_handler()

        async def answer(request: Request) -> Response:
            found = await own(request)
            mark = f'"{request.app.version}-{request.app.state.engine.base().version}"'
            found.headers["etag"] = mark
            found.headers["cache-control"] = "no-cache"  # keep it, and ask each time
            if is_known(request.headers.get("if-none-match", ""), mark):
                kept = {key: found.headers[key] for key in ("etag", "cache-control")}
                return Response(None, 304, kept)
            return found

        return answer


class Remembered(Plain):
    """A route whose answer is a value of the body alone: the same body gets the same bytes.

    The memory holds what was answered, never what was refused.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return what answers a request."""
        own = super().get_route_handler()

        async def answer(request: Request) -> Response:
            state = request.app.state
            kind = request.headers.get("content-type", "")
            asked = hashlib.sha256(await request.body()).digest()
            key = (state.engine.base().version, request.url.query, kind, asked)
            ready = state.answers.get(key)
            if ready is not None:
                return Response(ready, media_type="application/json")
            found = await own(request)
            state.answers.put(key, bytes(found.body))
            return found

        return answer


def is_known(sent: str, mark: str) -> bool:
    """Tell whether a program has the answer with this mark already.

    >>> is_known('W/"1-a", "1-b"', '"1-a"'), is_known("*", '"1-a"'), is_known("1-a", '"1-a"')
    (True, True, False)
    """
    marks = [each.strip().removeprefix("W/") for each in sent.split(",")]
    return mark in marks or marks == ["*"]


def refuse_unknown(request: Request, known: set[str]) -> None:
    """Raise InputError for a part of the query that has no meaning, or comes twice."""
    names = [name for name, _ in request.query_params.multi_items()]
    for name in names:
        if name not in known:
            raise InputError("query", f"'{name}' has no meaning here", sorted(known))
        if names.count(name) > 1:
            raise InputError("query", f"'{name}' comes more than once", do="send it once")


class MachineOut(BaseModel):
    """A build of machine."""

    id: str
    title: str
    about: str
    teaching: bool
    options: dict[str, str]
    steps: int
    checks: int
    causes: int


class ComponentOut(BaseModel):
    """One component of a machine."""

    id: str
    title: str
    kind: str


class WholeMachineOut(MachineOut):
    """A build of machine with its parts, and how the parts are joined."""

    components: list[ComponentOut]
    connections: list[str]
    ready: Annotated[dict[str, str], Field(description="positions of the ready machine")]


class AskedOut(BaseModel):
    """What is read at a check."""

    ask: str
    kind: Literal["number", "outcome"]
    quantity: str | None
    unit: str | None
    at: str | None


class SeenOut(BaseModel):
    """One of the outcomes of a check; a number belongs to it from least up to most."""

    id: str
    title: str
    means: str
    least: str | None
    most: str | None


class CheckOut(BaseModel):
    """A checkout step or isolating test, with its machine-readable set-up."""

    id: str
    check: Annotated[str, Field(description="the check of which this is one place")] = ""
    title: str
    kind: Literal["step", "isolating_test"]
    zone: str
    each: str | None
    needs: list[str]
    set_up: Annotated[dict[str, str], Field(description="component -> position")]
    isolate: Annotated[dict[str, str], Field(description="component -> what is done to it")]
    procedure: Annotated[list[dict[str, Any]], Field(description="moves, in order")]
    say: list[str]
    reading: AskedOut
    outcomes: list[SeenOut]
    other_answers: list[str]
    limit: dict[str, str] | None
    minutes: float
    tools: list[str]
    by: Literal["user", "biomed"]
    cautions: list[str]
    after: list[str]
    misread: Annotated[float, Field(description="chance of a wrong look or reading")]
    sources: list[str]


class FaultOut(BaseModel):
    """A fault or slip."""

    id: str
    fault: Annotated[str, Field(description="the cause of which this is one place")] = ""
    title: str
    kind: Literal["fault", "slip"]
    component: str
    hazard: str
    about: str
    per_10000: float
    per_10000_source: str
    shows: Annotated[float, Field(description="chance that it shows itself when looked for")]
    remedy: dict[str, Any]
    look_alikes: list[str]
    status: str
    sources: list[str]


class SourceOut(BaseModel):
    """Where something in the knowledge comes from."""

    id: str
    cite: str
    kind: str
    seen: Annotated[str, Field(description="what was really seen of it")]
    note: str
