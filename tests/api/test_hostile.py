"""Hostile input by hand: each is answered as docs/hostile.md says, and the server goes on.

The first list is sent through the test client, the second as bytes over a socket, because no
honest client would send them.
"""

import json
import re
import socket
from html import escape, unescape
from pathlib import Path
from urllib.parse import quote

import pytest

from diagnose.journal import list_records

ROOT = Path(__file__).resolve().parents[2]
HOLD = "breathing.hold_30"
GIVEN = {"machine": "small", "failed": HOLD, "readings": [{"check": HOLD, "answer": "22 cmH2O"}]}
FORM = f"/machines/small/steps/{HOLD}"
NASTY = "<script>alert(1)</script>"
JSON = {"content-type": "application/json"}
OWN = "http://127.0.0.1:8000"


def rank(body, **headers):
    """Return a request of the JSON side: text as it is, anything else as JSON."""
    text = body if isinstance(body, str | bytes) else json.dumps(body)
    return "POST", "/api/rank", {"content": text, "headers": JSON | headers}


def given(**change):
    return rank(GIVEN | change)


def answer(text):
    return given(readings=[{"check": HOLD, "answer": text}])


def get(path, **headers):
    return "GET", path, {"headers": headers}


def form(path=FORM, body="answer=falls_fast", **headers):
    kind = {"content-type": "application/x-www-form-urlencoded"}
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    return "POST", path, {"content": body, "headers": kind | names}


