"""The kill test in small: ``tests/bench/kill.py`` runs the 500 rounds."""

import json
import subprocess
import sys

import pytest


@pytest.mark.parametrize("database", ["sqlite", "postgresql"])
def test_what_was_acknowledged_survives_writers_killed_at_random_moments(database, bench, request):
    if database == "postgresql":
        request.getfixturevalue("server")  # left out with it where none is installed
    command = [sys.executable, str(bench / "kill.py"), "--rounds", "10", database]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    figures = json.loads(done.stdout)
    assert figures["rounds"] == 10
    assert figures["killed"] == 80
    names = ("lost", "lost_from_records", "corrupt", "refused")
    assert [figures[name] for name in names] == [0, 0, 0, 0]
    assert figures["acknowledged"] > 0
