"""What pages send and how they are answered: forms, the browser's choice of units, one template."""

from __future__ import annotations

import re
from typing import Annotated, Any
from urllib.parse import parse_qs

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from api.desk import Desk
from api.errors import InputError
from api.gate import FIELD, guest_of
from api.guard import BODY_MOST
from diagnose.units import HIGH_PRESSURE, LOW_PRESSURE, Units

FIELDS = 200
POSTED = re.compile(r'<form\b[^>]*\bmethod="post"[^>]*>')
UNITS_COOKIE = "units"


class Form:
    """What a form sent: the last value of a field, or all of them."""

    def __init__(self, text: str) -> None:
        try:
            self._fields = parse_qs(text, keep_blank_values=True, max_num_fields=FIELDS)
        except ValueError as error:
            raise InputError("form", f"has more than {FIELDS} fields") from error

    def one(self, name: str) -> str:
        """Return a field; "" if it was not sent."""
        return self._fields.get(name, [""])[-1].strip()

    def raw(self, name: str) -> str:
        """Return a field with its blanks, as a password is sent; "" if it was not sent."""
        return self._fields.get(name, [""])[-1]

    def all(self, name: str) -> list[str]:
        """Return every value of a field."""
        return self._fields.get(name, [])

    @property
    def length(self) -> int:
        """How long the record was when the page was made."""
        text = self.one("length")
        if not (text.isascii() and text.isdecimal() and len(text) < 10):
            raise InputError("length", "is no number of entries; open the page again")
        return int(text)

    @property
    def answer(self) -> str:
        """The outcome tapped, or the number with its unit."""
        number, tapped = self.one("number"), self.one("answer")
        return tapped or (f"{number} {self.one('unit')}".strip() if number else "")


async def read_form(request: Request) -> Form:
    """Return the form of a request; raises InputError for another kind of body."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    body = await request.body()
    if body and kind != "application/x-www-form-urlencoded":
        raise InputError("content-type", f"'{kind}' is no form of a page")
    assert len(body) <= BODY_MOST
    return Form(body.decode("utf-8", "replace"))


Sent = Annotated[Form, Depends(read_form)]


def desk_of(request: Request) -> Desk:
    """Return what keeps the work-ups."""
    desk: Desk = request.app.state.desk
    return desk


def units_of(request: Request) -> Units:
    """Return the units that this browser has chosen; a cookie that fits nothing chooses none."""
    low, _, high = request.cookies.get(UNITS_COOKIE, "").partition(".")
    return Units(low if low in LOW_PRESSURE else "", high if high in HIGH_PRESSURE else "")


def show(request: Request, page: str, status: int = 200, /, **values: Any) -> HTMLResponse:
    """Return a page."""
    template = request.app.state.templates.get_template(f"{page}.html")
    guest = guest_of(request)
    account = guest.name if guest else ""
    html = template.render({"here": _say_here(request), "account": account, **values})
    if guest and guest.form_token:  # text that came in is escaped, so only our own forms match
        html = POSTED.sub(
            rf'\g<0><input type="hidden" name="{FIELD}" value="{guest.form_token}">', html
        )
    return HTMLResponse(html, status)


def _say_here(request: Request) -> str:
    """Return the address of the page that is shown, as it can be opened again."""
    path = request.url.path
    for deed in ("/undo", "/stop", "/remove"):  # these answer no browser that only looks
        path = path.removesuffix(deed)
    return f"{path}?{request.url.query}" if request.url.query else path


def go(path: str) -> RedirectResponse:
    """Send a browser to another page."""
    return RedirectResponse(path, 303)
