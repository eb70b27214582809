"""Signing in as an honest person does, and as somebody who should not get in."""

import re
import time

import pytest
from fastapi.testclient import TestClient

from api.app import make_app
from api.reach import Reach
from diagnose.errors import LogError
from diagnose.journal import list_events, open_journal
from diagnose.logbook import accounts as store
from diagnose.logbook.accounts import Accounts
from diagnose.logbook.book import Book
from diagnose.logbook.intake import take_in
from diagnose.model import REMOVE, Reading, WorkUp

OWN = "http://127.0.0.1:8000"
PAGE = {"accept": "text/html"}
HERE = {"origin": OWN}
WORDS = "correct horse battery"
FORM = "/machines/small/steps/breathing.hold_30"


@pytest.fixture
def own(monkeypatch):
    """The accounts of an own logbook, Kim a technician and Ada admin."""
    monkeypatch.delenv("TENHOLD_DATABASE", raising=False)
    book = Book()
    found = Accounts(book.engine)
    found.add("Kim", "technician", WORDS)
    found.add("Ada", "admin", WORDS)
    yield found
    book.close()


@pytest.fixture
def app(engine, own):
    return make_app(engine)


@pytest.fixture
def browser(app):
    return make_browser(app)


def make_browser(app, address="10.0.0.1", url=OWN):
    return TestClient(app, base_url=url, follow_redirects=False, client=(address, 5000))


def sign_in(browser, name="Kim", password=WORDS, **more):
    headers = {"origin": str(browser.base_url).rstrip("/")}
    return browser.post("/sign-in", data={"name": name, "password": password, **more},
                        headers=headers)  # fmt: skip


def test_without_accounts_nobody_signs_in(client):
    assert client.get("/").status_code == 200
    assert client.get("/sign-in", follow_redirects=False).headers["location"] == "/"
    assert client.get("/account", follow_redirects=False).headers["location"] == "/"
    assert "Signed in" not in client.get("/").text


def test_the_first_account_shuts_a_server_that_runs(client, monkeypatch, own, engine):
    monkeypatch.setattr("api.door.LOOK", 0.0)
    door = client.app.state.door
    door._looked = time.monotonic()  # it looked before the accounts were made
    client.get("/health")
    for _ in range(100):
        if door.is_needed():
            break
        time.sleep(0.05)
    assert client.get("/", headers=PAGE, follow_redirects=False).headers["location"] == (
        "/sign-in?next=%2F"
    )


def test_a_person_signs_in_and_goes_on_where_they_were(browser):
    asked = browser.get("/fleet?x=1", headers=PAGE)
    assert (asked.status_code, asked.headers["location"]) == (303, "/sign-in?next=%2Ffleet%3Fx%3D1")
    assert 'name="next" value="/fleet?x=1"' in browser.get(asked.headers["location"]).text
    answer = sign_in(browser, next="/fleet?x=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/fleet?x=1")
    assert "Signed in as Kim" in browser.get("/fleet").text


@pytest.mark.parametrize("path", ["//evil.example", "/\\evil.example", "https://evil.example",
                                  "/\r\nx: y", "", "javascript:alert(1)"])  # fmt: skip
def test_the_page_to_go_on_with_is_always_of_this_server(browser, path):
    assert sign_in(browser, next=path).headers["location"] == "/"


def test_the_cookie_of_a_session_is_kept_from_scripts_and_other_pages(browser):
    cookie = sign_in(browser).headers["set-cookie"]
    assert re.match(r"tenhold=[\w-]{43}; HttpOnly; Max-Age=43200; Path=/; SameSite=lax$", cookie)


def test_on_a_shared_server_the_cookie_goes_only_over_tls(engine, own):
    browser = make_browser(make_app(engine, Reach(names=("ward",))), url="https://ward")
    cookie = sign_in(browser).headers["set-cookie"]
    assert cookie.startswith("__Host-tenhold=")
    assert "; Secure" in cookie
    assert "Domain" not in cookie
    assert browser.get("/account").status_code == 200


def test_only_the_names_told_are_answered(engine, own):
    app = make_app(engine, Reach(names=("ward",)))
    assert make_browser(app, url="https://ward").get("/health").status_code == 200
    refused = make_browser(app, url="https://ward.evil.example").get("/health")
    assert (refused.status_code, refused.json()["title"]) == (400, "Not this host")