SENT = [
    ("a body of 10 MB", rank(b"x" * 10_000_000), "413 Too long: body"),
    ("JSON of 90,000 open brackets", rank("[" * 90_000), "400 Refused: body"),
    ("an object 40,000 levels deep", rank('{"a":' * 40_000 + "1" + "}" * 40_000),
     "400 Refused: body"),
    ("NaN as minutes", rank(json.dumps(GIVEN)[:-1] + ', "minutes_left": NaN}'),
     "422 Not in the form asked for: minutes_left"),
    ("Infinity as minutes", rank(json.dumps(GIVEN)[:-1] + ', "minutes_left": Infinity}'),
     "422 Not in the form asked for: minutes_left"),
    ("1e999 as minutes", rank(json.dumps(GIVEN)[:-1] + ', "minutes_left": 1e999}'),
     "422 Not in the form asked for: minutes_left"),
    ("a number of 5,000 digits", rank(json.dumps(GIVEN)[:-1] + f', "minutes_left": {"9" * 5000}}}'),
     "400 Refused: body"),
    ("NUL as the body", rank(b"\x00"), "422 Not in the form asked for: 0"),
    ("NUL in an answer", answer("22\x00 cmH2O"), "422 This cannot be used: answer"),
    ("a body that is no UTF-8", rank(b'{"machine": "\xff\xfe"}'), "400 Refused: body"),
    ("a lone surrogate as machine", rank('{"machine": "\\ud800"}'),
     "422 Not in the form asked for: machine"),
    ("a list where an object belongs", rank("[]"), "422 Not in the form asked for: top"),
    ("null as the body", rank("null"), "422 Not in the form asked for: top"),
    ("a number as machine", given(machine=7), "422 Not in the form asked for: machine"),
    ("an object as answer", answer({"$gt": ""}),
     "422 Not in the form asked for: readings.0.answer"),
    ("yes as a truth value", given(stopped="yes"), "422 Not in the form asked for: stopped"),
    ("a field that nobody knows", given(__proto__={"admin": True}),
     "422 Not in the form asked for: __proto__"),
    ("the same field twice, the second one wrong",
     rank(json.dumps(GIVEN)[:-1] + ', "machine": "tall"}'), "404 No such name: machine"),
    ("501 readings", given(readings=GIVEN["readings"] * 501),
     "422 Not in the form asked for: readings"),
    ("a reading of 100,000 characters", answer("2" * 100_000),
     "422 Not in the form asked for: readings.0.answer"),
    ("a reading beyond any gauge", answer("1e308 cmH2O"), "422 This cannot be used: answer"),
    ("a sum as a number", answer("9**9**9 kPa"), "422 This cannot be used: answer"),
    ("a unit that is code", answer("1 __import__('os')"), "422 This cannot be used: answer"),
    ("minus one minute", given(minutes_left=-1), "422 Not in the form asked for: minutes_left"),
    ("a body without its kind", ("POST", "/api/rank", {"content": json.dumps(GIVEN)}),
     "422 Not in the form asked for: top"),
    ("a form where JSON belongs", ("POST", "/api/rank", {"data": {"machine": "small"}}),
     "422 Not in the form asked for: top"),
    ("JSON where a form belongs", ("POST", FORM, {"json": GIVEN}),
     "422 This cannot be used: content-type"),
    ("a form of 5,000 fields", form(body="&".join(f"a{n}=1" for n in range(5000))),
     "422 This cannot be used: form"),
    ("a path out of the records", get("/api/work-ups/..%2f..%2fetc%2fpasswd"),
     "404 No such address: address"),
    ("the same with a backslash", get("/api/work-ups/..%5c..%5cetc"), "404 No such name: record"),
    ("a path out of the static files", get("/static/%2e%2e/app.py"),
     "404 No such address: address"),
    ("NUL in a path", get("/api/work-ups/a%00b"), "404 No such name: record"),
    ("a name of 60,000 characters", get(f"/api/checks/{'x' * 60_000}"), "404 No such name: name"),
    ("a script as machine", get(f"/api/machines/{quote(NASTY, safe='')}"),
     "404 No such address: address"),
    ("a tag as machine", get(f"/api/machines/{quote('<img src=x onerror=alert(1)>', safe='')}"),
     "404 No such name: machine"),
    ("a query nobody knows", get("/api/machines?debug=1"), "422 This cannot be used: query"),
    ("the same query twice", get("/api/work-ups?limit=1&limit=2"),
     "422 This cannot be used: query"),
    ("a limit of a million", get("/api/work-ups?limit=1000000"),
     "422 Not in the form asked for: limit"),
    ("another host", get("/api/machines", host="evil.example"), "400 Not this host: Host"),
    ("a host that only begins like ours", get("/", host="127.0.0.1.evil.example"),
     "400 Not this host: Host"),
    ("no host", get("/", host=""), "400 Not this host: Host"),
    ("a host that cannot be read", get("/", host="[::1"), "400 Not this host: Host"),
    ("an origin that cannot be read", form(origin="http://[::1"), "403 From elsewhere: Origin"),
    ("a form sent by a page of somewhere else", form(origin="http://evil.example"),
     "403 From elsewhere: Origin"),
    ("the same from a sandbox", form(origin="null"), "403 From elsewhere: Origin"),
    ("the same from another port", form(origin="http://127.0.0.1:9999"),
     "403 From elsewhere: Origin"),
    ("the same without an origin", form(sec_fetch_site="cross-site"), "403 From elsewhere: Origin"),
    ("JSON sent by a page of somewhere else", rank(GIVEN, origin="http://evil.example"),
     "403 From elsewhere: Origin"),
    ("TRACE", ("TRACE", "/api/rank", {}), "405 Not allowed: method"),
    ("a method of its own invention", ("BREW", "/api/rank", {}), "405 Not allowed: method"),
    ("DELETE of a work-up", ("DELETE", "/api/work-ups/x", {}), "405 Not allowed: method"),
    ("a GET said to be a POST", get("/api/rank", **{"x-http-method-override": "POST"}),
     "405 Not allowed: method"),
    ("an address said to be another", get("/nothing", **{"x-original-url": "/api/machines"}),
     "404 No such address: address"),
    ("a key of 10,000 characters", ("POST", "/api/work-ups", {"json": GIVEN, "headers": {
        "idempotency-key": "k" * 10_000}}), "422 Not in the form asked for: Idempotency-Key"),
    ("a length beyond any record", ("POST", "/api/work-ups/work-up-20260101-000000-abcd/undo",
     {"json": {"length": 10**30}}), "422 Not in the form asked for: length"),
]  # fmt: skip
ids = [name for name, _, _ in SENT]


