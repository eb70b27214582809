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
from api.languages import mark_english, say_time
from api.screens import STANDING
from api.show import SAFETY
from diagnose.language import _, spoken
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
            raise InputError(
                "form", _("has more than {number} fields").format(number=FIELDS)
            ) from error

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
            raise InputError("length", _("is no number of entries; open the page again"))
        return int(text)

    @property
    def answer(self) -> str:
        """The outcome tapped, or the number with its unit."""
        number, tapped = read_decimal(self.one("number")), self.one("answer")
        return tapped or (f"{number} {self.one('unit')}".strip() if number else "")


def read_decimal(text: str) -> str:
    """Return a number as it is entered, its decimal comma as a point where commas are written.

    Raises
    ------
    InputError
        It can be read in two ways: 1.500 is one and a half to some and more than a thousand to
        others, and so is 1,500.
    """
    if spoken().decimal != ",":
        return text
    if re.fullmatch(r"[+-]?\d{1,3}([.,]\d{3})+", text) and not text.lstrip("+-").startswith("0"):
        what = _("'{number}' can be read in two ways; write it without a sign between thousands")
        raise InputError("number", what.format(number=text))
    return text.replace(",", ".") if text.count(",") == 1 else text


async def read_form(request: Request) -> Form:
    """Return the form of a request; raises InputError for another kind of body."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    body = await request.body()
    if body and kind != "application/x-www-form-urlencoded":
        raise InputError("content-type", _("'{kind}' is no form of a page").format(kind=kind))
    assert len(body) <= BODY_MOST
    return Form(body.decode("utf-8", "replace"))


Sent = Annotated[Form, Depends(read_form)]


def desk_of(request: Request) -> Desk:
    """Return what keeps the work-ups."""
    desk: Desk = request.app.state.desk
    return desk


def units_of(request: Request) -> Units:
    """Return the units that this browser has chosen; a cookie that fits nothing chooses none."""
    low, _dot, high = request.cookies.get(UNITS_COOKIE, "").partition(".")
    return Units(low if low in LOW_PRESSURE else "", high if high in HIGH_PRESSURE else "")


def show(request: Request, page: str, status: int = 200, /, **values: Any) -> HTMLResponse:
    """Return a page."""
    own = spoken()
    template = request.app.state.templates.get_template(f"{page}.html")
    guest = guest_of(request)
    usual = {
        "here": _say_here(request), "language": own.name, "safety": [_(text) for text in SAFETY],
        "standing": _(STANDING), "say_time": say_time, "account": guest.name if guest else "",
    }  # fmt: skip
    text = template.render({**usual, **values})
    if guest and guest.form_token:  # text that came in is escaped, so only our own forms match
        own_field = f'<input type="hidden" name="{FIELD}" value="{guest.form_token}">'
        text = POSTED.sub(rf"\g<0>{own_field}", text)
    headers = {"content-language": own.name}
    return HTMLResponse(text if own.is_english else mark_english(text), status, headers)


def _say_here(request: Request) -> str:
    """Return the address of the page that is shown, as it can be opened again."""
    path = request.url.path
    for deed in ("/undo", "/stop", "/remove"):  # these answer no browser that only looks
        path = path.removesuffix(deed)
    return f"{path}?{request.url.query}" if request.url.query else path


def go(path: str) -> RedirectResponse:
    """Send a browser to another page."""
    return RedirectResponse(path, 303)
