"""HTTP for people, what is printed or looked at: handover sheet, tag, labels, drawings."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from api import board
from api.errors import InputError, UnknownError
from api.form import desk_of, show
from api.label import draw_code
from api.routes_follow import read_standing
from api.routes_json import to_picture
from api.tongue import name_version
from diagnose.fleet import find_owned
from diagnose.language import _, plain
from diagnose.model import RETURN

routes = APIRouter(include_in_schema=False)


def address_of(request: Request, path: str) -> str:
    """Return the whole address of a page, as this browser opened the server."""
    return f"{str(request.base_url).rstrip('/')}{path}"


@routes.get("/work-ups/{name}/circuit.svg")
def draw_likely(request: Request, name: str) -> Response:
    """Show the gas paths with the parts that are likely."""
    from diagnose.draw import draw_svg

    desk = desk_of(request)
    view = desk.read(name).view
    chances = board.chance_parts(view)
    version = name_version(desk.engine.base().version)
    return to_picture(plain(draw_svg(view.catalogue, version, None, chances)))


@routes.get("/work-ups/{name}/sheet")
def show_sheet(request: Request, name: str) -> HTMLResponse:
    """Show the sheet to hand over to biomed."""
    standing = read_standing(request, name)
    view = standing.view
    return show(
        request, "sheet", name=name, machine=view.catalogue.circuit.machine.title,
        record=standing.record, failed=board.say_failed(view),
        bars=board.list_bars(view.assessment.ranking[:10], True),
        final=view.assessment.disposition.final, **board.show_end(standing),
    )  # fmt: skip


@routes.get("/work-ups/{name}/tag")
def show_tag(request: Request, name: str) -> HTMLResponse:
    """Show the tag to hang on a machine that is out of service.

    Raises
    ------
    InputError
        The machine went back to its checkout.
    """
    standing = read_standing(request, name)
    view, own = standing.view, standing.view.assessment.disposition
    if own.final and own.say == RETURN:
        do = _("repeat the checkout from the failed step on")
        raise InputError("tag", _("this machine was returned to checkout and needs no tag"), do=do)
    return show(
        request, "tag", name=name, machine=view.catalogue.circuit.machine.title,
        record=standing.record, failed=board.say_failed(view), why=board.say_why(view),
        code=draw_code(address_of(request, f"/work-ups/{name}")),
    )  # fmt: skip


@routes.get("/fleet/{asset}/label")
def show_label(request: Request, asset: str) -> HTMLResponse:
    """Show the label of a single machine, to be printed and stuck on it; raises UnknownError."""
    titles = {each.id: each.title for each in desk_of(request).engine.outline.machines}
    own = find_owned(asset, titles)
    if own is None:
        raise UnknownError(
            "asset", _("'{asset}' is not in the list of machines").format(asset=asset)
        )
    address = address_of(request, f"/fleet/{quote(own.asset)}")
    return show(request, "label", own=own, title=titles[own.profile], address=address,
                code=draw_code(address))  # fmt: skip