def test_a_session_set_before_signing_in_is_worth_nothing(browser, own):
    """Session fixation: the cookie that somebody planted is not the one that is signed in."""
    planted = "A" * 43
    browser.cookies.set("tenhold", planted)
    sign_in(browser)
    assert own.find_session(planted) is None
    browser.cookies.clear()
    browser.cookies.set("tenhold", planted)
    assert browser.get("/account").status_code == 401


def test_signing_in_again_ends_the_session_of_before(browser, own):
    sign_in(browser)
    old = browser.cookies["tenhold"]
    sign_in(browser, "Ada")
    assert browser.cookies["tenhold"] != old
    assert own.find_session(old) is None


def test_a_stolen_session_is_worth_nothing_after_signing_out(browser, app):
    sign_in(browser)
    thief = make_browser(app, "10.9.9.9")
    thief.cookies.set("tenhold", browser.cookies["tenhold"])
    assert thief.get("/account").status_code == 200  # a stolen cookie works until then
    browser.post("/sign-out", headers=HERE)
    assert thief.get("/account").status_code == 401


@pytest.mark.parametrize("act", [
    lambda own: own.set_password("Kim", "another few words"),
    lambda own: own.set_role("Kim", "biomed"),
    lambda own: own.set_disabled("Kim", True),
    lambda own: own.revoke("Kim"),
])  # fmt: skip
def test_what_changes_an_account_ends_its_sessions(browser, own, act):
    sign_in(browser)
    assert browser.get("/account").status_code == 200
    act(own)
    assert browser.get("/account").status_code == 401


def test_a_session_ends_by_itself(browser, app, monkeypatch):
    sign_in(browser)
    later = time.time() + store.SESSION + 1
    app.state.door.accounts().clock = lambda: later
    assert browser.get("/account").status_code == 401


def test_the_digest_in_the_database_opens_nothing(browser, own):
    sign_in(browser)
    kept = store.digest_secret(browser.cookies["tenhold"])
    browser.cookies.clear()
    browser.cookies.set("tenhold", kept)
    assert browser.get("/account").status_code == 401


def test_a_token_works_until_it_is_revoked_or_at_its_end(browser, own, app):
    token = own.make_token("Kim", "monitor", days=1)
    mine = {"authorization": f"Bearer {token}"}
    assert browser.get("/api/machines", headers=mine).status_code == 200
    own.revoke("Kim", "monitor")
    answer = browser.get("/api/machines", headers=mine)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == 'Bearer realm="tenhold"'
    short = {"authorization": f"Bearer {own.make_token('Kim', 'short', days=1)}"}
    later = time.time() + 86401
    app.state.door.accounts().clock = lambda: later
    assert browser.get("/api/machines", headers=short).status_code == 401


@pytest.mark.parametrize("sent", ["Bearer", "Bearer x", "Basic S2ltOng=", "Bearer tenhold-",
                                  "x" * 9999])  # fmt: skip
def test_a_wrong_token_is_not_helped_by_a_cookie_beside_it(browser, sent):
    sign_in(browser)
    assert browser.get("/api/machines", headers={"authorization": sent}).status_code == 401


def test_a_form_of_somewhere_else_is_refused(browser):
    sign_in(browser)
    for headers in ({"origin": "https://evil.example"}, {"origin": "null"},
                    {"origin": OWN, "sec-fetch-site": "cross-site"}, {}):  # fmt: skip
        assert browser.post("/units", data={"low": "kPa"}, headers=headers).status_code == 403


def test_without_an_origin_a_form_needs_the_mark_of_this_session(browser, app, own):
    sign_in(browser)
    mark = re.search(r'name="form_token" value="(\w{64})"', browser.get("/units").text)[1]
    told = {"low": "kPa", "high": "bar", "form_token": mark}
    assert browser.post("/units", data=told).status_code == 303
    other = make_browser(app)
    sign_in(other, "Ada")
    assert other.post("/units", data=told).status_code == 403
    assert mark not in browser.cookies["tenhold"]


