"""The server: JSON for programs and pages for people, from one process on this computer."""

from __future__ import annotations

import logging
import socket
import sys
from pathlib import Path

import jinja2
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError, StarletteHTTPException
from fastapi.staticfiles import StaticFiles

from api import routes_drill, routes_group, routes_json, routes_pages
from api.desk import Desk
from api.engine import Engine
from api.errors import InputError, Trouble, one_problem, to_trouble
from api.guard import PROBLEM, Guard, to_bytes
from api.screens import STANDING
from api.shapes import say_detail
from api.show import SAFETY
from diagnose.errors import DiagnoseError

log = logging.getLogger(__name__)
HERE = Path(__file__).parent
VERSION = "1"  # of the interface: rises when the meaning of a field changes
ABOUT = f"""Finds why an anaesthesia-workstation checkout step failed, in the fewest minutes.

{" ".join(SAFETY)}

Every number has its unit in its name. Every error is a problem detail (RFC 9457)."""


def make_app(engine: Engine) -> FastAPI:
    """Return the server of an engine."""
    app = FastAPI(
        title="Tenhold", version=VERSION, description=ABOUT, docs_url=None,
        redoc_url=None,
    )  # fmt: skip
    app.state.engine, app.state.desk = engine, Desk(engine)
    app.state.templates = _make_templates()
    app.include_router(routes_json.routes)
    app.include_router(routes_pages.routes)
    app.include_router(routes_group.routes)  # before the drills: 'groups' is no drill
    app.include_router(routes_drill.routes)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    app.add_api_route("/health", say_health, tags=["server"])
    app.add_api_route("/ready", say_ready, tags=["server"])
    app.add_middleware(Guard)
    for kind in (DiagnoseError, RequestValidationError, StarletteHTTPException, Exception):
        app.add_exception_handler(kind, say_trouble)
    return app


def _make_templates() -> jinja2.Environment:
    templates = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.globals |= {"safety": SAFETY, "standing": STANDING}
    return templates


def say_health() -> dict[str, str]:
    """Return that the server runs."""
    return {"status": "running"}


def say_ready(request: Request) -> dict[str, str]:
    """Return that the knowledge can be used, and its version; 503 if it cannot."""
    return {"status": "ready", "knowledge": request.app.state.engine.base().version}


def say_trouble(request: Request, error: Exception) -> Response:
    """Return any error, in words: as a page to whoever reads pages, else as problem details."""
    trouble = find_trouble(error)
    if trouble.status >= 500:
        log.error("%s %s: %s", request.method, request.url.path, trouble.detail, exc_info=error)
    is_page = "text/html" in request.headers.get("accept", "")
    if is_page and not request.url.path.startswith("/api/"):
        return routes_pages.show(request, "trouble", trouble.status, trouble=trouble)
    headers = getattr(error, "headers", None)
    return Response(to_bytes(trouble), trouble.status, headers, PROBLEM)


def find_trouble(error: Exception) -> Trouble:
    """Return what is wrong, for errors of the engine and of the server alike."""
    if isinstance(error, RequestValidationError):
        found = [say_detail({**each, "loc": each["loc"][1:]}) for each in error.errors()]
        detail = "; ".join(": ".join(each) for each in found)
        problems = tuple(one_problem(*each) for each in found)
        return Trouble(422, "This cannot be used", detail, problems)
    if isinstance(error, StarletteHTTPException):
        what = {404: "there is nothing at this address", 405: "this is not done here"}
        said = what.get(error.status_code, str(error.detail))
        title = {404: "No such address", 405: "Not allowed"}.get(error.status_code, "Refused")
        return Trouble(error.status_code, title, said, (one_problem("address", said),))
    return to_trouble(error)


def run_server(engine: Engine, port: int) -> None:
    """Serve until Ctrl-C.

    Raises
    ------
    InputError
        The port is taken.
    """
    import uvicorn

    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", port))
        except OSError as error:
            what = f"{port} cannot be used ({error.strerror})"
            raise InputError("--port", what, do="name another, such as 8001") from error
        config = uvicorn.Config(make_app(engine), log_level="warning", server_header=False)
        print(f"http://127.0.0.1:{port} until Ctrl-C", file=sys.stderr, flush=True)
        uvicorn.Server(config).run(sockets=[listener])
