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

from api import (
    form,
    routes_account,
    routes_biomed,
    routes_drill,
    routes_fleet,
    routes_follow,
    routes_group,
    routes_json,
    routes_pages,
    routes_paper,
    routes_server,
    routes_work,
)
from api.behind import TakesIn
from api.described import describe
from api.desk import Desk
from api.door import Door
from api.engine import REMEMBERED, Engine
from api.errors import InputError, Trouble, one_problem, to_trouble
from api.gate import Gate
from api.guard import PROBLEM, Guard, to_bytes
from api.languages import Speak
from api.memory import Memory
from api.once import Openings
from api.reach import Reach
from api.shapes import say_detail
from api.show import SAFETY
from api.watch import METHODS, Figures, Watch, find_template, write_log
from diagnose.errors import DiagnoseError
from diagnose.language import _, mark, spoken
from diagnose.logbook.behind import Intake

log = logging.getLogger(__name__)
HERE = Path(__file__).parent
NO_FORM = mark("Not in the form asked for")
VERSION = "1"  # of the interface: rises when the meaning of a field changes
#: status -> title, where, what: of errors that the framework finds
REFUSED = {
    400: (mark("Refused"), "body", mark("the body is no JSON that can be read")),
    404: (mark("No such address"), "address", mark("there is nothing at this address")),
    405: (mark("Not allowed"), "method", mark("this is not done here")),
}
ABOUT = f"""Finds why an anaesthesia-workstation checkout step failed, in the fewest minutes.

{" ".join(SAFETY)}

Every number has its unit in its name. Every error is a problem detail (RFC 9457)."""


def make_app(engine: Engine, reach: Reach | None = None) -> FastAPI:
    """Return the server of an engine; left out where it is reached from, this computer only."""
    reach = reach or Reach()
    app = FastAPI(
        title="Tenhold", version=VERSION, description=ABOUT, docs_url=None,
        redoc_url=None, redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
    )  # fmt: skip
    app.state.engine, app.state.desk = engine, Desk(engine)
    app.state.templates, app.state.door = _make_templates(), Door(reach.is_shared)
    add_json(app)
    pages = (routes_pages, routes_follow, routes_paper, routes_fleet, routes_biomed)
    for part in (
        *pages,
        routes_account,
        routes_group,
        routes_drill,
    ):  # 'groups' is no drill, so it stands first
        app.include_router(part.routes)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    app.add_middleware(Gate, door=app.state.door, say=say_trouble)
    app.add_middleware(Guard, say=say_trouble, names=reach.names)
    app.add_middleware(Watch, figures=app.state.figures)
    app.add_middleware(Speak, tongue=engine.tongue)
    for kind in (DiagnoseError, RequestValidationError, StarletteHTTPException, Exception):
        app.add_exception_handler(kind, say_trouble)
    return app


def add_json(app: FastAPI) -> None:
    """Add what programs ask for, and what they need beside it."""
    app.openapi = lambda: describe(app)  # type: ignore[method-assign]
    app.state.openings = Openings()
    app.state.answers = Memory(REMEMBERED)
    app.state.figures = Figures(app.state.desk.counts, VERSION)
    for each in (routes_json.ranking, routes_json.diagnosing, routes_json.routes):
        app.include_router(each)
    app.include_router(routes_work.routes)
    app.include_router(routes_server.routes)


def _make_templates() -> jinja2.Environment:
    templates = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    templates.policies["ext.i18n.trimmed"] = True
    templates.install_gettext_callables(_, _say_number, newstyle=True)  # type: ignore[attr-defined]
    return templates


def _say_number(one: str, many: str, number: int) -> str:
    return spoken().messages.ngettext(one, many, number)


def say_trouble(request: Request, error: Exception) -> Response:
    """Return any error, in words: as a page to whoever reads pages, else as problem details."""
    trouble = find_trouble(error)
    if trouble.status >= 500:
        route = find_template(request.scope)
        log.error("%s %s: %s", request.method, route, type(error).__name__, exc_info=error)
    is_page = "text/html" in request.headers.get("accept", "")
    if is_page and not request.url.path.startswith("/api/"):
        return form.show(request, "trouble", trouble.status, trouble=trouble)
    headers = getattr(error, "headers", None)
    if trouble.status == 405:
        headers = {"allow": ", ".join(list_methods(request))}
    return Response(to_bytes(trouble), trouble.status, headers, PROBLEM)


def list_methods(request: Request) -> list[str]:
    """Return what may be done at an address, whichever of its routes does it."""
    return [
        method
        for method in sorted(METHODS)
        for asked in [{**request.scope, "method": method}]
        if any(route.matches(asked)[0].name == "FULL" for route in request.app.routes)
    ]


def find_trouble(error: Exception) -> Trouble:
    """Return what is wrong, for errors of the engine and of the server alike."""
    if isinstance(error, RequestValidationError):
        found = [say_detail({**each, "loc": each["loc"][1:]}) for each in error.errors()]
        detail = "; ".join(": ".join(each) for each in found)
        problems = tuple(one_problem(*each) for each in found)
        return Trouble(422, _(NO_FORM), detail, problems)
    if isinstance(error, StarletteHTTPException):
        title, where, said = REFUSED.get(
            error.status_code, ("Refused", "request", str(error.detail))
        )
        said = _(said)
        return Trouble(error.status_code, _(title), said, (one_problem(where, said),))
    return to_trouble(error)


def run_server(
    engine: Engine, port: int, log_to: str | None = None, reach: Reach | None = None
) -> None:
    """Serve until Ctrl-C; with one line a request to a file, or to the standard error for ``-``.

    Raises
    ------
    InputError
        The port is taken, the log cannot be written, or what others would need is missing.
    LogError
        Others shall reach it, and the accounts cannot be read.
    """
    import uvicorn

    reach = (reach or Reach()).check()
    with _listen(reach.host, port) as listener:
        if log_to is not None:
            write_log(log_to)
        app, intake = make_app(engine, reach), Intake()
        intake.tell()
        app.add_middleware(TakesIn, intake=intake)
        config = uvicorn.Config(
            app, log_level="warning", server_header=False, ssl_certfile=reach.certificate,
            ssl_keyfile=reach.key, proxy_headers=reach.is_encrypted_elsewhere,
        )  # fmt: skip
        print(f"{reach.say_address(port)} until Ctrl-C", file=sys.stderr, flush=True)
        uvicorn.Server(config).run(sockets=[listener])
        intake.finish()


def _listen(host: str, port: int) -> socket.socket:
    """Return a bound socket; raises InputError if the port is taken."""
    listener = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        what = f"{port} cannot be used ({error.strerror})"
        raise InputError("--port", what, do="name another, such as 8001") from error
    return listener
