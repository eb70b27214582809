"""HTTP for people: every page works as a plain form; what is entered goes into the record."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any
from urllib.parse import parse_qs, quote

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from api import board
from api.ask import Item, has_words
from api.begin import UNFINISHED, list_recent, title_record
from api.desk import Desk
from api.errors import InputError, StaleError, UnknownError
from api.guard import BODY_MOST
from api.intake import (
    find_profile,
    find_step,
    group_steps,
    list_steps,
    passed_reading,
    read_minutes,
    refuse_pass,
)
from api.question import from_step, from_test, say_refusal
from api.routes_json import to_picture
from api.screens import Task, say_entry
from api.shapes import find_remedy
from api.tasks import Bench, list_others, list_remedies
from diagnose.catalogue import Test
from diagnose.errors import ReadingError, UnitError
from diagnose.journal import list_records
from diagnose.model import Reading, Remedied, WorkUp
from diagnose.outline import ZONE_TITLES, Profile, Step
from diagnose.readings import find_test, read_answer

REFUSED = (ReadingError, UnitError, InputError)
FIELDS = 200
routes = APIRouter(include_in_schema=False)


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


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


def show(request: Request, page: str, status: int = 200, /, **values: Any) -> HTMLResponse:
    """Return a page."""
    text = request.app.state.templates.get_template(f"{page}.html").render(values)
    return HTMLResponse(text, status)


def _go(path: str) -> RedirectResponse:
    return RedirectResponse(path, 303)


def _read(request: Request, step: str, form: Form, profile: Profile) -> Reading:
    """Return the reading that a form tells."""
    catalogue = _desk(request).catalogue(profile.id)
    find_test(catalogue, step)
    if not form.answer:
        raise InputError("answer", "Nothing was entered. Tap what was seen, or enter a number")
    return read_answer(catalogue, step, form.answer)


def _say(error: ReadingError | UnitError | InputError) -> str:
    if isinstance(error, InputError):
        return error.what + (f"; {error.do}." if error.do else ".")
    return say_refusal(error)


@routes.get("/")
def choose_machine(request: Request) -> HTMLResponse:
    """Show the machines, and the work-ups to go on with."""
    outline = _desk(request).engine.outline
    recent = [Item(record.name, title_record(outline, record))
              for record in list_recent(list_records()[0])]  # fmt: skip
    return show(request, "machines", machines=outline.machines, recent=recent, ask=UNFINISHED)


@routes.get("/machines/{machine}")
def choose_step(request: Request, machine: str, search: str = "") -> HTMLResponse:
    """Show the steps of a checkout, by its parts."""
    engine = _desk(request).engine
    profile = find_profile(engine.outline, machine)
    engine.prepare(profile.id)
    found = [item for item in list_steps(profile) if has_words(item, search)]
    return show(request, "steps", profile=profile, groups=board.group(found), search=search)


@routes.get("/machines/{machine}/steps/{step}")
def say_failed(request: Request, machine: str, step: str) -> HTMLResponse:
    """Ask what was seen, what passed before, and how much time is left."""
    profile = find_profile(_desk(request).engine.outline, machine)
    own = {each.id: each for each in profile.steps}[find_step(profile, step)]
    return _show_failed(request, profile, own)


def _show_failed(
    request: Request, profile: Profile, step: Step, refused: str = "", form: Form | None = None
) -> HTMLResponse:
    form = form or Form("")
    asked = board.list_failing(step, board.ask(from_step(step)))
    parts = _list_parts(profile, step)
    return show(
        request, "failed", 422 if refused else 200, profile=profile, step=step, asked=asked,
        parts=parts, zones=ZONE_TITLES, chosen=form.all("part"), each=form.all("step"),
        minutes=form.one("minutes"), number=form.one("number"), unit=form.one("unit"),
        refused=refused,
    )  # fmt: skip


def _list_parts(profile: Profile, failed: Step) -> dict[str, list[Step]]:
    """Return the steps before the failed one, by part of the checkout."""
    return group_steps(profile.steps[: profile.steps.index(failed)])


@routes.post("/machines/{machine}/steps/{step}")
def begin(request: Request, machine: str, step: str, form: Sent) -> Response:
    """Begin a work-up."""
    profile = find_profile(_desk(request).engine.outline, machine)
    own = {each.id: each for each in profile.steps}[find_step(profile, step)]
    parts = _list_parts(profile, own)
    try:
        reading = _read(request, own.id, form, profile)
        refuse_pass(own, reading)
        minutes = read_minutes(form.one("minutes")) if form.one("minutes") else None
    except REFUSED as error:
        return _show_failed(request, profile, own, _say(error), form)
    chosen = {*form.all("part"), *form.all("step")}
    passed = [passed_reading(each) for zone, steps in parts.items() for each in steps
              if chosen & {"all", zone, each.id}]  # fmt: skip
    work = WorkUp(profile.id, own.id, (*passed, reading), minutes)
    return _go(f"/work-ups/{_desk(request).begin(work)}")


@routes.get("/work-ups/{name}")
def show_work_up(request: Request, name: str) -> HTMLResponse:
    """Show a work-up as it stands: what to do next, or its end."""
    return _show_standing(request, name)


def _show_standing(request: Request, name: str, notice: str = "") -> HTMLResponse:
    desk = _desk(request)
    record = desk.find(name)
    progress = desk.engine.progress(record.work.machine)
    if progress is not None:
        return show(request, "wait", done=progress[0], all=progress[1])
    standing = desk.read(name)
    common = {"name": name, "length": standing.record.length, "notice": notice,
              "failed": board.say_failed(standing.view), "machine": standing.view.catalogue
              .circuit.machine.title}  # fmt: skip
    status = 409 if notice else 200
    if standing.view.assessment.disposition.final:
        return show(request, "end", status, **common, **board.show_end(standing))
    return show(request, "work", status, **common, **board.show_work(standing))


@routes.get("/work-ups/{name}/circuit.svg")
def draw_likely(request: Request, name: str) -> Response:
    """Show the gas paths with the parts that are likely."""
    from diagnose.draw import draw_svg

    desk = _desk(request)
    view = desk.read(name).view
    chances = board.chance_parts(view)
    return to_picture(draw_svg(view.catalogue, desk.engine.base().version, None, chances))


@routes.get("/work-ups/{name}/sheet")
def show_sheet(request: Request, name: str) -> HTMLResponse:
    """Show the sheet to hand over to biomed."""
    standing = _desk(request).read(name)
    view = standing.view
    return show(
        request, "sheet", name=name, machine=view.catalogue.circuit.machine.title,
        record=standing.record, failed=board.say_failed(view),
        bars=board.list_bars(view.assessment.ranking[:10], True),
        final=view.assessment.disposition.final, **board.show_end(standing),
    )  # fmt: skip


def _find_check(bench: Bench, name: str) -> Test:
    """Return a check that whoever works may do; raises ReadingError or UnknownError."""
    test = find_test(bench.catalogue, name)
    if name not in {item.key for item in list_others(bench.catalogue, bench.work)}:
        raise UnknownError("check", f"'{name}' is done by biomed")
    return test


def _find_remedy(bench: Bench, name: str) -> Remedied:
    """Return a remedy that whoever works may do.

    Raises
    ------
    CircuitError, InputError
        Nothing is put right by it, or only biomed may do it.
    """
    act, _, component = name.partition("@")
    own = find_remedy(bench.catalogue, act, component)
    if bench.work.who == "user" and own not in list_remedies(bench.catalogue)[1].values():
        raise UnknownError("remedy", f"'{name}' is done by biomed")
    return own


@routes.get("/work-ups/{name}/do/{test}")
def show_check(request: Request, name: str, test: str) -> HTMLResponse:
    """Show how a check is done, and ask what was seen."""
    standing = _desk(request).read(name)
    task = standing.bench.of_test(_find_check(standing.bench, test))
    return _show_task(request, name, standing.record.length, task)


def _show_task(
    request: Request,
    name: str,
    length: int,
    task: Task,
    refused: str = "",
    form: Form | None = None,
) -> HTMLResponse:
    form = form or Form("")
    catalogue = _desk(request).catalogue(_desk(request).find(name).work.machine)
    asked = board.ask(from_test(catalogue, task.test))
    return show(
        request, "task", 422 if refused else 200, name=name, length=length,
        asked=asked, number=form.one("number"), unit=form.one("unit"), refused=refused,
        is_remedy=task.remedy is not None, **board.say_task(task),
    )  # fmt: skip


@routes.post("/work-ups/{name}/do/{test}")
def add_reading(request: Request, name: str, test: str, form: Sent) -> Response:
    """Take a reading."""
    desk = _desk(request)
    record = desk.find(name)
    profile = find_profile(desk.engine.outline, record.work.machine)
    bench = desk.read(name).bench
    own = _find_check(bench, test)
    try:
        reading = _read(request, test, form, profile)
    except REFUSED as error:
        task = bench.of_test(own)
        return _show_task(request, name, form.length, task, _say(error), form)
    try:
        desk.add(name, form.length, reading)
    except StaleError as error:
        said = say_entry(desk.catalogue(record.work.machine), reading)
        return _show_newer(request, error, said)
    return _go(f"/work-ups/{name}")


def _show_newer(request: Request, error: StaleError, entered: str) -> HTMLResponse:
    lost = f" Not taken: {entered}." if entered else ""
    return _show_standing(request, error.name, f"{error.what[:1].upper()}{error.what[1:]}.{lost}")


@routes.get("/work-ups/{name}/put-right/{remedy}")
def show_remedy(request: Request, name: str, remedy: str) -> HTMLResponse:
    """Show how something is put right."""
    standing = _desk(request).read(name)
    own = _find_remedy(standing.bench, remedy)
    return _show_task(request, name, standing.record.length, standing.bench.of_remedy(own))


@routes.post("/work-ups/{name}/put-right/{remedy}")
def add_remedy(request: Request, name: str, remedy: str, form: Sent) -> Response:
    """Take that something was put right, then ask for the failed step again."""
    desk = _desk(request)
    work = desk.find(name).work
    own = _find_remedy(desk.read(name).bench, remedy)
    try:
        desk.add(name, form.length, own)
    except StaleError as error:
        return _show_newer(request, error, "")
    return _go(f"/work-ups/{name}/do/{quote(work.failed)}")


@routes.get("/work-ups/{name}/checks")
def choose_other(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Show every check that may be done."""
    view = _desk(request).read(name).view
    found = [item for item in list_others(view.catalogue, view.work) if has_words(item, search)]
    return show(request, "choose", name=name, title="Which check?", below="do", search=search,
                groups=board.group(found), page="checks")  # fmt: skip


@routes.get("/work-ups/{name}/remedies")
def choose_remedy(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Show everything that may be put right."""
    items, _ = list_remedies(_desk(request).read(name).view.catalogue)
    found = [item for item in items if has_words(item, search)]
    return show(request, "choose", name=name, title="What was put right?", below="put-right",
                search=search, groups=board.group(found), page="remedies")  # fmt: skip


@routes.post("/work-ups/{name}/undo")
def undo(request: Request, name: str, form: Sent) -> Response:
    """Take the last entry back."""
    return _change(request, name, form, _desk(request).undo)


@routes.post("/work-ups/{name}/stop")
def stop(request: Request, name: str, form: Sent) -> Response:
    """Stop: the machine is removed from service."""
    return _change(request, name, form, _desk(request).stop)


def _change(
    request: Request, name: str, form: Form, change: Callable[[str, int], None]
) -> Response:
    """Change a work-up, or show the newer state of one that went on meanwhile."""
    try:
        change(name, form.length)
    except StaleError as error:
        return _show_newer(request, error, "")
    return _go(f"/work-ups/{name}")