def test_every_form_that_sends_something_carries_the_mark(browser):
    sign_in(browser, "Ada")
    for path in ("/", "/units", "/fleet", FORM, "/drills", "/account"):
        page = browser.get(path).text
        assert page.count('method="post"') == page.count('name="form_token"'), path


def test_nobody_is_signed_in_by_a_form_of_somewhere_else(browser):
    told = {"name": "Kim", "password": WORDS}
    for headers in ({}, {"origin": "https://evil.example"}):
        answer = browser.post("/sign-in", data=told, headers=headers)
        assert (answer.status_code, "set-cookie" in answer.headers) == (403, False)


def test_a_name_that_nobody_has_gets_the_same_answer_after_the_same_work(app, own, monkeypatch):
    own.add("Shut", "technician", WORDS)
    own.set_disabled("Shut", True)
    kept = [row.password for row in read_rows(own)] + [store.make_dummy()]
    assert {each.rpartition("$")[0].rpartition("$")[0] for each in kept} == {
        "$argon2id$v=19$m=65536,t=3,p=4"
    }
    asked = []
    real = store._is_right
    monkeypatch.setattr(store, "_is_right", lambda *both: asked.append(1) or real(*both))
    found = set()
    for number, (name, password) in enumerate(
        [("Kim", "wrong"), ("Nobody", WORDS), ("Shut", WORDS), ("'; --", "x"), ("", "")]
    ):
        browser = make_browser(app, f"10.0.1.{number}")
        answer = sign_in(browser, name, password)
        shown = name.replace("'", "&#39;")
        body = answer.text.replace(f'value="{shown}"', "")
        found.add((answer.status_code, body.replace('value=""', ""), len(asked)))
        asked.clear()
    assert len(found) == 1
    assert {(status, count) for status, _, count in found} == {(401, 1)}


def read_rows(own):
    import sqlalchemy as sa

    with own.engine.connect() as connection:
        return list(connection.execute(sa.select(store.accounts)))


@pytest.mark.parametrize("name", ["Kim", "Nobody"])
def test_waiting_grows_and_is_the_same_for_a_name_that_nobody_has(app, name):
    now, waits = [1000.0], []
    app.state.door.throttle.clock = lambda: now[0]
    for turn in range(10):
        browser = make_browser(app, f"10.0.2.{turn}")
        assert sign_in(browser, name, "wrong").status_code == 401
        if app.state.door.throttle.find_wait(name.casefold(), "elsewhere"):
            held = sign_in(browser, name, WORDS)  # not even the right one, before the time
            assert held.status_code == 429
            waits.append(int(held.headers["retry-after"]))
            now[0] += waits[-1]
    assert waits == [1, 2, 4, 8, 16, 32, 60]


def test_one_address_that_tries_many_names_is_held(app):
    app.state.door.throttle.clock = lambda: 1000.0
    browser = make_browser(app, "10.7.7.7")
    found = [sign_in(browser, f"name{number}", "x").status_code for number in range(20)]
    assert found == [401] * 15 + [429] * 5
    forged = {"origin": OWN, "x-forwarded-for": "10.8.8.8"}
    data = {"name": "name99", "password": "x"}
    assert browser.post("/sign-in", data=data, headers=forged).status_code == 429
    assert sign_in(make_browser(app, "10.7.7.8")).status_code == 303  # somebody else gets in


def test_whoever_is_signed_in_is_not_shut_out_by_wrong_passwords_of_others(app, browser):
    sign_in(browser)
    thief = make_browser(app, "10.9.9.9")
    assert 429 in [sign_in(thief, "Kim", "wrong").status_code for _ in range(8)]
    assert browser.get("/").status_code == 200


@pytest.mark.parametrize("name", [
    "' OR '1'='1", "Kim'; DROP TABLE accounts; --", "Kim\x00", "Kim%", "<script>alert(1)</script>",
    "Kim\r\nSet-Cookie: x=y", "{{ 7*7 }}", "K\u202eim", "x" * 100_000,
])  # fmt: skip
def test_a_strange_name_signs_nobody_in_and_is_shown_as_text(browser, own, name):
    answer = sign_in(browser, name, WORDS)
    assert (answer.status_code, "set-cookie" in answer.headers) == (401, False)
    assert "<script>" not in answer.text
    assert "49" not in answer.text
    assert [row.name for row in read_rows(own)] == ["Kim", "Ada"]
    assert own.list_sign_ins(1)[0].account == ""  # what nobody is called is not kept


