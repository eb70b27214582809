"""HTTP for people, what is set once: the list of single machines, and the units of a browser."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from api.errors import InputError, UnknownError
from api.form import UNITS_COOKIE, Sent, desk_of, go, show, units_of
from api.languages import COOKIE
from api.routes_pages import query_of
from api.tongue import NAMES
from diagnose.errors import FleetError
from diagnose.fleet import add_owned, find_owned, read_fleet, remove_owned
from diagnose.language import _
from diagnose.units import HIGH_PRESSURE, LOW_PRESSURE

YEAR = 365 * 24 * 3600  # seconds
routes = APIRouter(include_in_schema=False)


def _titles(request: Request) -> dict[str, str]:
    return {each.id: each.title for each in desk_of(request).engine.outline.machines}


@routes.get("/fleet")
def show_fleet(request: Request) -> HTMLResponse:
    """Show the list of single machines."""
    return _show_fleet(request)


def _show_fleet(request: Request, refused: str = "", form: Sent | None = None) -> HTMLResponse:
    titles = _titles(request)
    try:
        owned = read_fleet(titles)
    except FleetError as error:
        owned, refused = (), refused or str(error)
    told = {name: form.one(name) if form else "" for name in ("asset", "profile", "place")}
    return show(request, "fleet", 422 if refused else 200, owned=owned, titles=titles,
                refused=refused, told=told)  # fmt: skip


@routes.post("/fleet")
def add_machine(request: Request, form: Sent) -> Response:
    """Put a single machine on the list."""
    try:
        add_owned(form.one("asset"), form.one("profile"), form.one("place"), _titles(request))
    except FleetError as error:
        return _show_fleet(request, str(error), form)
    return go("/fleet")


@routes.post("/fleet/{asset}/remove")
def remove_machine(request: Request, asset: str) -> Response:
    """Take a single machine off the list."""
    try:
        remove_owned(asset, _titles(request))
    except FleetError as error:
        return _show_fleet(request, str(error))
    return go("/fleet")


@routes.get("/fleet/{asset}")
def choose_owned(request: Request, asset: str) -> Response:
    """Go to the steps of a single machine: this is where its label leads; raises UnknownError."""
    own = find_owned(asset, _titles(request))
    if own is None:
        raise UnknownError(
            "asset", _("'{asset}' is not in the list of machines").format(asset=asset)
        )
    return go(f"/machines/{quote(own.profile)}{query_of(own.asset)}")


@routes.get("/units")
def ask_units(request: Request, back: str = "/") -> HTMLResponse:
    """Ask in which units pressures are read here."""
    own, back = units_of(request), _read_back(back)
    low, high = own.low or LOW_PRESSURE[0], own.high or HIGH_PRESSURE[0]
    return show(request, "units", here=back, low=low, high=high, back=back,
                lows=LOW_PRESSURE, highs=HIGH_PRESSURE,
                languages=NAMES)  # fmt: skip


@routes.post("/units")
def choose_units(request: Request, form: Sent) -> Response:
    """Keep the units in a cookie of this browser; raises InputError for another unit."""
    low, high = form.one("low"), form.one("high")
    for name, unit, known in (("low", low, LOW_PRESSURE), ("high", high, HIGH_PRESSURE)):
        if unit not in known:
            raise InputError(name, _("'{unit}' is no unit of these").format(unit=unit), known)
    answer = go(_read_back(form.one("back")))
    answer.set_cookie(UNITS_COOKIE, f"{low}.{high}", YEAR, httponly=True, samesite="strict")
    return answer


@routes.post("/language")
def choose_language(request: Request, form: Sent) -> Response:
    """Keep the language in a cookie of this browser; raises InputError for another one."""
    name = form.one("language")
    if name not in NAMES:
        what = _("'{name}' is no language of these").format(name=name)
        raise InputError("language", what, list(NAMES))
    answer = go(_read_back(form.one("back")))
    answer.set_cookie(COOKIE, name, YEAR, httponly=True, samesite="strict")
    return answer


def _read_back(path: str) -> str:
    """Return a path of this server to go back to; anything else leads to the first page."""
    is_own = path.startswith("/") and not path.startswith("//") and path.isprintable()
    return path if is_own and "\\" not in path and path.isascii() else "/"
