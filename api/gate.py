"""The one place where it is decided whether a request may go on: who sent it, in which role.

It stands before everything that answers, so that nothing is read, remembered or looked up for
somebody who may not have it. Inside it every line that is written names who is signed in.
"""

from __future__ import annotations

from hmac import compare_digest
from typing import Any
from urllib.parse import parse_qs, urlencode

from fastapi import Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse

from api.access import ANYBODY, TABLE, find_name, may, walk
from api.door import Door, Guest
from api.errors import RoleError, SignInError
from api.guard import App, Message, Receive, Say, Send, replay
from diagnose.errors import DiagnoseError
from diagnose.journal import ACTOR

LOOKS = ("GET", "HEAD")
BEARER = "bearer "
NOBODY = "nobody is signed in, or the session is at its end; what was sent was not taken"
NO_TOKEN = "it came without the mark of a page of this server; open the page again"
FIELD = "form_token"


class Gate:
    """Lets a request on, sends a person to the page to sign in, or refuses."""

    def __init__(self, app: App, door: Door, say: Say) -> None:
        self.app, self.door, self.say = app, door, say
        self._routes: list[Any] = []

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing else is served
        door = self.door
        needed = door.is_needed() if door.is_known else await run_in_threadpool(door.is_needed)
        if not needed:
            await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        try:
            guest, receive = await self._let_in(request, receive)
        except DiagnoseError as error:
            await self._refuse(request, error)(scope, receive, send)
            return
        token = ACTOR.set(guest.name if guest else "")
        try:
            await self.app(scope, receive, send)
        finally:
            ACTOR.reset(token)

    async def _let_in(self, request: Request, receive: Receive) -> tuple[Guest | None, Receive]:
        """Return who may go on, and the body again; raises SignInError, RoleError or LogError."""
        if not self._routes:
            self._routes = list(walk(request.app.routes))
        name = find_name(self._routes, request.scope)
        guest = await self._find_guest(request, TABLE.get(name) == ANYBODY)
        request.state.guest = guest  # a page that refuses names whoever is signed in, too
        if TABLE.get(name) == ANYBODY:
            return guest, receive
        if guest is None:
            raise SignInError("sign-in", NOBODY)
        if name and not may(name, guest.role):  # without a name it is a 404 or 405
            allowed = sorted(TABLE.get(name, ()))
            raise RoleError("role", f"'{guest.role}' may not do this", allowed)
        if request.method in LOOKS or not guest.form_token:
            return guest, receive
        return guest, await _check_form(request, guest, receive)

    async def _find_guest(self, request: Request, is_open: bool) -> Guest | None:
        """Return who sent a request; a token, where there is one, and never a cookie beside it."""
        sent = request.headers.get("authorization", "")
        secret = request.cookies.get(self.door.cookie, "")
        bearer = sent[len(BEARER) :].strip() if sent.lower().startswith(BEARER) else ""
        if (sent and not bearer) or not (bearer or secret):
            return None
        try:
            return await run_in_threadpool(self.door.find, "" if bearer else secret, bearer)
        except DiagnoseError:
            if is_open:  # whether it runs is told all the same
                return None
            raise

    def _refuse(self, request: Request, error: DiagnoseError) -> Response:
        """Return what is answered: to a person who only looks, the page to sign in."""
        is_page = "text/html" in request.headers.get("accept", "")
        is_page = is_page and not request.url.path.startswith("/api/")
        if isinstance(error, SignInError) and is_page:
            return RedirectResponse(
                f"/sign-in?{urlencode({'next': self._find_next(request)})}", 303
            )
        return self.say(request, error)

    def _find_next(self, request: Request) -> str:
        """Return the page to go on with: the one asked for, or the one that a form stood on."""
        path, query = request.url.path, request.url.query
        if request.method in LOOKS:
            return f"{path}?{query}" if query else path
        for deed in ("/undo", "/stop", "/remove", "/hand-over", "/confirm", "/return"):
            path = path.removesuffix(deed)
        looked = {**request.scope, "method": "GET", "path": path}
        return f"{path}?lost=yes" if find_name(self._routes, looked) else "/"


async def _check_form(request: Request, guest: Guest, receive: Receive) -> Receive:
    """Return the body again; raises RoleError for a form that may come from somewhere else.

    The guard has refused every other Origin already. Without one, the form must carry what only a
    page of this session holds.
    """
    if "origin" in request.headers:
        return receive
    body = await request.body()
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    found = ""
    if kind == "application/x-www-form-urlencoded":
        text = body.decode("utf-8", "replace")
        found = parse_qs(text).get(FIELD, [""])[-1]
    if not compare_digest(found.encode(), guest.form_token.encode()):
        raise RoleError("form", NO_TOKEN)
    return replay(body, receive)


def guest_of(request: Request) -> Guest | None:
    """Return who is signed in; None where nobody signs in."""
    found: Guest | None = getattr(request.state, "guest", None)
    return found


def actor_of(request: Request, typed: str) -> str:
    """Return who enters something: the account that is signed in, else what was typed."""
    guest = guest_of(request)
    return guest.name if guest else typed
