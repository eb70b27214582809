"""Knowledge as programs look it up, the memory of answers, figures and the log of requests."""

import json
import logging
import threading

import pytest

from api.engine import Engine
from api.memory import Memory
from api.watch import write_log
from diagnose import session
from diagnose.kb.load import FOLDER
from diagnose.model import Reading, WorkUp

HOLD = "breathing.hold_30"
GIVEN = {"machine": "small", "failed": HOLD, "readings": [{"check": HOLD, "answer": "22 cmH2O"}]}
PATHS = [
    "/api/machines",
    "/api/machines/small",
    "/api/machines/small/steps",
    "/api/machines/small/checks",
    "/api/machines/small/causes",
    f"/api/machines/small/circuit.svg?check={HOLD}",
    f"/api/checks/{HOLD}",
    "/api/causes/breathing.bag_torn",
    "/api/sources",
]


@pytest.mark.parametrize("path", PATHS)
def test_knowledge_that_a_program_has_is_not_sent_again(client, engine, path):
    first = client.get(path)
    mark = first.headers["etag"]
    assert first.status_code == 200 and engine.base().version in mark
    again = client.get(path, headers={"if-none-match": f'"other", W/{mark}'})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["etag"] == mark
    assert client.get(path, headers={"if-none-match": '"other"'}).content == first.content


def test_what_is_not_there_has_no_mark(client):
    answer = client.get("/api/machines/tall", headers={"if-none-match": "*"})
    assert answer.status_code == 404 and "etag" not in answer.headers


def test_a_work_up_is_no_knowledge_and_is_never_kept(client):
    answer = client.post("/api/work-ups", json=GIVEN)
    assert "etag" not in answer.headers and answer.headers["cache-control"] == "no-store"


def test_each_check_tells_set_up_reading_outcomes_and_minutes(client):
    checks = client.get("/api/machines/small/checks").json()
    for check in checks:
        assert check["reading"]["kind"] == ("number" if check["reading"]["unit"] else "outcome")
        assert check["minutes"] > 0 and len(check["outcomes"]) > 1
    hold = next(check for check in checks if check["id"] == HOLD)
    assert hold["reading"]["unit"] == "cmH2O" and hold["set_up"]["apl_valve"] == "closed"
    assert [move for move in hold["procedure"] if "fill" in move]


def test_every_source_that_a_check_names_is_listed(client):
    known = {source["id"] for source in client.get("/api/sources").json()}
    named = {s.partition("#")[0] for check in client.get("/api/machines/small/checks").json()
             for s in check["sources"]}  # fmt: skip
    assert named and named <= known


def test_a_machine_tells_its_parts_and_how_they_are_joined(client):
    told = client.get("/api/machines/small").json()
    parts = {part["id"] for part in told["components"]}
    assert "apl_valve" in parts
    ends = {end.split(".")[0] for each in told["connections"] for end in each.split(" - ")}
    assert ends and ends <= parts and told["ready"].keys() <= parts


@pytest.fixture
def asked(monkeypatch):
    """Count what is really worked out."""
    found, real = [], session.diagnose

    def count(kit, work):
        found.append(work)
        return real(kit, work)

    monkeypatch.setattr(session, "diagnose", count)
    return found


def test_the_same_question_is_worked_out_once(client, asked):
    first = client.post("/api/rank", json=GIVEN | {"minutes_left": 11.25})
    again = client.post("/api/rank", json=GIVEN | {"minutes_left": 11.25})
    assert again.content == first.content and len(asked) == 1
    client.post("/api/rank", json=GIVEN | {"minutes_left": 11.5})
    assert len(asked) == 2


def test_what_is_refused_is_not_remembered(client, engine, monkeypatch):
    monkeypatch.setattr(engine, "diagnose", lambda work: 1 / 0)
    body = GIVEN | {"minutes_left": 13.75}
    assert client.post("/api/rank", json=body).status_code == 500
    monkeypatch.undo()
    assert client.post("/api/rank", json=body).status_code == 200


def test_many_who_ask_the_same_at_once_wait_for_one_answer(asked):
    engine = Engine(FOLDER)
    work = WorkUp("small", HOLD, (Reading(HOLD, "falls_fast", None, "falls_fast"),), 17.0)
    engine.kit("small", shows=False)
    found = []
    threads = [threading.Thread(target=lambda: found.append(engine.diagnose(work)))
               for _ in range(4)]  # fmt: skip
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(asked) == 1 and len({id(each) for each in found}) == 1


def test_a_memory_lets_go_of_what_was_asked_longest_ago():
    memory = Memory(2)
    memory.put("a", 1)
    memory.put("b", 2)
    assert memory.get("a") == 1
    memory.put("c", 3)
    assert (memory.get("b"), memory.get("a"), len(memory)) == (None, 1, 2)


def test_figures_tell_routes_by_their_template(client):
    client.get(f"/api/checks/{HOLD}")
    client.get("/api/checks/nothing.at_all")
    client.get("/nowhere/at/all")
    client.get("/api/machines", headers={"host": "evil.example"})
    said = client.get("/metrics")
    assert said.headers["content-type"].startswith("text/plain; version=0.0.4")
    for line in (
        'tenhold_requests_total{method="GET",route="/api/checks/{name}",status="200"} 1.0',
        'tenhold_requests_total{method="GET",route="/api/checks/{name}",status="404"} 1.0',
        'tenhold_requests_total{method="GET",route="none",status="404"} 1.0',
        'tenhold_requests_total{method="GET",route="none",status="400"} 1.0',
        'tenhold_request_seconds_count{method="GET",route="/api/checks/{name}"} 2.0',
    ):
        assert line in said.text.splitlines()
    assert HOLD not in said.text and "nowhere" not in said.text


def test_a_fault_of_our_own_is_counted_and_has_every_header(client, engine, monkeypatch):
    monkeypatch.setattr(engine, "diagnose", lambda work: 1 / 0)
    answer = client.post("/api/rank", json=GIVEN | {"minutes_left": 1.5})
    assert answer.status_code == 500
    assert answer.headers["content-security-policy"] and answer.headers["x-request-id"]
    assert 'route="/api/rank",status="500"} 1.0' in client.get("/metrics").text


@pytest.fixture
def log(tmp_path):
    """The lines of the log of requests."""
    logger = logging.getLogger("api.requests")
    before = (list(logger.handlers), logger.level, logger.propagate)
    path = tmp_path / "log.jsonl"
    write_log(str(path))
    yield lambda: [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    for handler in logger.handlers[len(before[0]) :]:
        handler.close()
    logger.handlers, logger.level, logger.propagate = before


def test_each_request_leaves_one_line_that_names_nobody(client, log):
    headers = {"idempotency-key": "nurse-jane"}
    answer = client.post("/api/work-ups", json=GIVEN, headers=headers)
    name = answer.json()["name"]
    client.get(f"/api/work-ups/{name}/circuit.svg", params={"check": HOLD})
    first, second = log()
    assert name and list(first) == ["time", "method", "route", "status", "ms", "request"]
    assert first["request"] == answer.headers["x-request-id"] != second["request"]
    assert first["ms"] > 0
    told = [value for line in (first, second) for key, value in line.items()
            if key not in ("time", "ms", "request")]  # fmt: skip
    assert told == ["POST", "/api/work-ups", 201, "GET", "/api/work-ups/{name}/circuit.svg", 200]


def test_a_log_that_cannot_be_written_is_said_before_the_server_starts(call, tmp_path):
    result = call("serve", "--port", 8109, "--log", tmp_path / "no" / "log")
    assert result.exit_code == 3
    assert "--log" in result.output and "cannot be written" in result.output
