"""Every block of docs/programs.md runs against a running server, as it is printed."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PRINTED = "http://127.0.0.1:8000"


def read_blocks(language):
    page = (ROOT / "docs/programs.md").read_text("utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", page, re.M | re.S)


@pytest.fixture(scope="module")
def address(serve, tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TENHOLD_STATE", str(tmp_path_factory.mktemp("state")))
        with serve() as address:
            yield address


def test_the_program_follows_a_work_up_to_its_end(address):
    (block,) = read_blocks("python")
    done = subprocess.run(
        [sys.executable, "-c", block.replace(PRINTED, address)],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Do: ")
    assert lines[-1] == "remove from service and call biomed"


@pytest.mark.parametrize("number", range(2))
def test_every_curl_is_answered_without_an_error(address, number):
    block = read_blocks("sh")[number].replace(PRINTED, address)
    watched = "curl() { command curl --fail-with-body -w ' %{stderr}%{http_code}\\n' \"$@\"; }"
    script = f"set -euo pipefail\n{watched}\n{block}"
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == 0, done.stdout[-500:] + done.stderr
    statuses = [line for line in done.stderr.split() if re.fullmatch(r"\d{3}", line)]
    assert len(statuses) >= block.count("curl ") - 1
    assert set(statuses) <= {"200", "201", "304"}
    assert ("304" in statuses) == ("If-None-Match" in block)


def test_the_page_has_no_other_block():
    assert len(read_blocks("sh")) == 2 and len(read_blocks("python")) == 1
