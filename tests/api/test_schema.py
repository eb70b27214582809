"""The description of the interface is true: generated requests, stateful links, all checks on.

``pytest -m bench tests/api/test_schema.py`` sends 20,000; ``TENHOLD_CASES`` another number,
``TENHOLD_SEED`` others.
"""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import jsonschema_rs
import pytest

HERE = Path(__file__).parent / "schema"
ROOT = Path(__file__).resolve().parents[2]
METHODS = {"get", "post"}


def attack(address: str, folder: Path, *arguments: str) -> tuple[int, int, str]:
    """Send generated requests to a server; return the exit code, how many, and what was said."""
    tool = str(Path(sys.executable).parent / "schemathesis")
    own = {"SCHEMATHESIS_HOOKS": "tests.api.schema.checks", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [tool, "--config-file", str(HERE / "checks.toml"), "run", f"{address}/openapi.json",
         "--checks", "all", "--no-color", "--continue-on-failure",
         "--request-timeout", "120", "--max-response-time", "120", *arguments],
        cwd=folder, capture_output=True, text=True, check=False, env=os.environ | own,
    )  # fmt: skip
    counted = re.search(r"(\d+) generated", done.stdout)
    return done.returncode, int(counted[1]) if counted else 0, done.stdout + done.stderr


def test_generated_requests_find_nothing_wrong(tmp_path, serve):
    phases = ["--phases", "examples,fuzzing,stateful", "--max-examples", "2", "--seed", "1"]
    with serve() as address:
        code, number, said = attack(address, tmp_path, *phases)
    assert code == 0, said
    assert number > 50, said


@pytest.mark.bench
def test_twenty_thousand_generated_requests_find_nothing_wrong(tmp_path, serve):
    wanted, sent = int(os.environ.get("TENHOLD_CASES", "20000")), 0
    seed = int(os.environ.get("TENHOLD_SEED", "1"))
    phases = "examples,coverage,fuzzing,stateful"
    with serve() as address:
        while sent < wanted:
            options = ["--phases", phases, "--max-examples", "30", "--seed", str(seed)]
            code, number, said = attack(address, tmp_path, *options)
            sent += number
            print(f"seed {seed}: {number} cases, {sent} in all, exit code {code}", flush=True)
            print(*re.findall(r"API Links: .*", said), flush=True)
            assert code == 0, said
            assert number > 0, said
            phases, seed = "fuzzing,stateful", seed + 1  # the first two are alike for every seed


@pytest.fixture
def described(client):
    return client.get("/openapi.json").json()


def list_operations(described):
    return {
        (method, path): operation
        for path, methods in described["paths"].items()
        for method, operation in methods.items()
        if method in METHODS
    }


def fits(schema, value, described):
    whole = {**schema, "components": described["components"]}
    return jsonschema_rs.is_valid(whole, value)


def test_every_body_and_every_answer_has_an_example_that_fits(described):
    operations = list_operations(described)
    assert len(operations) > 20
    for (method, path), operation in operations.items():
        for media in operation.get("requestBody", {}).get("content", {}).values():
            (given,) = media["examples"].values()
            assert fits(media["schema"], given["value"], described), (method, path)
        for status, answer in operation["responses"].items():
            if status == "304":
                continue
            for kind, media in answer["content"].items():
                if kind == "image/svg+xml":
                    continue
                assert fits(media["schema"], media["example"], described), (method, path, status)


def test_every_example_of_a_body_is_taken(client, described):
    opened = None
    for (method, path), operation in list_operations(described).items():
        if "requestBody" not in operation:
            continue
        (given,) = operation["requestBody"]["content"]["application/json"]["examples"].values()
        body = given["value"]
        if "{name}" in path:
            opened = client.post("/api/work-ups", json=OPENING).json()
            if path.endswith("/undo"):
                more = {"length": opened["length"], "check": "breathing.bag_look", "answer": "torn"}
                at = f"/api/work-ups/{opened['name']}/readings"
                opened = client.post(at, json=more).json()
            path, body = path.replace("{name}", opened["name"]), body | {"length": opened["length"]}
        answer = client.request(method, path, json=body)
        assert answer.status_code in (200, 201), (path, answer.text)
    assert opened


OPENING = {
    "machine": "small",
    "failed": "breathing.hold_30",
    "readings": [{"check": "breathing.hold_30", "answer": "22 cmH2O"}],
}


def test_the_kept_examples_have_the_form_of_what_is_answered_today(client):
    kept = json.loads((ROOT / "api/examples.json").read_text("utf-8"))
    asked = client.post("/api/rank", json=kept["asked"]).json()
    assert asked.keys() == kept["assessment"].keys()
    assert asked["disposition"] == kept["assessment"]["disposition"]
    assert asked["ranking"][0]["title"] == kept["assessment"]["ranking"][0]["title"]
    assert client.get("/api/checks/breathing.hold_30").json() == kept["check"]
    assert client.get("/api/causes/breathing.bag_torn").json() == kept["cause"]
    assert kept["sources"][0] in client.get("/api/sources").json()


def test_every_link_leads_to_an_operation(described):
    operations = list_operations(described)
    known = {operation["operationId"] for operation in operations.values()}
    links = [
        link
        for operation in operations.values()
        for answer in operation["responses"].values()
        for link in answer.get("links", {}).values()
    ]
    assert len(links) > 8
    assert {link["operationId"] for link in links} <= known


def test_the_links_of_an_opened_work_up_can_be_followed(client, described):
    opened = client.post("/api/work-ups", json=OPENING).json()
    links = described["paths"]["/api/work-ups"]["post"]["responses"]["201"]["links"]
    places = {o["operationId"]: at for at, o in list_operations(described).items()}
    for name in ("read", "reading", "undo", "stop", "handover", "picture"):
        link = links[name]
        method, path = places[link["operationId"]]
        now = client.get(f"/api/work-ups/{opened['name']}").json()
        body = {key: resolve(value, now) for key, value in link.get("requestBody", {}).items()}
        path = path.replace("{name}", resolve(link["parameters"]["name"], now))
        answer = client.request(method, path, json=body or None)
        assert answer.status_code == 200, (name, answer.text)


def resolve(expression, body):
    """Return what a link's expression means for an answer."""
    if not expression.startswith("$response.body#/"):
        return expression
    for step in expression.partition("#/")[2].split("/"):
        body = body[int(step)] if step.isdigit() else body[step]
    return body
