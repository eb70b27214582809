"""HTTP for people, the beginning: which machine, which step failed, what was seen there."""

from __future__ import annotations

from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from api import board, choosing
from api.ask import Item, has_words
from api.begin import UNFINISHED, list_recent, title_record
from api.errors import REFUSED, InputError
from api.form import Form, Sent, desk_of, go, show, units_of
from api.intake import (
    find_profile,
    find_step,
    group_steps,
    list_steps,
    passed_reading,
    read_minutes,
    refuse_pass,
)
from api.question import from_step, say_refused
from api.timing import find_timer
from diagnose.errors import FleetError
from diagnose.fleet import Owned, read_asset, read_fleet
from diagnose.journal import list_records
from diagnose.language import _
from diagnose.model import Reading, WorkUp
from diagnose.outline import Profile, Step
from diagnose.readings import find_test, read_answer

routes = APIRouter(include_in_schema=False)


def read_reading(request: Request, step: str, form: Form, profile: Profile) -> Reading:
    """Return the reading that a form tells."""
    catalogue = desk_of(request).catalogue(profile.id)
    find_test(catalogue, step)
    if not form.answer:
        raise InputError("answer", _("Nothing was entered. Tap what was seen, or enter a number"))
    return read_answer(catalogue, step, form.answer)


@routes.get("/")
def choose_machine(request: Request) -> HTMLResponse:
    """Show the machines, and the work-ups to go on with."""
    outline = desk_of(request).engine.outline
    recent = [Item(record.name, title_record(outline, record))
              for record in list_recent(list_records()[0])]  # fmt: skip
    titles = {each.id: each.title for each in outline.machines}
    owned: tuple[Owned, ...] = ()
    trouble = ""
    try:
        owned = read_fleet(titles)
    except FleetError as error:  # the kinds of machine can be chosen all the same
        trouble = str(error)
    return show(request, "machines", machines=outline.machines, recent=recent, ask=_(UNFINISHED),
                owned=owned, titles=titles, trouble=trouble)  # fmt: skip


@routes.get("/machines/{machine}")
def choose_step(
    request: Request, machine: str, search: str = "", zone: str = "", asset: str = ""
) -> HTMLResponse:
    """Show the steps of a checkout: on the drawing, by its parts, or found by words."""
    desk = desk_of(request)
    profile = find_profile(desk.engine.outline, machine)
    desk.engine.prepare(profile.id)
    asset, zones = read_asset(asset), board.name_zones()
    own = [step for step in profile.steps if zone in ("", step.zone)]
    names = {step.id for step in own}
    found = [item for item in list_steps(profile) if item.key in names and has_words(item, search)]
    picture = choosing.draw_steps(desk.catalogue(profile.id), desk.engine.base().version,
                                  profile, asset)  # fmt: skip
    return show(
        request, "steps", profile=profile, groups=board.group(found), search=search, asset=asset,
        zone=zones.get(zone, ""), picture=picture, query=query_of(asset),
    )  # fmt: skip


def query_of(asset: str) -> str:
    """Return the end of an address that keeps which single machine it is."""
    return f"?{urlencode({'asset': asset})}" if asset else ""


@routes.get("/machines/{machine}/steps/{step}")
def say_failed(request: Request, machine: str, step: str, asset: str = "") -> HTMLResponse:
    """Ask what was seen, what passed before, and how much time is left."""
    profile = find_profile(desk_of(request).engine.outline, machine)
    own = {each.id: each for each in profile.steps}[find_step(profile, step)]
    return _show_failed(request, profile, own, read_asset(asset))


def _show_failed(
    request: Request, profile: Profile, step: Step, asset: str, refused: str = "",
    form: Form | None = None,
) -> HTMLResponse:  # fmt: skip
    form = form or Form("")
    asked = board.list_failing(step, board.ask(from_step(step), units_of(request)))
    test = find_test(desk_of(request).catalogue(profile.id), step.id)
    parts = _list_parts(profile, step)
    return show(
        request, "failed", 422 if refused else 200, profile=profile, step=step, asked=asked,
        parts=parts, zones=board.name_zones(), chosen=form.all("part"), each=form.all("step"),
        minutes=form.one("minutes"), number=form.one("number"), unit=form.one("unit"),
        refused=refused, asset=asset, query=query_of(asset), timer=find_timer(test.check),
    )  # fmt: skip


def _list_parts(profile: Profile, failed: Step) -> dict[str, list[Step]]:
    """Return the steps before the failed one, by part of the checkout."""
    return group_steps(profile.steps[: profile.steps.index(failed)])


@routes.post("/machines/{machine}/steps/{step}")
def begin(request: Request, machine: str, step: str, form: Sent) -> Response:
    """Begin a work-up."""
    profile = find_profile(desk_of(request).engine.outline, machine)
    own = {each.id: each for each in profile.steps}[find_step(profile, step)]
    asset = read_asset(form.one("asset"))
    parts = _list_parts(profile, own)
    try:
        reading = read_reading(request, own.id, form, profile)
        refuse_pass(own, reading)
        minutes = read_minutes(form.one("minutes")) if form.one("minutes") else None
    except REFUSED as error:
        return _show_failed(request, profile, own, asset, say_refused(error), form)
    chosen = {*form.all("part"), *form.all("step")}
    passed = [passed_reading(each) for zone, steps in parts.items() for each in steps
              if chosen & {"all", zone, each.id}]  # fmt: skip
    work = WorkUp(profile.id, own.id, (*passed, reading), minutes, asset=asset)
    return go(f"/work-ups/{desk_of(request).begin(work)}")
