"""The server as programs meet it: JSON, its description, every error, the command itself."""

import contextlib
import json
import re
import shlex
import signal
import socket
import subprocess
import sys
import time
from html import unescape
from pathlib import Path

import httpx
import pytest

ROOT = Path(__file__).resolve().parents[2]
HOLD = "breathing.hold_30"
FAILED = f"/machines/small/steps/{HOLD}"
GIVEN = {
    "machine": "small",
    "failed": HOLD,
    "readings": [{"check": HOLD, "answer": "22 cmH2O"}],
    "minutes_left": 20,
}


def is_trouble(answer, status):
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert list(told) == ["status", "title", "detail", "problems"]
    assert told["status"] == status
    assert told["title"] and told["detail"]
    return told


def test_rank_is_the_same_as_at_the_command_line(client, call, tmp_path):
    path = tmp_path / "given.json"
    path.write_text(json.dumps(GIVEN), "utf-8")
    told = json.loads(call("rank", path, "--json").stdout)
    answer = client.post("/api/rank", json=GIVEN)
    assert answer.status_code == 200
    assert answer.json() == told


@pytest.mark.parametrize("words", ["machines", "checks small", "causes small"])
def test_a_list_is_the_same_as_at_the_command_line(client, call, words):
    command, _, machine = words.partition(" ")
    path = f"/api/machines/{machine}/{command}" if machine else "/api/machines"
    assert client.get(path).json() == json.loads(call(*words.split(), "--json").stdout)


def test_the_steps_are_the_checks_of_the_checkout(client):
    steps = client.get("/api/machines/small/steps").json()
    assert {step["kind"] for step in steps} == {"step"}
    assert HOLD in {step["id"] for step in steps}


@pytest.mark.parametrize("path", ["checks/breathing.hold_30", "causes/breathing.bag_torn"])
def test_one_check_or_cause_is_shown_as_at_the_command_line(client, call, path):
    shown = json.loads(call("show", path.partition("/")[2], "--json").stdout)
    assert client.get(f"/api/{path}").json() == shown


def test_the_circuit_is_a_picture(client):
    answer = client.get("/api/machines/small/circuit.svg", params={"check": HOLD})
    assert answer.headers["content-type"] == "image/svg+xml"
    assert answer.text.startswith("<svg")


def test_the_server_says_that_it_is_there_and_ready(client):
    assert client.get("/health").json() == {"status": "running"}
    assert client.get("/ready").json()["status"] == "ready"


def test_the_interface_is_described_with_an_example(client):
    described = client.get("/openapi.json").json()
    body = described["paths"]["/api/rank"]["post"]["requestBody"]["content"]["application/json"]
    (example,) = body["examples"].values()
    assert client.post("/api/rank", json=example["value"]).status_code == 200
    assert "application/problem+json" in described["paths"]["/api/rank"]["post"]["responses"][
        "422"]["content"]  # fmt: skip
    assert "HTTPValidationError" not in json.dumps(described)


@pytest.mark.parametrize(
    ("change", "status", "where"),
    [
        ({"machine": "tall"}, 404, "machine"),
        ({"failed": "breathing.no_such"}, 404, "step"),
        ({"readings": [{"check": "breathing.no_such", "answer": "x"}]}, 404, "breathing.no_such"),
        ({"readings": [{"check": HOLD, "answer": "22"}]}, 422, "answer"),
        ({"readings": [{"check": HOLD, "answer": "blue"}]}, 422, HOLD),
        ({"readings": [{"check": HOLD, "answer": "9**9**9**9 kPa"}]}, 422, "answer"),
        ({"readings": [{"check": HOLD, "answer": "holds"}]}, 422, HOLD),
        ({"readings": []}, 422, "readings"),
        ({"minutes_left": -1}, 422, "minutes_left"),
        ({"weight": 1}, 422, "weight"),
        ({"remedies": [{"act": "fly", "component": "bag"}]}, 422, "remedies"),
        ({"remedies": [{"act": "close", "component": "wing"}]}, 422, "small"),
        ({"machine": "\ud800"}, 422, "machine"),
    ],
)
def test_bad_input_is_a_problem_that_says_where(client, change, status, where):
    body = json.dumps(GIVEN | change)
    answer = client.post("/api/rank", content=body, headers={"content-type": "application/json"})
    told = is_trouble(answer, status)
    assert where in [problem["where"] for problem in told["problems"]]


def test_all_problems_of_a_form_are_told_at_once(client):
    told = is_trouble(client.post("/api/rank", json={"machine": 1, "who": "nobody"}), 422)
    wheres = {problem["where"] for problem in told["problems"]}
    assert wheres == {"machine", "failed", "readings", "who"}


