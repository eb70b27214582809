"""A group on one case as pages: open it, join it by its code, the board, the end."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from api import drill_board as board
from api.drill_group import close, join, list_rows, open_group, read_group
from api.drilling import read_case
from api.errors import InputError
from api.form import Sent, go, show
from api.routes_drill import Beat, await_machine, find_drilling
from diagnose.drill.case import from_file
from diagnose.errors import DrillError

routes = APIRouter(include_in_schema=False)


@routes.get("/drills/groups")
def choose_group(request: Request) -> HTMLResponse:
    """Ask for the case of a new group, or for the code of one to join."""
    return _show_choice(request)


def _show_choice(request: Request, refused: str = "") -> HTMLResponse:
    levels = board.list_levels(find_drilling(request))
    return show(request, "drill_groups", 422 if refused else 200, levels=levels, refused=refused)


@routes.post("/drills/groups")
def begin_group(request: Request, form: Sent, _beat: Beat) -> Response:
    """Open a group on a stock drill or on a case set by a trainer."""
    drilling = find_drilling(request)
    try:
        drill, code = form.one("drill"), form.one("code").upper()
        case = read_case(code) if code else from_file(drilling.stock(drill))
        if wait := await_machine(request, case.machine):
            return wait
        group = open_group(drilling, case, "" if code else drill)
    except (DrillError, InputError) as error:
        return _show_choice(request, board.say_refusal(error))
    return go(f"/drills/groups/{group.code}/board?key={group.key}")


@routes.post("/drills/join")
def join_group(request: Request, form: Sent, _beat: Beat) -> Response:
    """Join a group by its code; whoever comes back under the same nickname goes on."""
    try:
        name = join(find_drilling(request), form.one("code").upper(), form.one("nick"))
    except (DrillError, InputError) as error:
        return _show_choice(request, board.say_refusal(error))
    return go(f"/drills/{name}")


@routes.get("/drills/groups/{code}/board")
def show_board(request: Request, code: str, key: str = "") -> HTMLResponse:
    """Show who is where, without what is hidden until the group is closed."""
    drilling = find_drilling(request)
    group = read_group(code)
    own = key == group.key
    found = board.show_result(drilling, group) if group.is_closed else None
    return show(request, "drill_board", group=group.code, rows=list_rows(drilling, group),
                key=key if own else "", closed=group.is_closed, result=found)  # fmt: skip


@routes.post("/drills/groups/{code}/close")
def close_group(request: Request, code: str, form: Sent) -> Response:
    """Close a group: what was wrong is shown."""
    close(find_drilling(request), code, form.one("key"))
    return go(f"/drills/groups/{code}/board?key={form.one('key')}")
