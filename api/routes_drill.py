"""Drills as pages: plain forms over the same values as the terminal.

What is hidden stays in the record on this computer. A page shows what the trainee has seen, names
are drawn by chance, lists have one order whatever is hidden, and an answer takes as long as the
next beat of the clock, so that its time tells nothing of how much had to be solved.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse

from api import drill_board as board
from api.ask import has_words
from api.drilling import Drilling, Play, is_withheld
from api.errors import InputError
from api.form import Form, Sent, go, show
from api.tasks import list_remedies
from diagnose.drill.case import Act
from diagnose.drill.practice import read_progress, to_csv, to_plain
from diagnose.errors import DrillError

BEAT = 0.5  # seconds; every answer about a drill is sent on a beat
routes = APIRouter(include_in_schema=False)


def find_drilling(request: Request) -> Drilling:
    """Return the drills of this server, made at the first request for one."""
    state = request.app.state
    if not hasattr(state, "drilling"):
        state.drilling = Drilling(state.engine)
    found: Drilling = state.drilling
    return found


def on_beat() -> Iterator[None]:
    """Wait, after the work of a request is done, for the next beat since it came."""
    began = time.monotonic()
    yield
    time.sleep(BEAT - (time.monotonic() - began) % BEAT)


Beat = Annotated[None, Depends(on_beat, scope="function")]


@routes.get("/drills")
def list_drills(request: Request, refused: str = "") -> HTMLResponse:
    """Show the stock drills, and the other ways to begin."""
    return _show_list(request)


def _show_list(request: Request, refused: str = "") -> HTMLResponse:
    drilling = find_drilling(request)
    return show(request, "drill_list", 422 if refused else 200, refused=refused,
                levels=board.list_levels(drilling),
                machines=drilling.engine.outline.machines)  # fmt: skip


@routes.post("/drills")
def begin(request: Request, form: Sent, _beat: Beat) -> Response:
    """Begin a drill: a stock one, a code, one drawn afresh, what is due, or a study."""
    drilling = find_drilling(request)
    try:
        return _begin(request, drilling, form)
    except (DrillError, InputError) as error:
        return _show_list(request, board.say_refusal(error))


def _begin(request: Request, drilling: Drilling, form: Form) -> Response:
    nick = board.read_optional_nick(form.one("nick"))
    how, machine = form.one("how"), form.one("machine")
    if how == "stock":
        machine = drilling.stock(form.one("drill")).machine
    if how in ("stock", "drawn", "study") and (wait := await_machine(request, machine)):
        return wait
    ways: dict[str, Callable[[], Any]] = {
        "stock": lambda: drilling.begin_stock(form.one("drill"), nick),
        "code": lambda: drilling.begin_code(form.one("code"), nick),
        "drawn": lambda: drilling.begin_drawn(machine, (), nick),
        "due": lambda: drilling.begin_next(nick)[0],
        "study": lambda: drilling.begin_study(machine, board.read_count(form.one("faults")), nick),
    }
    if how not in ways:
        raise InputError("how", f"'{how[:20]}' is no way to begin a drill", sorted(ways))
    if how == "due" and not nick:
        raise InputError("nickname", "Practice needs the nickname that progress is kept under")
    return go(f"/drills/{ways[how]().name}")


def await_machine(request: Request, machine: str) -> Response | None:
    """Return the page that says a machine is still being worked out; None if it is ready."""
    engine = find_drilling(request).engine
    if machine not in {each.id for each in engine.outline.machines}:
        known = [each.id for each in engine.outline.machines]
        raise InputError("machine", f"'{machine[:40]}' is not known", known)
    progress = engine.progress(machine)
    if progress is None:
        return None
    return show(request, "drill_wait", done=progress[0], all=progress[1])


@routes.get("/drills/progress")
def show_progress(request: Request, nick: str, form: str = "") -> Response:
    """Show a trainee's progress, or export it as JSON or CSV."""
    progress = read_progress(nick)
    if form == "csv":
        return Response(to_csv(progress), media_type="text/csv; charset=utf-8")
    if form == "json":
        import json

        text = json.dumps(to_plain(progress), ensure_ascii=False, indent=1)
        return Response(text, media_type="application/json")
    return show(request, "drill_progress", **board.show_progress(find_drilling(request), progress))


@routes.get("/drills/{name}")
def show_drill(request: Request, name: str, _beat: Beat) -> Response:
    """Show a drill as it stands."""
    return _show_standing(request, name)


def _show_standing(request: Request, name: str, notice: str = "") -> Response:
    play = find_drilling(request).open(name)
    if play.standing.end is not None:
        return go(f"/drills/{name}/debrief")
    return show(request, "drill_work", 409 if notice else 200, notice=notice,
                **board.show_standing(play))  # fmt: skip


