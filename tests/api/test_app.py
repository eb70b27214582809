"""The server as programs and browsers meet it: JSON, errors, whole work-ups through plain forms."""

import contextlib
import json
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from html import unescape
from pathlib import Path

import httpx
import pytest
from fastapi.testclient import TestClient

from api.app import make_app
from api.engine import Engine
from diagnose.journal import list_records, read_record
from diagnose.kb.load import FOLDER

ROOT = Path(__file__).resolve().parents[2]
HOLD = "breathing.hold_30"
FAILED = f"/machines/small/steps/{HOLD}"
RETURN = "RETURN TO CHECKOUT"
REMOVE = "REMOVE FROM SERVICE AND CALL BIOMED"
GIVEN = {
    "machine": "small",
    "failed": HOLD,
    "readings": [{"check": HOLD, "answer": "22 cmH2O"}],
    "minutes_left": 20,
}


def serve(folder=FOLDER):
    return TestClient(
        make_app(Engine(folder)), base_url="http://127.0.0.1:8000", raise_server_exceptions=False
    )


@pytest.fixture(scope="module")
def engine():
    return Engine(FOLDER)


@pytest.fixture
def client(engine):
    app = make_app(engine)
    engine.kit("small", shows=False)
    return TestClient(app, base_url="http://127.0.0.1:8000", raise_server_exceptions=False)


