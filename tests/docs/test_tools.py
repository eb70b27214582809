"""The linter, the formatter, the type checker and the generated parts are all as they must be."""

import subprocess
import sys

import pytest

COMMANDS = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy": ["mypy", "--strict", "diagnose"],
}


def run_module(root, arguments):
    command = [sys.executable, "-m", *arguments]
    return subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("name", COMMANDS)
def test_tool_has_nothing_to_say(root, name):
    done = run_module(root, COMMANDS[name])
    assert done.returncode == 0, done.stdout + done.stderr


def test_generated_parts_of_the_docs_are_fresh(root, files):
    pages = [path for path in files if path.endswith(".md")]
    assert pages
    done = run_module(root, ["cogapp", "--check", "--diff", *pages])
    assert done.returncode == 0, done.stdout + done.stderr
