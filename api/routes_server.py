"""HTTP for whoever runs the server: that it is there, that it can be used, and what it did."""

from __future__ import annotations

from typing import Any, Literal

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel

from api.described import answers, errors
from api.known import Plain
from api.watch import TEXT

routes = APIRouter(tags=["server"], route_class=Plain)
FIGURES: dict[str, Any] = {
    "description": "Figures in the text form of Prometheus",
    "content": {"text/plain": {"schema": {"type": "string"}, "example":
                'tenhold_requests_total{method="POST",route="/api/rank",status="200"} 12.0'}},
}  # fmt: skip


class HealthOut(BaseModel):
    """That the server runs."""

    status: Literal["running"]


class ReadyOut(BaseModel):
    """That the knowledge can be used, and its version."""

    status: Literal["ready"]
    knowledge: str


@routes.get("/health", responses=errors(422) | {200: answers("health")})
def say_health() -> HealthOut:
    """Return that the server runs."""
    return HealthOut(status="running")


@routes.get("/ready", responses=errors(422) | {200: answers("ready")})
def say_ready(request: Request) -> ReadyOut:
    """Return that the knowledge can be used, and its version; 503 if it cannot."""
    return ReadyOut(status="ready", knowledge=request.app.state.engine.base().version)


@routes.get("/metrics", response_class=Response, responses=errors(422) | {200: FIGURES})
def say_figures(request: Request) -> Response:
    """Return what the server did, for a monitor: counts and seconds, never who or what."""
    return Response(request.app.state.figures.to_text(), headers={"content-type": TEXT})