def say(answer):
    """Return what was got, as the page says it: status, title and the first place."""
    told = answer.json()
    assert answer.headers["content-type"] == "application/problem+json"
    assert told["status"] == answer.status_code
    where = told["problems"][0]["where"] if told["problems"] else ""
    return f"{answer.status_code} {told['title']}: {where}"


@pytest.mark.parametrize(("request_", "expected"), [(r, e) for _, r, e in SENT], ids=ids)
def test_hostile_input_is_answered_with_a_problem(client, request_, expected):
    method, path, more = request_
    assert say(client.request(method, path, **more)) == expected
    assert client.get("/health").status_code == 200
    assert list_records()[0] == []


@pytest.mark.parametrize("accept", ["text/html", "application/json"])
def test_what_was_sent_is_shown_without_its_tags(client, accept):
    answer = client.get("/machines/small", params={"search": NASTY}, headers={"accept": accept})
    assert NASTY not in answer.text and escape(NASTY) in answer.text
    tag = quote("<img src=x onerror=alert(1)>", safe="")
    answer = client.get(f"/machines/{tag}", headers={"accept": accept})
    assert answer.status_code == 404
    if accept == "text/html":
        assert "<img" not in answer.text and "<img src=x" in unescape(answer.text)
    else:
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_key_with_a_line_end_cannot_make_a_line_of_the_record(client):
    headers = {"idempotency-key": b'k"}\n{"event": "closed"'}
    answer = client.post("/api/work-ups", json=GIVEN, headers=headers)
    assert say(answer) == "422 Not in the form asked for: Idempotency-Key"


RAW = [
    ("no HTTP at all", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", "400"),
    ("two lengths", b"POST /api/rank HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 2\r\n"
     b"Content-Length: 3\r\n\r\n{}", "400"),
    ("a negative length", b"POST /api/rank HTTP/1.1\r\nHost: 127.0.0.1\r\n"
     b"Content-Length: -1\r\n\r\n", "400"),
    ("a header of 1 MB", b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Long: "
     + b"a" * 1_000_000 + b"\r\n\r\n", "400"),
    ("no host at all", b"GET /health HTTP/1.0\r\n\r\n", "400"),
    ("a line end in a path", b"GET /health\r\nX: y HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "400"),
    ("two hosts", b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n", "400"),
    ("a whole address of elsewhere", b"GET http://evil.example/health HTTP/1.1\r\n"
     b"Host: evil.example\r\n\r\n", "400"),
    ("a tunnel", b"CONNECT evil.example:443 HTTP/1.1\r\nHost: evil.example:443\r\n\r\n", "400"),
    ("chunks that are none", b"POST /api/rank HTTP/1.1\r\nHost: 127.0.0.1\r\n"
     b"Transfer-Encoding: chunked\r\n\r\nZZZ\r\n", "400"),
]  # fmt: skip


@pytest.fixture(scope="module")
def port(serve):
    with serve() as address:
        yield int(address.rpartition(":")[2])


def send(port, data):
    """Return the first line of what a server answers to bytes."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as line:
        try:
            line.sendall(data)
            return line.recv(65_536).decode("latin-1").partition("\r\n")[0]
        except ConnectionError:
            return "closed"


@pytest.mark.parametrize(
    ("data", "status"), [(d, s) for _, d, s in RAW], ids=[n for n, _, _ in RAW]
)
def test_bytes_that_are_no_request_are_refused_and_the_server_goes_on(port, data, status):
    assert send(port, data).split()[1:2] == [status]
    well = b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
    assert send(port, well) == "HTTP/1.1 200 OK"


def test_the_page_says_what_each_got():
    page = (ROOT / "docs/hostile.md").read_text("utf-8")
    told = re.findall(r"^\| (?!what|---)(.*?) \| (.*?) \|$", page, re.M)
    assert told == [(name, got) for name, _, got in [*SENT, *RAW]]
