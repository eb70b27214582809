"""HTTP for people, the work-up itself: what to do next, what was seen, its end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from api import board, telling
from api.ask import has_words
from api.desk import Standing
from api.errors import REFUSED, StaleError, UnknownError
from api.form import Form, Sent, desk_of, go, show, units_of
from api.intake import find_profile
from api.question import from_test, say_refused
from api.routes_pages import read_reading
from api.screens import Task, say_entry
from api.shapes import find_remedy
from api.tasks import Bench, list_others, list_remedies, may_check, may_remedy
from diagnose.catalogue import Test
from diagnose.language import _, first_capital
from diagnose.model import Remedied
from diagnose.readings import find_test

routes = APIRouter(include_in_schema=False, prefix="/work-ups/{name}")


def read_standing(request: Request, name: str) -> Standing:
    """Return a work-up as it stands, its pressures in the units of this browser."""
    standing = desk_of(request).read(name)
    return replace(standing, view=replace(standing.view, units=units_of(request)))


@routes.get("")
def show_work_up(request: Request, name: str) -> HTMLResponse:
    """Show a work-up as it stands: what to do next, or its end."""
    return _show_standing(request, name)


def _show_standing(request: Request, name: str, notice: str = "") -> HTMLResponse:
    desk = desk_of(request)
    record = desk.find(name)
    progress = desk.engine.progress(record.work.machine)
    if progress is not None:
        return show(request, "wait", done=progress[0], all=progress[1])
    standing = read_standing(request, name)
    view = standing.view
    common = {
        "name": name, "length": standing.record.length, "notice": notice,
        "failed": board.say_failed(view), "machine": board.say_machine(view),
    }  # fmt: skip
    status = 409 if notice else 200
    if view.assessment.disposition.final:
        return show(request, "end", status, **common, **board.show_end(standing))
    return show(request, "work", status, **common, **board.show_work(standing),
                picture=board.draw_likely(view, desk.engine.base().version))  # fmt: skip


def _find_check(bench: Bench, name: str) -> Test:
    """Return a check that whoever works may do; raises ReadingError or UnknownError."""
    test = find_test(bench.catalogue, name)
    if not may_check(bench.catalogue, bench.work, name):
        raise UnknownError("check", _("'{name}' is done by biomed").format(name=name))
    return test


def _find_remedy(bench: Bench, name: str) -> Remedied:
    """Return a remedy that whoever works may do.

    Raises
    ------
    CircuitError, InputError
        Nothing is put right by it, or only biomed may do it.
    """
    act, _at, component = name.partition("@")
    own = find_remedy(bench.catalogue, act, component)
    if not may_remedy(bench.catalogue, bench.work, own):
        raise UnknownError("remedy", _("'{name}' is done by biomed").format(name=name))
    return own


@routes.get("/do/{test}")
def show_check(request: Request, name: str, test: str) -> HTMLResponse:
    """Show how a check is done, and ask what was seen."""
    standing = desk_of(request).read(name)
    task = standing.bench.of_test(_find_check(standing.bench, test))
    return _show_task(request, name, standing.record.length, task)


def _show_task(
    request: Request, name: str, length: int, task: Task, refused: str = "",
    form: Form | None = None,
) -> HTMLResponse:  # fmt: skip
    form = form or Form("")
    catalogue = desk_of(request).catalogue(desk_of(request).find(name).work.machine)
    asked = board.ask(from_test(catalogue, task.test), units_of(request))
    return show(
        request, "task", 422 if refused else 200, name=name, length=length,
        asked=asked, number=form.one("number"), unit=form.one("unit"), refused=refused,
        is_remedy=task.remedy is not None, **board.say_task(task),
    )  # fmt: skip


@routes.post("/do/{test}")
def add_reading(request: Request, name: str, test: str, form: Sent) -> Response:
    """Take a reading."""
    desk = desk_of(request)
    record = desk.find(name)
    profile = find_profile(desk.engine.outline, record.work.machine)
    bench = desk.read(name).bench
    own = _find_check(bench, test)
    try:
        reading = read_reading(request, test, form, profile)
    except REFUSED as error:
        task = bench.of_test(own)
        return _show_task(request, name, form.length, task, say_refused(error), form)
    try:
        desk.add(name, form.length, reading)
    except StaleError as error:
        said = say_entry(desk.catalogue(record.work.machine), reading, units_of(request))
        return _show_newer(request, error, said)
    return go(f"/work-ups/{name}")


def _show_newer(request: Request, error: StaleError, entered: str) -> HTMLResponse:
    lost = _("Not taken: {entry}.").format(entry=entered) if entered else ""
    return _show_standing(request, error.name, f"{first_capital(error.what)}. {lost}".rstrip())


@routes.get("/put-right/{remedy}")
def show_remedy(request: Request, name: str, remedy: str) -> HTMLResponse:
    """Show how something is put right."""
    standing = desk_of(request).read(name)
    own = _find_remedy(standing.bench, remedy)
    return _show_task(request, name, standing.record.length, standing.bench.of_remedy(own))


@routes.post("/put-right/{remedy}")
def add_remedy(request: Request, name: str, remedy: str, form: Sent) -> Response:
    """Take that something was put right, then ask for the failed step again."""
    desk = desk_of(request)
    work = desk.find(name).work
    own = _find_remedy(desk.read(name).bench, remedy)
    try:
        desk.add(name, form.length, own)
    except StaleError as error:
        return _show_newer(request, error, "")
    return go(f"/work-ups/{name}/do/{quote(work.failed)}")


@routes.get("/checks")
def choose_other(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Show every check that may be done."""
    view = desk_of(request).read(name).view
    found = [item for item in list_others(view.catalogue, view.work) if has_words(item, search)]
    return show(request, "choose", name=name, title=_("Which check?"), below="do", search=search,
                groups=board.group(found), page="checks")  # fmt: skip


