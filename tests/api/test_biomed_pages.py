"""Pages of biomed: a machine out of service is confirmed and returned with a browser."""

import pytest

from diagnose.journal import open_journal
from diagnose.model import REMOVE, Reading, WorkUp

FAILED = Reading("breathing.hold_30", "falls_slowly", 2157.46, "22 cmH2O")
LOOK = Reading("breathing.bag_look", "torn", None, "torn")


@pytest.fixture
def out(monkeypatch):
    monkeypatch.delenv("TENHOLD_DATABASE", raising=False)
    journal = open_journal(WorkUp("small", FAILED.test, (FAILED, LOOK), asset="T-7"), "k")
    journal.write("closed", disposition=REMOVE, reason="The bag <b>is</b> torn.", rule="")
    journal.close()
    return journal.path.stem


def test_a_machine_goes_from_the_queue_back_into_use(client, out):
    assert "T-7, Teaching machine" in client.get("/biomed").text
    path = f"/biomed/work-ups/{out}"
    page = client.get(path).text
    assert "The bag &lt;b&gt;is&lt;/b&gt; torn." in page
    assert "No patient data" in page
    assert 'name="cause" value="breathing.bag_torn"' in page  # the ranking named it
    client.post(f"{path}/hand-over", data={"by": "Kim"})
    told = {"cause": "breathing.bag_torn", "by": "Kim", "parts": "bag; seal", "minutes": "20"}
    page = client.post(f"{path}/confirm", data=told).text
    assert "It was: <strong>Reservoir bag torn or perished</strong>" in page
    assert "OUT OF SERVICE, cause confirmed" in page
    refused = client.post(f"{path}/return", data={"by": "Kim", "checkout_by": "Lee"})
    assert (refused.status_code, "pass the whole checkout first" in refused.text) == (422, True)
    told = {"by": "Kim", "checkout_by": "Lee", "passed": "yes"}
    assert "in use again" in client.post(f"{path}/return", data=told).text
    assert "No machine is out of service." in client.get("/biomed").text
    assert "Reservoir bag torn" in client.get("/biomed/machines/T-7").text
    assert "Reservoir bag torn" in client.get("/biomed/figures").text


def test_what_is_refused_is_said_and_what_was_typed_stays(client, out):
    path = f"/biomed/work-ups/{out}/confirm"
    told = {"search": "breathing.bag_tron", "notes": "looked <twice>", "by": "Kim"}
    answer = client.post(path, data=told)
    assert answer.status_code == 422
    assert "is no cause of this machine" in answer.text
    assert "looked &lt;twice&gt;" in answer.text
    for field, value in (("minutes", "soon"), ("codes", "Z1"), ("by", "")):
        told = {"cause": "no_fault_found", "by": "Kim"} | {field: value}
        assert client.post(path, data=told).status_code == 422


def test_a_machine_is_not_returned_before_its_cause_is_confirmed(client, out):
    told = {"by": "Kim", "checkout_by": "Lee", "passed": "yes"}
    answer = client.post(f"/biomed/work-ups/{out}/return", data=told)
    assert (answer.status_code, "no confirmed root cause" in answer.text) == (422, True)


@pytest.mark.parametrize("path", ["/biomed/work-ups/none", "/biomed/machines/none"])
def test_what_is_not_there_is_a_404(client, out, path):
    assert client.get(path).status_code == 404


def test_a_form_from_elsewhere_is_refused(client, out):
    answer = client.post(f"/biomed/work-ups/{out}/confirm", data={"by": "Kim"},
                         headers={"origin": "http://elsewhere.example"})  # fmt: skip
    assert answer.status_code == 403
