"""Every page in a real browser, to be looked at: tablet and phone, bright and dark.

``TENHOLD_SHOTS=FOLDER pytest tests/browser -m browser`` keeps the pictures there.
"""

import os
import re
import shutil
import socket
import subprocess
import threading
import time
from pathlib import Path

import httpx
import pytest
import uvicorn

from api.app import make_app
from api.engine import Engine
from diagnose.kb.load import FOLDER

CHROMIUM = shutil.which("chromium")
SIZES = {"tablet": "1024,768", "phone": "390,844"}
FAILED = "/machines/small/steps/breathing.hold_30"
PAGES = {
    "machines": "/", "steps": "/machines/small", "search": "/machines/small?search=oxygen",
    "failed": FAILED, "work": "{work}", "task": "{work}/do/breathing.hold_bag_plugged",
    "remedy": "{work}/put-right/replace@bag", "checks": "{work}/checks?search=hold",
    "removed": "{removed}", "sheet": "{removed}/sheet", "returned": "{returned}",
    "trouble": "/machines/tall",
}  # fmt: skip
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium here"),
]


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A running server; its address."""
    os.environ["TENHOLD_STATE"] = str(tmp_path_factory.mktemp("state"))
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    engine = Engine(FOLDER)
    engine.kit("small")
    server = uvicorn.Server(uvicorn.Config(make_app(engine), log_level="warning"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    server.should_exit = True
    thread.join(30)
    del os.environ["TENHOLD_STATE"]


@pytest.fixture(scope="module")
def paths(place):
    """Work-ups in their middle and at both ends."""
    with httpx.Client(base_url=place, follow_redirects=True, timeout=60) as client:

        def send(path, **form):
            length = re.search(r'name="length" value="(\d+)"', client.get(path).text)
            form |= {"length": length[1]} if length else {}
            return client.post(path, data=form).url.path

        work = send(FAILED, number="22", unit="cmH2O", minutes="30", part="all")
        send(f"{work}/do/breathing.bag_look", answer="torn")
        removed = send(FAILED, answer="falls_slowly", minutes="20")
        length = re.search(r'name="length" value="(\d+)"', client.get(removed).text)[1]
        client.post(f"{removed}/stop", data={"length": length})
        returned = send(FAILED, answer="falls_fast", part="all")
        send(f"{returned}/do/breathing.apl_turn", answer="was_open")
        send(f"{returned}/put-right/close@apl_valve")
        send(f"{returned}/do/breathing.hold_30", number="30", unit="cmH2O")
        assert "RETURN TO CHECKOUT" in client.get(returned).text
    return {"work": work, "removed": removed, "returned": returned}


@pytest.mark.parametrize("light", ["bright", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_every_page_can_be_looked_at(place, paths, size, light, tmp_path):
    folder = Path(os.environ.get("TENHOLD_SHOTS", tmp_path))
    for name, path in PAGES.items():
        file = folder / f"{name}-{size}-{light}.png"
        options = ["--force-dark-mode", "--blink-settings=preferredColorScheme=0"]
        subprocess.run(
            [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
             f"--user-data-dir={tmp_path}/profile", f"--window-size={SIZES[size]}",
             f"--screenshot={file}", *(options if light == "dark" else []),
             place + path.format(**paths)],
            check=True, capture_output=True, timeout=60,
        )  # fmt: skip
        assert file.stat().st_size > 10_000, file
