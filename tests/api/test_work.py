"""Work-ups that programs follow over JSON: one record, no entry lost, no write done twice."""

import json
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi.testclient import TestClient

from api.app import make_app
from diagnose.journal import list_records

HOLD = "breathing.hold_30"
OPENING = {
    "machine": "small",
    "failed": HOLD,
    "readings": [{"check": HOLD, "answer": "falls_fast"}],
    "passed": ["all"],
    "minutes_left": 30,
}
RETURN = "return to checkout"
REMOVE = "remove from service and call biomed"


def begin(client, **change):
    answer = client.post("/api/work-ups", json=OPENING | change)
    assert answer.status_code == 201, answer.text
    return answer.json()


def say(client, work, what, key=None, **more):
    """Send a write decided on a state of a work-up."""
    headers = {} if key is None else {"idempotency-key": key}
    body = {"length": work["length"], **more}
    return client.post(f"/api/work-ups/{work['name']}/{what}", json=body, headers=headers)


def read(client, work):
    return client.get(f"/api/work-ups/{work['name']}").json()


def test_a_slip_is_followed_to_the_return_to_checkout(client):
    work = begin(client)
    work = say(client, work, "readings", check="breathing.apl_turn", answer="was_open").json()
    work = say(client, work, "remedies", act="close", component="apl_valve").json()
    assert not work["assessment"]["disposition"]["final"] and work["closed_at"] is None
    work = say(client, work, "readings", check=HOLD, answer="30 cmH2O").json()
    assert work["assessment"]["disposition"]["say"] == RETURN
    assert work["closed_at"] is not None
    sheet = client.get(f"/api/work-ups/{work['name']}/handover").json()
    assert sheet["disposition"]["say"] == RETURN
    assert [each["kind"] for each in sheet["entries"]] == ["reading", "reading", "remedy",
                                                           "reading"]  # fmt: skip
    assert all(each["at"] for each in sheet["entries"])
    assert "Not a medical device." in " ".join(sheet["cautions"])


def test_the_pages_and_the_json_tell_of_one_record(client):
    work = begin(client)
    (record,) = list_records()[0]
    assert record.name == work["name"] and record.length == work["length"]
    form = {"length": str(work["length"]), "answer": "torn"}
    client.post(f"/work-ups/{work['name']}/do/breathing.bag_look", data=form)
    assert read(client, work)["entries"][-1]["outcome"] == "torn"
    assert client.get("/api/work-ups").json()["work_ups"][0]["name"] == work["name"]


def test_the_first_assessment_is_that_of_rank(client):
    change = {"minutes_left": None}
    ranked = client.post("/api/rank", json=OPENING | change).json()
    assert begin(client, **change)["assessment"] == ranked


def test_not_sure_is_an_answer_that_says_nothing(client):
    work = begin(client)
    before = [(c["ids"], c["chance"]) for c in work["assessment"]["ranking"]]
    answer = say(client, work, "readings", check="breathing.bag_look", answer="not sure")
    told = answer.json()
    assert told["entries"][-1]["outcome"] == "not_sure"
    assert [(c["ids"], c["chance"]) for c in told["assessment"]["ranking"]] == before


def test_a_stop_removes_from_service_and_undo_takes_it_back(client):
    work = begin(client)
    ended = say(client, work, "stop").json()
    assert ended["assessment"]["disposition"]["say"] == REMOVE and ended["closed_at"]
    refused = say(client, ended, "readings", check="breathing.bag_look", answer="torn")
    assert refused.status_code == 409 and refused.json()["length"] == ended["length"]
    again = say(client, ended, "undo").json()
    assert again["closed_at"] is None and not again["assessment"]["disposition"]["final"]
    assert say(client, again, "undo").status_code == 422


@pytest.mark.parametrize(
    ("what", "body"),
    [
        ("readings", {"check": "breathing.bag_look", "answer": "torn"}),
        ("remedies", {"act": "close", "component": "apl_valve"}),
        ("undo", {}),
        ("stop", {}),
    ],
)
def test_a_write_on_an_old_state_is_refused_with_the_newest_length(client, what, body):
    old = begin(client)
    new = say(client, old, "readings", check="breathing.apl_turn", answer="was_closed").json()
    late = say(client, old, what, **body)
    assert late.status_code == 409
    assert late.headers["content-type"] == "application/problem+json"
    assert late.json()["length"] == new["length"]
    assert read(client, old)["length"] == new["length"]


def test_the_same_entry_by_another_person_is_not_taken_for_a_second_tap(client):
    old = begin(client)
    body = {"check": "breathing.bag_look", "answer": "torn"}
    assert say(client, old, "readings", **body).status_code == 200
    assert say(client, old, "readings", **body).status_code == 409


def test_a_key_makes_a_write_count_once(client):
    work = begin(client)
    body = {"check": "breathing.bag_look", "answer": "torn"}
    first = say(client, work, "readings", "k1", **body)
    later = say(client, first.json(), "readings", "k2", check="breathing.apl_turn",
                answer="was_closed")  # fmt: skip
    again = say(client, work, "readings", "k1", **body)
    assert later.status_code == 200 and again.status_code == 200
    assert again.content == first.content
    assert len(list_records()[0][0].work.readings) == len(later.json()["entries"])


@pytest.mark.parametrize("what", ["undo", "stop"])
def test_an_undo_or_stop_with_a_key_counts_once(client, what):
    work = begin(client)
    work = say(client, work, "readings", check="breathing.bag_look", answer="sound").json()
    first = say(client, work, what, "k1")
    assert first.status_code == 200
    length = read(client, work)["length"]
    assert say(client, work, what, "k1").content == first.content
    assert read(client, work)["length"] == length


