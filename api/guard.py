"""What every request must keep to, and what every answer carries, whoever serves it.

Only names that belong here are answered, those of this computer unless others were told at the
start: a page of somewhere else that points its name here gets nothing, and cannot send a form.
Bodies are read whole and have a limit.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from typing import Any
from urllib.parse import urlsplit

from fastapi import Request, Response

from api.errors import Trouble, one_problem

BODY_MOST = 256 * 1024  # bytes
HOSTS = {"127.0.0.1", "localhost"}
PROBLEM = "application/problem+json"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]
Say = Callable[[Request, Exception], Response]


def to_bytes(trouble: Trouble) -> bytes:
    """Return problem details as JSON; plain ASCII, so that any text that came in can go out."""
    told: dict[str, object] = {
        "status": trouble.status, "title": trouble.title, "detail": trouble.detail,
        "problems": list(trouble.problems),
    }  # fmt: skip
    if trouble.length is not None:
        told["length"] = trouble.length
    return json.dumps(told).encode()


class Guard:
    """Refuses what is too long or comes from elsewhere; adds the headers; answers every fault."""

    def __init__(self, app: App, say: Say, names: Collection[str] = ()) -> None:
        self.app, self.say = app, say
        self.hosts = {*HOSTS, *names}

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {key.decode("latin-1"): value.decode("latin-1") for key, value in
                   scope["headers"]}  # fmt: skip

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = _with_own(message.get("headers", []))
            await send(message)

        trouble = find_stranger(scope["method"], headers, self.hosts)
        body = b"" if trouble else await _read_body(headers, receive)
        if trouble is None and body is None:
            what = f"the body is longer than {BODY_MOST} bytes"
            trouble = Trouble(413, "Too long", f"{what}; send less", (one_problem("body", what),))
        if trouble is not None:
            await _refuse(trouble, send_guarded)
            return
        await self._serve(scope, replay(body or b"", receive), send_guarded)

    async def _serve(self, scope: Message, receive: Receive, send: Send) -> None:
        """Serve; a fault of our own is answered like anything else, with every header."""
        is_started = False

        async def send_noted(message: Message) -> None:
            nonlocal is_started
            is_started = True
            await send(message)

        try:
            await self.app(scope, receive, send_noted)
        except Exception as error:
            if is_started:
                raise
            await self.say(Request(scope), error)(scope, receive, send)


def find_stranger(
    method: str, headers: dict[str, str], hosts: Collection[str] = frozenset(HOSTS)
) -> Trouble | None:
    """Return what is wrong with where a request comes from; None if nothing is.

    >>> find_stranger("GET", {"host": "127.0.0.1:8000"}) is None
    True
    """
    host = headers.get("host", "")
    if _read_address(f"//{host}")[0] not in hosts:
        what = f"'{host}' is not served here"
        allowed = sorted(hosts)
        detail = f"{what}; allowed: {', '.join(allowed)}"
        return Trouble(400, "Not this host", detail, (one_problem("Host", what, allowed),))
    origin = headers.get("origin")
    is_own = origin is None or _read_address(origin)[1] == host
    if method != "GET" and (
        not is_own or headers.get("sec-fetch-site", "none") not in ("same-origin", "none")
    ):
        what = "it was sent from a page of somewhere else"
        detail = f"{what}; send it from a page of this server"
        return Trouble(403, "From elsewhere", detail, (one_problem("Origin", what),))
    return None


def _read_address(text: str) -> tuple[str, str]:
    """Return host, and host with port, of an address; "" for one that cannot be read."""
    try:
        parts = urlsplit(text)
        return parts.hostname or "", parts.netloc
    except ValueError:
        return "", ""


def _with_own(found: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    have = {key.lower() for key, _ in found}
    own = HEADERS | {"cache-control": "no-store"}
    more = [(key.encode(), value.encode()) for key, value in own.items()]
    return [*found, *(pair for pair in more if pair[0] not in have)]


async def _read_body(headers: dict[str, str], receive: Receive) -> bytes | None:
    """Return the whole body; None if it is too long."""
    length = headers.get("content-length", "0")
    if length.isdecimal() and int(length[:20]) > BODY_MOST:
        return None
    body, has_more = b"", True
    while has_more:
        message = await receive()
        body += message.get("body", b"")
        has_more = message.get("more_body", False)
        if len(body) > BODY_MOST:
            return None
    return body


def replay(body: bytes, receive: Receive) -> Receive:
    """Return what gives a body again that was read."""
    parts = [{"type": "http.request", "body": body, "more_body": False}]

    async def replayed() -> Message:
        return parts.pop() if parts else await receive()

    return replayed


async def _refuse(trouble: Trouble, send: Send) -> None:
    body = to_bytes(trouble)
    headers = [(b"content-type", PROBLEM.encode()), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": trouble.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
