"""HTTP for biomed: what is out of service, what it really was, what a machine had, the figures."""

from __future__ import annotations

import threading
from contextlib import suppress
from datetime import datetime
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from api.biomed import list_titles, read_confirmation, show_events, show_row, title_causes
from api.booking import list_causes
from api.engine import Engine
from api.errors import UnknownError
from api.form import Form, Sent, desk_of, go, show
from api.gate import actor_of
from diagnose.errors import DiagnoseError, EntryError
from diagnose.logbook import biomed, figures, look
from diagnose.logbook.book import Book
from diagnose.logbook.intake import take_in
from diagnose.logbook.project import OPEN, QUEUED, Standing
from diagnose.logbook.rankings import JOINED, keep_ranking

routes = APIRouter(include_in_schema=False, prefix="/biomed")
_opening = threading.Lock()


def _book(request: Request, takes_in: bool = True) -> Book:
    """Return the logbook, with the records of this computer in it."""
    state = request.app.state
    with _opening:
        if getattr(state, "book", None) is None:
            state.book, state.taken = Book(), {}
        if takes_in:
            take_in(state.book, known=state.taken)
    book: Book = state.book
    return book


def _find(request: Request, name: str) -> Standing:
    own = _book(request).find(name)
    if own is None:
        raise UnknownError("work-up", f"'{name}' is not in the logbook")
    return own


@routes.get("")
def show_queue(request: Request) -> HTMLResponse:
    """Show the machines out of service."""
    engine = desk_of(request).engine
    rows = [show_row(engine, own) for own in look.list_queue(_book(request))]
    return show(request, "biomed", rows=rows)


@routes.get("/machines/{asset}")
def show_history(request: Request, asset: str) -> HTMLResponse:
    """Show what one machine had."""
    found = look.list_history(_book(request), asset)
    if not found:
        raise UnknownError("asset", f"nothing is known of '{asset}'")
    rows = [show_row(desk_of(request).engine, own) for own in found]
    return show(request, "biomed_history", asset=asset, rows=rows)


@routes.get("/figures")
def show_figures(request: Request) -> HTMLResponse:
    """Show what was wrong most often, and how often the tool was right."""
    found = figures.list_figures(_book(request))
    most = max((own["count"] for own in found["pareto"]), default=1)
    titles = list_titles(desk_of(request).engine)
    bars = [own | {"title": titles.get(own["cause"].partition("@")[0], own["cause"]),
                   "hundredths": round(100 * own["count"] / most)}
            for own in found["pareto"]]  # fmt: skip
    return show(request, "biomed_figures", found=found, bars=bars)


@routes.get("/work-ups/{name}")
def show_work_up(request: Request, name: str) -> HTMLResponse:
    """Show one work-up, and what biomed may enter."""
    return _show(request, _find(request, name))


def _show(
    request: Request, own: Standing, refused: str = "", form: Form | None = None
) -> HTMLResponse:
    engine, book = desk_of(request).engine, _book(request, False)
    _keep_ranking(engine, book, own)
    events = book.read(own.stream)
    ranked = [event.facts["last"] for event in events if event.kind == "ranked"]
    named = list(dict.fromkeys(part for name, _ in (ranked[-1] if ranked else [])
                               for part in name.split(JOINED)))  # fmt: skip
    known = title_causes(engine, own.profile)
    fields = ("by", "asset", "other", "search", "parts", "minutes", "downtime", "notes", "codes",
              "checkout_by")  # fmt: skip
    values: dict[str, Any] = {
        "ranked": [(name, known[name]) for name in named if name in known],
        "every": sorted(known.items(), key=lambda item: item[1]),
        "events": show_events(engine, own.profile, events),
        "form": {field: form.one(field) if form else "" for field in fields},
        "chosen": form.all("cause") if form else [],
        "is_out": own.state in QUEUED,
    }  # fmt: skip
    values["form"]["by"] = actor_of(request, values["form"]["by"])
    row = show_row(engine, own)
    return show(request, "biomed_work", 422 if refused else 200, own=own, row=row,
                refused=refused, **values)  # fmt: skip


def _keep_ranking(engine: Engine, book: Book, own: Standing) -> None:
    """Keep what the ranking said of an ended work-up, if the machine's kit is made by now."""
    if own.state == OPEN or own.first_cause or own.confirmed_at or not own.failed:
        return
    with suppress(DiagnoseError, KeyError, ValueError):  # the page is shown all the same
        if engine.progress(own.profile) is None:
            keep_ranking(book, engine.kit(own.profile, shows=False), own.stream)


def _enter(request: Request, name: str, form: Form, act: Any) -> Response:
    """Do what a form asks, or show the page again with what is wrong."""
    own = _find(request, name)
    try:
        act(_book(request, False), own)
    except EntryError as error:
        return _show(request, own, f"{error.field}: {error.what}; {error.do}.", form)
    return go(f"/biomed/work-ups/{quote(name)}")


@routes.post("/work-ups/{name}/hand-over")
def hand_over(request: Request, name: str, form: Sent) -> Response:
    """Note that biomed has the machine."""

    def act(book: Book, own: Standing) -> None:
        biomed.hand_over(book, own.stream, actor_of(request, form.one("by")), form.one("asset"))

    return _enter(request, name, form, act)


@routes.post("/work-ups/{name}/confirm")
def confirm(request: Request, name: str, form: Sent) -> Response:
    """Confirm what it really was."""
    engine = desk_of(request).engine

    def act(book: Book, own: Standing) -> None:
        told = read_confirmation(book, engine, own, form)
        biomed.confirm(
            book,
            own.stream,
            told,
            actor_of(request, form.one("by")),
            list_causes(engine, own.profile),
        )

    return _enter(request, name, form, act)


@routes.post("/work-ups/{name}/return")
def return_to_use(request: Request, name: str, form: Sent) -> Response:
    """Return a machine to use; the whole checkout was passed just now."""

    def act(book: Book, own: Standing) -> None:
        if form.one("passed") != "yes":
            do = "pass the whole checkout first"
            raise EntryError(own.stream, "checkout", "is not said to be passed", do)
        at = datetime.now().astimezone().isoformat(timespec="milliseconds")
        passed = biomed.Checkout(form.one("checkout_by"), at)
        biomed.return_to_use(book, own.stream, actor_of(request, form.one("by")), passed)

    return _enter(request, name, form, act)
