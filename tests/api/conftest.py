"""The command line as a person and as a script meet it: in process, as a process, at a terminal."""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from api.app import make_app
from api.cli import app
from api.engine import Engine
from diagnose.kb.load import FOLDER

ANSI = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[=>]|\r")
CLEAR = "\x1b[2J"
COMMAND = [sys.executable, "-c", "from api.cli import main; main()"]
SECONDS = 120


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    """A folder of its own for records; tables are shared."""
    monkeypatch.setenv("TENHOLD_STATE", str(tmp_path / "state"))
    monkeypatch.delenv("TENHOLD_DEBUG", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    return tmp_path / "state"


@pytest.fixture
def call():
    """Run a command in this process."""

    def run(*arguments, text=None):
        return CliRunner().invoke(app, [str(each) for each in arguments], input=text)

    return run


@pytest.fixture
def process():
    """Run a command as a process of its own, its output in pipes; ``limit`` is a shell's ulimit."""

    def run(*arguments, text="", limit="", **more):
        command = [*COMMAND, *map(str, arguments)]
        if limit:
            command = ["sh", "-c", f'ulimit {limit}; exec "$@"', "sh", *command]
        return subprocess.run(
            command, input=text, capture_output=True, text=True, encoding="utf-8",
            timeout=SECONDS, check=False, env=os.environ | more,
        )  # fmt: skip

    return run


def hear_ctrl_c():
    """Undo that a shell's background job, such as a whole test run, ignores Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


class Terminal:
    """A command at a pseudo-terminal of 24 lines of 80."""

    def __init__(self, *arguments, **more):
        self.seen = ""
        self.file, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = subprocess.Popen(
            [*COMMAND, *map(str, arguments)], stdin=other, stdout=other, stderr=other,
            env=os.environ | {"TERM": "xterm", "LINES": "24"} | more, start_new_session=True,
            preexec_fn=hear_ctrl_c,
        )  # fmt: skip
        os.close(other)

    def _read(self):
        ready, _, _ = select.select([self.file], [], [], 0.1)
        if not ready:
            return False
        try:
            data = os.read(self.file, 65536)
        except OSError:  # the other side has gone
            data = b""
        self.seen += data.decode("utf-8", "replace")
        return not data

    def wait_for(self, text):
        """Wait until a prompt stands on the last screen together with a text; return it."""
        end = time.monotonic() + SECONDS
        while time.monotonic() < end:
            closed = self._read()
            screen = self.screen()
            if text in screen and screen.endswith("\n> "):
                return screen
            if closed:
                break
        raise AssertionError(f"never saw {text!r}:\n{self.screen()}")

    def screen(self):
        """Return what stands on the screen since it was cleared."""
        return ANSI.sub("", self.seen.rpartition(CLEAR)[2])

    def say(self, text):
        """Type a line."""
        self.seen += CLEAR
        os.write(self.file, f"{text}\n".encode())

    def interrupt(self):
        """Press Ctrl-C."""
        self.process.send_signal(signal.SIGINT)

    def kill(self):
        """End it as a crash would."""
        self.process.kill()
        self.process.wait()

    def finish(self):
        """Wait for its end; return its exit code."""
        end = time.monotonic() + SECONDS
        while time.monotonic() < end and not self._read():
            pass
        return self.process.wait(SECONDS)

    def close(self):
        """Leave nothing running."""
        if self.process.poll() is None:
            self.kill()
        os.close(self.file)


@pytest.fixture
def terminal():
    """Start commands at a terminal."""
    opened = []

    def start(*arguments, **more):
        opened.append(Terminal(*arguments, **more))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


@pytest.fixture(scope="session")
def engine():
    """The engine of a server, made once."""
    return Engine(FOLDER)


@pytest.fixture
def client(engine):
    """A browser or program that asks the server."""
    app = make_app(engine)
    engine.kit("small", shows=False)
    return TestClient(app, base_url="http://127.0.0.1:8000", raise_server_exceptions=False)