@routes.get("/remedies")
def choose_remedy(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Show everything that may be put right."""
    items, _found = list_remedies(desk_of(request).read(name).view.catalogue)
    found = [item for item in items if has_words(item, search)]
    return show(request, "choose", name=name, title=_("What was put right?"), below="put-right",
                search=search, groups=board.group(found), page="remedies")  # fmt: skip


@routes.get("/told")
def ask_told(request: Request, name: str) -> HTMLResponse:
    """Ask which tools are at hand, what was changed, and who works."""
    standing = desk_of(request).read(name)
    catalogue, work = standing.view.catalogue, standing.view.work
    return show(request, "told", name=name, length=standing.record.length, who=work.who,
                tools=telling.list_tools(catalogue, work),
                parts=telling.list_parts(catalogue, work))  # fmt: skip


@routes.post("/told")
def tell(request: Request, name: str, form: Sent) -> Response:
    """Take which tools are at hand, what was changed, and who works."""
    desk = desk_of(request)
    catalogue = desk.catalogue(desk.find(name).work.machine)
    told = telling.read_told(catalogue, form.all("tool"), form.all("changed"), form.one("who"))
    return _change(request, name, form, lambda own, length: desk.tell(own, length, told))


@routes.post("/undo")
def undo(request: Request, name: str, form: Sent) -> Response:
    """Take the last entry back."""
    return _change(request, name, form, desk_of(request).undo)


@routes.post("/stop")
def stop(request: Request, name: str, form: Sent) -> Response:
    """Stop: the machine is removed from service."""
    return _change(request, name, form, desk_of(request).stop)


def _change(
    request: Request, name: str, form: Form, change: Callable[[str, int], None]
) -> Response:
    """Change a work-up, or show the newer state of one that went on meanwhile."""
    try:
        change(name, form.length)
    except StaleError as error:
        return _show_newer(request, error, "")
    return go(f"/work-ups/{name}")
