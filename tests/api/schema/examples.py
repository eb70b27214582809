"""Write ``api/examples.json``: real bodies and answers, long lists cut short.

Run as a script after the form of an answer changed: ``python tests/api/schema/examples.py``.
"""

import json
import os
import re
import tempfile
from datetime import datetime
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from api.app import make_app
from api.engine import Engine
from diagnose.kb.load import FOLDER

FILE = Path(__file__).resolve().parents[3] / "api/examples.json"
HOLD, LOOK, TORN = "breathing.hold_30", "breathing.bag_look", "breathing.bag_torn"
FIRST = {"check": HOLD, "answer": "22 cmH2O"}
LOOKED = {"check": LOOK, "answer": "torn"}
FAILED = {"machine": "small", "failed": HOLD}
ASKED = FAILED | {"readings": [FIRST, LOOKED], "minutes_left": 20}
OPENING = FAILED | {"readings": [FIRST], "passed": ["all"], "minutes_left": 20}
KEPT = {"choices": 2, "ranking": 2, "accounts": 1, "said": 1, "suspects": 1}  # of each list
NAME, BEGUN = "work-up-20260302-064800-1a2b", "2026-03-02T06:48:00+01:00"
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d")


def cut(assessment: dict[str, Any]) -> dict[str, Any]:
    """Return an assessment with its long lists cut short."""
    found = {key: value[: KEPT[key]] if key in KEPT else value for key, value in assessment.items()}
    for choice in found["choices"]:
        choice["outcomes"] = choice["outcomes"][:2]
    for account in found["accounts"]:
        account["speaks"] = account["speaks"][:1]
    return found


def list_known(get: Any) -> dict[str, Any]:
    """Return the answers about the knowledge."""
    machine = get("/api/machines/small")
    machine |= {key: machine[key][:2] for key in ("components", "connections")}
    machine["ready"] = dict(list(machine["ready"].items())[:2])
    return {
        "machines": [each for each in get("/api/machines") if each["id"] == "small"],
        "machine": machine,
        "sources": get("/api/sources")[:1],
        "checks": [e for e in get("/api/machines/small/checks") if e["id"] == HOLD],
        "check": get(f"/api/checks/{HOLD}"),
        "causes": [e for e in get("/api/machines/small/causes") if e["fault"] == TORN],
        "cause": get(f"/api/causes/{TORN}"),
        "health": get("/health"),
        "ready": get("/ready"),
    }


def follow(client: TestClient) -> dict[str, Any]:
    """Return the bodies and answers of one work-up, as if it had begun at a fixed time."""
    opened = client.post("/api/work-ups", json=OPENING).json()
    place = f"/api/work-ups/{opened['name']}"
    reading = {"length": opened["length"], **LOOKED}
    added = client.post(f"{place}/readings", json=reading).json()
    length = {"length": added["length"]}
    listed = client.get("/api/work-ups").json()
    client.post(f"{place}/stop", json=length)
    entries, assessment = added["entries"][-2:], cut(added["assessment"])
    found = {
        "opening": OPENING, "reading": reading, "length": length,
        "remedy": {**length, "act": "replace", "component": "bag"},
        "work_up": added | {"entries": entries, "assessment": assessment},
        "work_ups": listed, "handover": client.get(f"{place}/handover").json(),
    }  # fmt: skip
    real, wanted = datetime.fromisoformat(opened["opened_at"]), datetime.fromisoformat(BEGUN)
    text = json.dumps(found).replace(opened["name"], NAME)
    move = wanted - real
    return json.loads(TIME.sub(lambda at: (datetime.fromisoformat(at[0]) + move).isoformat(), text))


def main() -> None:
    """Write the file."""
    with tempfile.TemporaryDirectory() as state:
        os.environ["TENHOLD_STATE"] = state
        client = TestClient(make_app(Engine(FOLDER)), base_url="http://127.0.0.1:8000")
        found = {"asked": ASKED, "assessment": cut(client.post("/api/rank", json=ASKED).json())}
        found |= list_known(lambda path: client.get(path).json()) | follow(client)
    FILE.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", "utf-8")


if __name__ == "__main__":
    main()