def _common(play: Play) -> dict[str, Any]:
    return {"name": play.record.name, "length": len(play.record.acts), "is_study": play.is_study}


@routes.get("/drills/{name}/checks")
def choose_check(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Show every check that may be done, in the order of a checkout."""
    play = find_drilling(request).open(name)
    items = [item for item in board.list_checks(play) if has_words(item, search)]
    return show(request, "drill_choose", title="Which check?", page="checks", below="check",
                search=search, groups=board.group(items), **_common(play))  # fmt: skip


@routes.get("/drills/{name}/check/{test}")
def show_check(request: Request, name: str, test: str) -> HTMLResponse:
    """Show how a check is done."""
    play = find_drilling(request).open(name)
    return show(request, "drill_check", **board.show_check(find_drilling(request), play, test),
                **_common(play))  # fmt: skip


@routes.post("/drills/{name}/check/{test}")
def do_check(request: Request, name: str, test: str, form: Sent, _beat: Beat) -> Response:
    """Do a check."""
    return _act(request, name, form, Act("check", test))


@routes.get("/drills/{name}/remedies")
def choose_remedy(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Show everything that may be put right."""
    play = find_drilling(request).open(name)
    items = [item for item in list_remedies(play.kit.catalogue)[0] if has_words(item, search)]
    return show(request, "drill_pick", title="What do you put right?", page="remedies",
                field="remedy", deed="Put right", search=search, groups=board.group(items),
                **_common(play))  # fmt: skip


@routes.post("/drills/{name}/remedies")
def do_remedy(request: Request, name: str, form: Sent, _beat: Beat) -> Response:
    """Put something right."""
    return _act(request, name, form, Act("remedy", form.one("remedy")))


@routes.get("/drills/{name}/suspect")
def choose_suspect(request: Request, name: str, search: str = "") -> HTMLResponse:
    """Ask what is suspected now."""
    play = find_drilling(request).open(name)
    items = [item for item in board.list_causes(play.kit.catalogue) if has_words(item, search)]
    return show(request, "drill_pick", title="What do you suspect now?", page="suspect",
                field="cause", deed="Note it", search=search, groups=board.group(items),
                **_common(play))  # fmt: skip


@routes.post("/drills/{name}/suspect")
def do_suspect(request: Request, name: str, form: Sent, _beat: Beat) -> Response:
    """Note what is suspected."""
    return _act(request, name, form, Act("suspect", form.one("cause")))


@routes.get("/drills/{name}/end")
def choose_end(request: Request, name: str) -> HTMLResponse:
    """Ask what is wrong, and for the disposition."""
    return _show_end(request, find_drilling(request).open(name))


def _show_end(
    request: Request, play: Play, refused: str = "", named: tuple[str, ...] = ()
) -> HTMLResponse:
    groups = board.group(board.list_causes(play.kit.catalogue))
    return show(request, "drill_end", 422 if refused else 200, refused=refused, groups=groups,
                named=named, **_common(play))  # fmt: skip


@routes.post("/drills/{name}/end")
def do_end(request: Request, name: str, form: Sent, _beat: Beat) -> Response:
    """Name the causes and the disposition."""
    play = find_drilling(request).open(name)
    named = tuple(dict.fromkeys(form.all("cause")))
    course = "remove" if play.is_study else form.one("course")
    if course not in ("return", "remove"):
        return _show_end(request, play, "Choose one of the two dispositions.", named)
    if not named and not play.is_study:
        return _show_end(request, play, "Tick what is wrong; one at least.", named)
    return _act(request, name, form, Act("end", "", named, course))  # type: ignore[arg-type]


def _act(request: Request, name: str, form: Form, act: Act) -> Response:
    """Do an act, or show the newer state of a drill that went on meanwhile."""
    try:
        find_drilling(request).act(name, act, form.length)
    except DrillError as error:
        return _show_standing(request, name, board.say_refusal(error))
    return go(f"/drills/{name}")


@routes.get("/drills/{name}/debrief")
def show_debrief(request: Request, name: str) -> Response:
    """Show the debrief of an ended drill, or the result of a study."""
    drilling = find_drilling(request)
    play = drilling.open(name)
    if play.standing.end is None:
        return go(f"/drills/{name}")
    if is_withheld(play.record):
        return show(request, "drill_withheld", **_common(play))
    if play.is_study:
        return show(request, "drill_study", **board.show_study(drilling, play), **_common(play))
    return show(request, "drill_debrief", **board.show_debrief(drilling, play), **_common(play))