def test_the_list_of_sign_ins_tells_when_who_whence_and_how_but_no_password(browser, own):
    sign_in(browser, "kim", "not the secret")
    sign_in(browser, " KIM ")
    browser.post("/sign-out", headers=HERE)
    sign_in(browser, "my secret by mistake", "Kim")
    found = [(each.account, each.address, each.result) for each in own.list_sign_ins(4)]
    assert found == [("", "10.0.0.1", "refused"), ("Kim", "10.0.0.1", "signed out"),
                     ("Kim", "10.0.0.1", "signed in"), ("Kim", "10.0.0.1", "refused")]  # fmt: skip
    kept = " ".join(map(str, own.list_sign_ins(100)))
    assert "secret" not in kept
    assert WORDS not in kept


def test_a_password_is_changed_with_the_old_one_and_other_sessions_end(browser, app, own):
    sign_in(browser)
    other = make_browser(app)
    sign_in(other)
    new = {"new": "some other words", "again": "some other words"}

    def change(**told):
        return browser.post("/account/password", data=told, headers=HERE)

    assert change(old="wrong", **new).status_code == 422
    assert change(old=WORDS, new="short", again="short").status_code == 422
    assert change(old=WORDS, new="some other words", again="x").status_code == 422
    assert other.get("/account").status_code == 200
    assert change(old=WORDS, **new).status_code == 303
    assert other.get("/account").status_code == 401
    assert browser.get("/account").status_code == 200
    assert own.check("Kim", WORDS) is None
    token = {"authorization": f"Bearer {own.make_token('Kim', 'ward')}"}
    told = {"old": "some other words", **new}
    answer = make_browser(app).post("/account/password", data=told, headers=token)
    assert answer.status_code == 403


def test_a_form_sent_after_the_session_ended_says_that_it_is_lost(browser, own):
    sign_in(browser)
    own.revoke("Kim")
    answer = browser.post("/fleet", data={"asset": "A-1"}, headers=HERE | PAGE)
    assert answer.headers["location"] == "/sign-in?next=%2Ffleet%3Flost%3Dyes"
    assert "was not taken" in browser.get(answer.headers["location"]).text


def test_records_and_logbook_name_the_account(browser, own, state, engine):
    engine.kit("small", shows=False)
    sign_in(browser)
    begun = browser.post(FORM, data={"answer": "falls_fast", "actor": "Eve"}, headers=HERE)
    name = begun.headers["location"].rpartition("/")[2]
    browser.post(f"/work-ups/{name}/stop", data={"length": "2"}, headers=HERE)
    events = list_events(state / f"{name}.jsonl")
    assert [each["event"] for each in events] == ["opened", "reading", "closed"]
    assert {each["actor"] for each in events} == {"Kim"}
    book = Book()
    take_in(book)
    assert {event.actor for event in book.read(name)} == {"Kim"}
    assert all("actor" not in event.facts for event in book.read(name))
    book.close()


def test_biomed_is_the_account_whatever_is_typed(browser, own):
    hold = "breathing.hold_30"
    seen = Reading(hold, "falls_slowly", 2157.46, "22 cmH2O")
    journal = open_journal(WorkUp("small", hold, (seen,), asset="T-7"), "k")
    journal.write("closed", disposition=REMOVE, reason="", rule="")
    journal.close()
    sign_in(browser, "Ada")
    path = f"/biomed/work-ups/{journal.path.stem}"
    browser.post(f"{path}/hand-over", data={"by": "Somebody else"}, headers=HERE)
    book = Book()
    assert [e.actor for e in book.read(journal.path.stem) if e.kind == "handed_over"] == ["Ada"]
    book.close()


def test_a_session_seen_lately_holds_while_the_database_is_away(browser, app, monkeypatch):
    sign_in(browser)
    assert browser.get("/").status_code == 200

    def fail(*_):
        raise LogError("database", "is away", "wait")

    monkeypatch.setattr(Accounts, "_find", fail)
    assert browser.get("/").status_code == 200
    browser.cookies.set("tenhold", "B" * 43)
    assert browser.get("/").status_code == 503
    assert browser.get("/health").status_code == 200
