"""Whole work-ups through plain forms, as a browser without script sends them."""

import re
import shutil
from html import unescape

import pytest
from fastapi.testclient import TestClient

from api.app import make_app
from api.engine import Engine
from diagnose.journal import list_records, read_record
from diagnose.kb.load import FOLDER

HOLD = "breathing.hold_30"
FAILED = f"/machines/small/steps/{HOLD}"
SCRIPT = re.compile(r"<script.*?</script>", re.DOTALL)
RETURN = "RETURN TO CHECKOUT"
REMOVE = "REMOVE FROM SERVICE AND CALL BIOMED"


def serve(folder=FOLDER):
    return TestClient(
        make_app(Engine(folder)), base_url="http://127.0.0.1:8000", raise_server_exceptions=False
    )


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


def test_no_page_asks_for_anything_outside(client):
    page = start(client)
    path = page.url.path
    for each in ("/", "/machines/small", FAILED, path, f"{path}/sheet", f"{path}/checks",
                 f"{path}/remedies", f"{path}/do/{HOLD}"):  # fmt: skip
        text = client.get(each).text
        assert not re.findall(r'(?:src|href|action)="(?:https?:)?//', text)
        assert "style=" not in text
        assert set(SCRIPT.findall(text)) <= {'<script src="/static/timer.js" defer></script>'}
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
    assert refused.status_code == 422 and "There is nothing to take back" in refused.text


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


def test_what_biomed_does_is_not_offered_to_the_user(client):
    page = start(client)
    for path in ("put-right/repair@apl_valve", "put-right/fly@bag", "put-right/close@wing"):
        answer = client.get(f"{page.url.path}/{path}")
        assert answer.status_code in (404, 422)
        form = {"length": length_of(page)}
        assert client.post(f"{page.url.path}/{path}", data=form).status_code in (404, 422)
    assert len(list_records()[0][0].work.entries) == 1


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
    refused = client.post(FAILED, data={"answer": "falls_fast"})
    assert refused.status_code == 503
    assert "TENHOLD_STATE" in refused.json()["detail"]


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
        assert "<script>" not in page.text and page.text.count("<script") <= 1
