"""A PostgreSQL server of one's own for a test: in a temporary folder, as an unprivileged user.

It listens on a socket in that folder only. Needs the binaries of the system's package.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

PLACES = "/usr/lib/postgresql"
SETTINGS = {"listen_addresses": "''", "max_connections": "60", "shared_buffers": "64MB"}


def find_binaries() -> Path | None:
    """Return the folder with the newest server's programs; None if there is none."""
    found = sorted(Path(PLACES).glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    return found[-1].parent if found else None


class Postgres:
    """A running server; ``url`` is its address."""

    def __init__(self, binaries: Path, durable: bool = True) -> None:
        self.binaries = binaries
        self.folder = Path(tempfile.mkdtemp(prefix="tenhold-pg-"))
        self.user = find_user()
        if self.user:
            shutil.chown(self.folder, self.user)
        self.data = self.folder / "data"
        self._run("initdb", "-D", self.data, "-U", "tenhold", "-A", "trust", "-E", "UTF8",
                  "--locale=C", "--no-sync")  # fmt: skip
        settings = SETTINGS | {"unix_socket_directories": f"'{self.folder}'"}
        settings |= {} if durable else {"fsync": "off"}
        with (self.data / "postgresql.conf").open("a") as file:
            file.writelines(f"{name} = {value}\n" for name, value in settings.items())
        self.start()
        self._run("createdb", "-h", self.folder, "-U", "tenhold", "tenhold")

    @property
    def url(self) -> str:
        """The address of its database."""
        return f"postgresql+psycopg://tenhold@/tenhold?host={self.folder}"

    def _run(self, program: str, *arguments: object) -> None:
        command = [str(self.binaries / program), *map(str, arguments)]
        done = subprocess.run(
            command, user=self.user, capture_output=True, text=True, check=False, cwd=self.folder
        )
        if done.returncode:
            raise RuntimeError(f"{program}: {done.stdout}{done.stderr}")

    def start(self) -> None:
        """Start it as a child of this process and wait until it answers."""
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [str(self.binaries / "postgres"), "-D", str(self.data)],
                user=self.user, cwd=self.folder, stdout=log, stderr=log,
            )  # fmt: skip
        ask = [str(self.binaries / "pg_isready"), "-q", "-h", str(self.folder)]
        for _ in range(600):
            if subprocess.run(ask, check=False).returncode == 0:
                return
            if self.process.poll() is not None:
                break
            time.sleep(0.1)
        raise RuntimeError(f"postgres: {(self.folder / 'log').read_text()[-2000:]}")

    @property
    def pid(self) -> int:
        """Its main process."""
        return self.process.pid

    def pids(self) -> list[int]:
        """Return the main process and all it started."""
        told = subprocess.run(
            ["ps", "-o", "pid=", "--ppid", str(self.pid)], capture_output=True, text=True,
            check=False,
        )  # fmt: skip
        return [self.pid, *map(int, told.stdout.split())]

    def stop(self) -> None:
        """Stop it and remove its folder."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)  # at once, and in order
            self.process.wait(60)
        shutil.rmtree(self.folder, ignore_errors=True)


def find_user() -> str | None:
    """Return the user to run as: the server refuses to be root."""
    if os.getuid():
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"
