"""HTTP for people, who they are: signing in and out, and one's own password."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool

from api.door import Door
from api.errors import HeldError, InputError, RoleError, SignInError
from api.form import Sent, go, show
from api.gate import guest_of
from diagnose.errors import AccountError

LASTS = 12 * 3600  # seconds that a browser keeps the cookie; the session itself ends on the server
LOST = "You are not signed in any more. What was entered last was not taken."
ELSEWHERE = "it did not come from the page to sign in; open that page"
routes = APIRouter(include_in_schema=False)


def _door(request: Request) -> Door:
    door: Door = request.app.state.door
    return door


def find_next(path: str) -> str:
    r"""Return the page to go on with; only ever one of this server.

    >>> find_next("/biomed?x=1"), find_next("//evil.example"), find_next("/\\evil.example")
    ('/biomed?x=1', '/', '/')
    """
    is_own = path.startswith("/") and path[1:2] not in ("/", "\\") and path.isprintable()
    return path.replace("?lost=yes", "") if is_own else "/"


def find_address(request: Request) -> str:
    """Return from where a request came."""
    return request.client.host if request.client else ""


@routes.get("/sign-in")
def ask_sign_in(request: Request, next: str = "/") -> Response:
    """Ask for name and password."""
    if not _door(request).is_needed() or guest_of(request):
        return go(find_next(next))
    return show(request, "sign_in", next=find_next(next), name="", refused="",
                lost=LOST if next.endswith("?lost=yes") else "")  # fmt: skip


@routes.post("/sign-in")
async def sign_in(request: Request, form: Sent) -> Response:
    """Sign in: a new session, whatever the browser had before."""
    door, name = _door(request), form.one("name")
    if not door.is_needed():
        return go("/")
    if not {"origin", "sec-fetch-site"} & {*request.headers}:  # the guard has read what they say
        raise RoleError("form", ELSEWHERE)
    old = request.cookies.get(door.cookie, "")
    try:
        secret = await run_in_threadpool(
            door.sign_in, name, form.raw("password"), find_address(request), old
        )
    except (SignInError, HeldError) as error:
        return _refuse(request, error, next=find_next(form.one("next")), name=name, lost="")
    return _keep(door, go(find_next(form.one("next"))), secret)


def _refuse(request: Request, error: InputError, **values: str) -> Response:
    is_held = isinstance(error, HeldError)
    said = f"Too many tries. {error.do[:1].upper()}{error.do[1:]}." if is_held else (
        "The name or the password is wrong.")  # fmt: skip
    answer = show(request, "sign_in", 429 if is_held else 401, refused=said, **values)
    if isinstance(error, HeldError):
        answer.headers.update(error.headers)
    return answer


def _keep(door: Door, answer: Response, secret: str) -> Response:
    answer.set_cookie(door.cookie, secret, max_age=LASTS, path="/", secure=door.is_shared,
                      httponly=True, samesite="lax")  # fmt: skip
    return answer


@routes.post("/sign-out")
def sign_out(request: Request) -> Response:
    """Sign out: the session ends, here and on the server."""
    door, guest = _door(request), guest_of(request)
    if guest:
        secret = request.cookies.get(door.cookie, "")
        door.sign_out(secret, guest.name, find_address(request))
    answer = go("/sign-in")
    answer.delete_cookie(door.cookie, path="/", secure=door.is_shared, httponly=True,
                         samesite="lax")  # fmt: skip
    return answer


@routes.get("/account")
def show_account(request: Request) -> Response:
    """Show who is signed in, and how to sign out."""
    return _show_account(request)


def _show_account(request: Request, refused: str = "", status: int = 200) -> Response:
    guest = guest_of(request)
    if guest is None:
        return go("/")
    return show(request, "account", status, name=guest.name, role=guest.role, refused=refused)


@routes.post("/account/password")
async def change_password(request: Request, form: Sent) -> Response:
    """Change one's own password: every other session of it ends."""
    door, guest = _door(request), guest_of(request)
    if guest is None:
        return go("/")
    if not guest.form_token:
        raise RoleError("role", "a password is changed by whoever signed in with it")
    new = form.raw("new")
    if new != form.raw("again"):
        return _show_account(request, "The new password was not the same both times.", 422)
    try:
        secret = await run_in_threadpool(
            door.change_password, guest.name, form.raw("old"), new, find_address(request)
        )
    except AccountError as error:
        return _show_account(request, f"The new password {error.what}; {error.do}.", 422)
    except SignInError:
        return _show_account(request, "The password of now is wrong.", 422)
    return _keep(door, go("/account"), secret)