def test_a_key_that_made_an_end_is_answered_with_that_end(client):
    work = begin(client)
    work = say(client, work, "readings", check="breathing.apl_turn", answer="was_open").json()
    work = say(client, work, "remedies", act="close", component="apl_valve").json()
    body = {"check": HOLD, "answer": "30 cmH2O"}
    first = say(client, work, "readings", "end", **body)
    assert first.json()["closed_at"]
    assert say(client, work, "readings", "end", **body).content == first.content


def test_a_key_of_an_opening_gives_the_same_work_up_after_a_new_start(client, engine):
    key = {"idempotency-key": "ward3-0001"}
    first = client.post("/api/work-ups", json=OPENING, headers=key)
    name = first.json()["name"]
    assert first.headers["location"] == f"/api/work-ups/{name}"
    body = {"check": "breathing.bag_look", "answer": "torn"}
    added = say(client, first.json(), "readings", "k1", **body)
    fresh = TestClient(make_app(engine), base_url="http://127.0.0.1:8000")
    again = fresh.post("/api/work-ups", json=OPENING, headers=key)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.content == first.content
    assert say(fresh, first.json(), "readings", "k1", **body).content == added.content
    assert len(list_records()[0]) == 1


def test_a_key_used_for_something_else_is_refused(client):
    key = {"idempotency-key": "k1"}
    client.post("/api/work-ups", json=OPENING, headers=key)
    other = client.post("/api/work-ups", json=OPENING | {"minutes_left": 5}, headers=key)
    assert other.status_code == 422
    assert other.json()["problems"][0]["where"] == "Idempotency-Key"
    work = begin(client)
    say(client, work, "readings", "k2", check="breathing.bag_look", answer="torn")
    assert say(client, work, "undo", "k2").status_code == 422
    assert len(list_records()[0]) == 2


def test_what_biomed_does_is_refused_to_the_user_and_taken_from_biomed(client):
    checks = client.get("/api/machines/small/checks").json()
    inside = next(each for each in checks if each["by"] == "biomed")
    body = {"check": inside["id"], "answer": "not sure"}
    assert say(client, begin(client), "readings", **body).status_code == 404
    assert say(client, begin(client, who="biomed"), "readings", **body).status_code == 200
    mend = {"act": "repair", "component": "apl_valve"}
    assert say(client, begin(client), "remedies", **mend).status_code in (404, 422)


def test_the_picture_of_a_work_up_shades_what_is_likely(client):
    work = say(client, begin(client), "readings", check="breathing.apl_turn",
               answer="was_open").json()  # fmt: skip
    answer = client.get(f"/api/work-ups/{work['name']}/circuit.svg", params={"check": HOLD})
    assert answer.headers["content-type"] == "image/svg+xml"
    box = answer.text.partition('<g id="small-breathing-hold_30-apl_valve">')[2]
    assert 'fill="url(#small-breathing-hold_30-band' in box.partition("</g>")[0]
    stateless = OPENING | {
        "readings": [OPENING["readings"][0], {"check": "breathing.apl_turn", "answer": "was_open"}]
    }
    drawn = client.post("/api/rank/circuit.svg", json=stateless, params={"check": HOLD})
    assert "in 10" in drawn.text and "band0" in drawn.text


def test_a_record_that_cannot_be_read_is_named_and_hides_no_other(client, state):
    work = begin(client)
    (state / "work-up-20260101-000000-abcd.jsonl").write_text("no json\nat all\n", "utf-8")
    told = client.get("/api/work-ups").json()
    assert [each["name"] for each in told["work_ups"]] == [work["name"]]
    assert told["unreadable"] == ["work-up-20260101-000000-abcd"]


def test_a_record_that_cannot_be_written_takes_no_entry(client, state):
    state.write_text("a file where the folder should be", "utf-8")
    answer = client.post("/api/work-ups", json=OPENING, headers={"idempotency-key": "k1"})
    assert answer.status_code == 503
    state.unlink()
    again = client.post("/api/work-ups", json=OPENING, headers={"idempotency-key": "k1"})
    assert again.status_code == 201


def test_work_ups_are_counted_by_their_end(client):
    begin(client)
    say(client, begin(client), "stop")
    said = client.get("/metrics").text
    assert "tenhold_work_ups_opened_total 2.0" in said
    assert f'tenhold_work_ups_closed_total{{disposition="{REMOVE}"}} 1.0' in said
    assert json.dumps(OPENING["machine"]) not in said


def test_of_many_who_write_at_once_one_is_taken_and_no_entry_is_lost(client):
    work = begin(client)
    body = {"check": "breathing.bag_look", "answer": "not sure"}
    with ThreadPoolExecutor(8) as many:
        asked = [many.submit(say, client, work, "readings", None, **body) for _ in range(8)]
        statuses = sorted(each.result().status_code for each in asked)
    assert statuses == [200] + [409] * 7
    assert read(client, work)["length"] == work["length"] + 1


def test_a_write_sent_many_times_at_once_with_one_key_is_done_once(client):
    work = begin(client)
    body = {"check": "breathing.bag_look", "answer": "not sure"}
    with ThreadPoolExecutor(8) as many:
        asked = [many.submit(say, client, work, "readings", "k1", **body) for _ in range(8)]
        answers = {each.result().content for each in asked}
    assert len(answers) == 1 and json.loads(answers.pop())["length"] == work["length"] + 1
    assert read(client, work)["length"] == work["length"] + 1