def text_of(answer):
    """Return what a page says, without its tags."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def length_of(answer):
    return re.search(r'name="length" value="(\d+)"', answer.text)[1]


def start(client, answer="22 cmH2O", **more):
    number, _, unit = answer.partition(" ")
    form = {"number": number, "unit": unit} if unit else {"answer": answer}
    page = client.post(FAILED, data=form | more)
    assert page.status_code == 200, text_of(page)
    return page


def say(client, page, check, answer):
    """Open the page of a check and answer there."""
    path = page.url.path.partition("/do/")[0]
    task = client.get(f"{path}/do/{check}")
    form = {"length": length_of(task), "answer": answer}
    return client.post(f"{path}/do/{check}", data=form)


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
        ({"machine": "\ud800"}, 404, "machine"),
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
    assert told["detail"] in text_of(answer)


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
    assert policy.startswith("default-src 'none'; style-src 'self'; img-src 'self' data:; form-")


def test_no_page_asks_for_anything_outside(client):
    page = start(client)
    path = page.url.path
    for each in ("/", "/machines/small", FAILED, path, f"{path}/sheet", f"{path}/checks",
                 f"{path}/remedies", f"{path}/do/{HOLD}"):  # fmt: skip
        text = client.get(each).text
        assert not re.findall(r'(?:src|href|action)="(?:https?:)?//', text)
        assert "style=" not in text and "<script" not in text
        assert '<html lang="en">' in text and "<main" in text
        assert len(text) < 200_000


def test_from_the_first_page_to_the_first_choice_in_three_taps(client):
    taps = 0
    page = client.get("/")
    for wanted in ("/machines/small", FAILED):
        assert f'href="{wanted}"' in page.text
        page, taps = client.get(wanted), taps + 1
    assert 'name="answer" value="falls_slowly"' in page.text
    page, taps = client.post(FAILED, data={"answer": "falls_slowly"}), taps + 1
    assert "Do 1" in page.text
    assert taps == 3


def test_a_step_is_found_by_its_words(client):
    page = text_of(client.get("/machines/small", params={"search": "hold 30"}))
    assert "Breathing system hold at 30 cmH2O" in page
    assert "Oxygen monitor" not in page
    nothing = client.get("/machines/small", params={"search": "<b>"})
    assert "Nothing here matches '<b>'" in text_of(nothing)
    assert "<b>" not in nothing.text


def test_a_number_without_its_unit_is_asked_again_and_nothing_is_lost(client):
    form = {"number": "22", "minutes": "12", "part": "supply"}
    page = client.post(FAILED, data=form)
    assert page.status_code == 422
    assert "'22' has no unit" in text_of(page)
    assert 'name="minutes" inputmode="decimal" autocomplete="off" maxlength="8" value="12"' in (
        page.text)  # fmt: skip
    assert 'value="supply" checked' in page.text
    assert list_records()[0] == []


@pytest.mark.parametrize("form", [{}, {"answer": ""}, {"answer": "holds"}, {"answer": "\x00"},
                                  {"answer": "falls_fast", "minutes": "soon"}])  # fmt: skip
def test_a_bad_answer_begins_nothing(client, form):
    assert client.post(FAILED, data=form).status_code == 422
    assert list_records()[0] == []


def test_parts_that_passed_are_read_as_passed(client):
    start(client, part=["supply"], step=["power.mains_look"], minutes="15")
    (record,) = list_records()[0]
    zones = {reading.test.partition(".")[0] for reading in record.work.readings}
    assert "supply" in zones and zones <= {"supply", "power", "breathing"}
    assert record.work.minutes_left == 15
    assert "until it is needed" in text_of(client.get(f"/work-ups/{record.name}"))


def test_a_stop_ends_in_removal_and_can_be_taken_back(client):
    page = start(client)
    path = page.url.path
    ended = client.post(f"{path}/stop", data={"length": length_of(page)})
    assert REMOVE in text_of(ended) and RETURN not in text_of(ended)
    assert read_record(list_records()[0][0].path).is_closed
    assert REMOVE in text_of(client.get(f"{path}/sheet"))
    again = client.post(f"{path}/undo", data={"length": length_of(ended)})
    assert "Do next" in text_of(again)


def test_a_slip_put_right_leads_back_to_the_checkout(client):
    page = start(client, "falls_fast", part="all")
    path = page.url.path
    page = say(client, page, "breathing.apl_turn", "was_open")
    assert "APL valve left open" in text_of(page)
    task = client.get(f"{path}/put-right/close@apl_valve")
    assert "Number 1 is done" in task.text
    page = client.post(f"{path}/put-right/close@apl_valve", data={"length": length_of(task)})
    assert page.url.path == f"{path}/do/{HOLD}"
    form = {"length": length_of(page), "number": "30", "unit": "cmH2O"}
    ended = text_of(client.post(page.url.path, data=form))
    assert RETURN in ended and REMOVE not in ended
    assert "Use the machine only when the checkout is passed" in ended
    assert list_records()[0][0].is_closed


def test_an_entry_is_on_the_disk_before_it_is_answered_and_can_be_undone(client):
    page = start(client)
    page = say(client, page, "breathing.bag_look", "torn")
    (record,) = list_records()[0]
    assert [r.outcome for r in record.work.readings] == ["falls_slowly", "torn"]
    page = client.post(f"{page.url.path}/undo", data={"length": length_of(page)})
    (record,) = list_records()[0]
    assert [r.outcome for r in record.work.readings] == ["falls_slowly"]
    refused = client.post(f"{page.url.path}/undo", data={"length": length_of(page)})
    assert is_trouble(refused, 422)["detail"].endswith("There is nothing to take back")


def test_two_people_on_one_work_up_do_not_overwrite_each_other(client):
    page = start(client)
    path = page.url.path
    old = length_of(client.get(f"{path}/do/breathing.bag_look"))
    say(client, page, "breathing.apl_turn", "was_closed")
    late = client.post(f"{path}/do/breathing.bag_look", data={"length": old, "answer": "torn"})
    assert late.status_code == 409
    said = text_of(late)
    assert "Somebody entered something since this page was shown" in said
    assert "Not taken: Stretch the bag and look: torn" in said and "APL" in said
    for act in ("undo", "stop", "put-right/close@apl_valve"):
        assert client.post(f"{path}/{act}", data={"length": old}).status_code == 409
    (record,) = list_records()[0]
    assert [r.test for r in record.work.readings] == [HOLD, "breathing.apl_turn"]


def test_a_tap_that_arrives_twice_counts_once(client):
    page = start(client)
    path = f"{page.url.path}/do/breathing.bag_look"
    form = {"length": length_of(page), "answer": "sound"}
    form["answer"] = re.search(r'name="answer" value="([a-z_]+)">', client.get(path).text)[1]
    assert [client.post(path, data=form).status_code for _ in range(2)] == [200, 200]
    assert len(list_records()[0][0].work.entries) == 2


def test_a_work_up_goes_on_after_the_server_was_started_again(client, call):
    page = start(client)
    page = say(client, page, "breathing.bag_look", "torn")
    again = serve()
    assert page.url.path in again.get("/").text
    shown = again.get(page.url.path)
    while "Please wait" in shown.text:
        shown = again.get(page.url.path)
    assert "torn" in text_of(shown)
    assert length_of(shown) == length_of(page)
    page = say(again, shown, "breathing.apl_turn", "was_closed")
    assert len(list_records()[0][0].work.entries) == 3


def test_a_line_torn_by_a_crash_is_left_out_and_the_work_goes_on(client):
    page = start(client)
    path = list_records()[0][0].path
    with path.open("a", encoding="utf-8") as file:
        file.write('{"event": "rea')
    page = say(client, client.get(page.url.path), "breathing.bag_look", "torn")
    assert [r.outcome for r in read_record(path).work.readings] == ["falls_slowly", "torn"]


def test_a_record_that_cannot_be_written_takes_no_entry(client, monkeypatch, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    monkeypatch.setenv("TENHOLD_STATE", str(blocked / "state"))
    told = is_trouble(client.post(FAILED, data={"answer": "falls_fast"}), 503)
    assert "TENHOLD_STATE" in told["detail"]


def test_names_in_the_knowledge_are_never_taken_as_tags(tmp_path):
    folder = tmp_path / "knowledge"
    shutil.copytree(FOLDER, folder)
    machine = folder / "machines/small.yaml"
    text = machine.read_text("utf-8").replace("Teaching machine", "<script>alert(1)</script>", 1)
    machine.write_text(text, "utf-8")
    other = serve(folder)
    for path in ("/", "/machines/small", FAILED):
        page = other.get(path)
        assert "&lt;script&gt;alert(1)" in page.text
        assert "<script" not in page.text


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