@pytest.mark.parametrize("body", ["{", "NaN", "[" * 90_000, '{"a": NaN}', "\x00", ""])
def test_a_body_that_is_no_work_up_is_a_problem(client, body):
    answer = client.post("/api/rank", content=body, headers={"content-type": "application/json"})
    assert answer.status_code in (400, 422)
    is_trouble(answer, answer.status_code)


@pytest.mark.parametrize("path", ["/api/rank", FAILED])
def test_a_body_above_the_limit_is_refused(client, path):
    is_trouble(client.post(path, content=b"x" * 262_145), 413)
    parts = (b"x" * 65_536 for _ in range(5))  # without a length that is told before
    is_trouble(client.post(path, content=parts), 413)


@pytest.mark.parametrize(
    "path",
    [
        "/nothing",
        "/api/machines/tall/steps",
        "/api/machines/small/circuit.svg?check=breathing.no",
        "/api/checks/breathing.bag_torn",
        "/api/causes/nothing.at_all",
        "/machines/tall",
        "/machines/small/steps/breathing.no_such",
        "/work-ups/work-up-20260101-000000-abcd",
        "/work-ups/..%2f..%2fetc%2fpasswd",
        "/work-ups/last",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
    ],
)
def test_an_unknown_name_is_not_found(client, path):
    is_trouble(client.get(path), 404)


def test_another_method_is_not_allowed(client):
    is_trouble(client.delete("/api/rank"), 405)


def test_an_error_of_a_page_is_a_page_in_the_same_words(client):
    answer = client.get("/machines/tall", headers={"accept": "text/html"})
    assert answer.status_code == 404
    told = client.get("/machines/tall").json()
    assert told["detail"] in unescape(answer.text)


def test_a_fault_in_tenhold_itself_says_that_the_machine_is_not_safe(client, monkeypatch, engine):
    monkeypatch.setattr(engine, "diagnose", lambda work: 1 / 0)
    told = is_trouble(client.post("/api/rank", json=GIVEN), 500)
    assert "Treat the machine as not shown to be safe" in told["detail"]


def test_a_page_of_somewhere_else_can_neither_read_nor_send(client):
    is_trouble(client.get("/", headers={"host": "evil.example"}), 400)
    for name, value in (("origin", "http://evil.example"), ("sec-fetch-site", "cross-site")):
        is_trouble(client.post(FAILED, data={"answer": "falls_fast"}, headers={name: value}), 403)
    own = {"origin": "http://127.0.0.1:8000", "sec-fetch-site": "same-origin"}
    assert client.post(FAILED, data={"answer": "falls_fast"}, headers=own).status_code == 200


@pytest.mark.parametrize("path", ["/", "/machines/small", FAILED, "/nothing", "/api/machines"])
def test_every_answer_forbids_what_is_not_our_own(client, path):
    policy = client.get(path).headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'; img-src ")
    assert "unsafe" not in policy and "http" not in policy and "*" not in policy


def wait_for(url, process):
    for _ in range(300):
        assert process.poll() is None, process.stderr.read()
        with contextlib.suppress(httpx.TransportError):
            return httpx.get(url)
        time.sleep(0.1)
    raise AssertionError("the server never answered")


@pytest.fixture
def port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def test_the_command_serves_until_ctrl_c(port):
    command = [sys.executable, "-c", "from api.cli import main; main()", "serve", "--port"]
    process = subprocess.Popen(
        [*command, str(port)], stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    try:
        assert wait_for(f"http://127.0.0.1:{port}/health", process).status_code == 200
        process.send_signal(signal.SIGINT)
        said = process.communicate(timeout=60)[1]
        assert process.returncode == 130
        assert said == f"http://127.0.0.1:{port} until Ctrl-C\n"
    finally:
        process.kill()
        process.wait()


def test_a_port_that_is_taken_is_said(call, port):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        result = call("serve", "--port", port)
    assert result.exit_code == 3
    assert f"--port: {port} cannot be used" in result.output


def test_every_curl_of_the_page_about_the_server_works(client):
    page = (ROOT / "docs/serve.md").read_text("utf-8")
    block = "\n".join(re.findall(r"^```sh\n(.*?)^```", page, re.M | re.S))
    lines = [line for line in block.replace("\\\n", " ").splitlines() if line.startswith("curl ")]
    assert len(lines) >= 4
    for line in lines:
        words = shlex.split(line)
        url = next(word for word in words if word.startswith("http://127.0.0.1:8000"))
        if "--json" in words:
            answer = client.post(url, json=json.loads(words[words.index("--json") + 1]))
        else:
            answer = client.get(url)
        assert answer.status_code == 200, line
