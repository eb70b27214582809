"""Every route, for every role and for nobody: who may use it is said here once more, by hand."""

import re

import pytest
from fastapi.testclient import TestClient

from api import routes_drill
from api.access import TABLE, name_routes
from api.app import make_app
from api.engine import Engine
from diagnose.kb.load import FOLDER
from diagnose.logbook.accounts import ROLES, Accounts
from diagnose.logbook.book import Book

ORIGIN = "http://127.0.0.1:8000"
OPEN = {"GET /health", "GET /ready", "GET /static", "GET /sign-in", "POST /sign-in"}
SET_DRILLS = r"(GET|POST) /drills$|.* /drills/(progress|groups)"
#: what each role must not do, of everything that there is
SHUT = {
    "technician": rf".* /biomed|POST /fleet|{SET_DRILLS}",
    "trainer": r".* /biomed|POST /fleet",
    "biomed": SET_DRILLS,
    "keeper": rf"(?!GET /biomed/figures).* /biomed|POST /fleet|{SET_DRILLS}",
    "admin": r"(?!)",
}
NAMES = sorted(name_routes(make_app(Engine(FOLDER)).routes))


@pytest.fixture(scope="module")
def door(tmp_path_factory):
    """A server with an account of each role."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TENHOLD_STATE", str(tmp_path_factory.mktemp("state")))
        patch.delenv("TENHOLD_DATABASE", raising=False)
        patch.setattr(routes_drill, "BEAT", 0.001)
        book = Book()
        own = Accounts(book.engine)
        for role in ROLES:
            own.add(role, role, f"{role} and some more words")
        app = make_app(Engine(FOLDER))
        app.state.door.look()
        yield app, own
        book.close()


@pytest.fixture(autouse=True)
def state():
    """Not the folder of each test: the accounts are made once."""


def ask(app, name, secret="", token=""):
    method, path = name.split()
    path = re.sub(r"{\w+}", "none", path) + ("/tenhold.css" if path == "/static" else "")
    client = TestClient(app, base_url=ORIGIN, raise_server_exceptions=False, follow_redirects=False)
    headers = {"origin": ORIGIN} | ({"authorization": f"Bearer {token}"} if token else {})
    if secret:
        client.cookies.set("tenhold", secret)
    return client.request(method, path, headers=headers)


def say(answer):
    """Return whether a request was let on, or how it was refused."""
    is_problem = answer.headers.get("content-type") == "application/problem+json"
    title = answer.json()["title"] if is_problem else ""
    refused = {(401, "Sign in first"): "nobody", (403, "Not for this role"): "role"}
    return refused.get((answer.status_code, title), "let on")


def test_every_route_has_an_entry_and_every_entry_a_route():
    assert len(NAMES) > 80
    assert set(TABLE) == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_route_is_used_by_its_roles_and_by_no_other(door, name):
    app, own = door
    found = {role: say(ask(app, name, own.open_session(role, "test"))) for role in ROLES}
    shut = {role: bool(re.match(SHUT[role], name)) and name not in OPEN for role in ROLES}
    assert found == {role: "role" if shut[role] else "let on" for role in ROLES}
    assert say(ask(app, name)) == ("let on" if name in OPEN else "nobody")


@pytest.mark.parametrize("role", ROLES)
def test_a_token_may_what_its_role_may(door, role):
    app, own = door
    token = own.make_token("admin", f"as {role}", role)
    mine = [name for name in NAMES if "account/password" not in name]
    found = {name: say(ask(app, name, token=token)) for name in mine}
    assert {name for name, said in found.items() if said != "let on"} == {
        name for name in mine if re.match(SHUT[role], name) and name not in OPEN
    }


def test_a_route_without_an_entry_is_refused_to_everybody(door):
    _, own = door
    app = make_app(Engine(FOLDER))
    app.state.door.look()
    app.add_api_route("/new", lambda: "seen")
    found = [say(ask(app, "GET /new", own.open_session(role, "test"))) for role in ROLES]
    assert found == ["role"] * len(ROLES)
    assert say(ask(app, "GET /new")) == "nobody"


def test_what_is_not_there_is_told_only_to_whoever_is_signed_in(door):
    app, own = door
    assert say(ask(app, "GET /none")) == "nobody"
    session = own.open_session("technician", "test")
    assert ask(app, "GET /none", session).status_code == 404
    assert ask(app, "DELETE /fleet", session).status_code == 405


def test_an_answer_that_is_remembered_is_not_given_to_nobody(door):
    app, own = door
    given = {"machine": "small", "failed": "breathing.hold_30",
             "readings": [{"check": "breathing.hold_30", "answer": "22 cmH2O"}]}  # fmt: skip
    client = TestClient(app, base_url=ORIGIN)
    mine = {"authorization": f"Bearer {own.make_token('biomed', 'ward')}"}
    assert client.post("/api/rank", json=given, headers=mine).status_code == 200
    assert client.post("/api/rank", json=given).status_code == 401
