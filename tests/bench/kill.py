"""Writers killed at random moments: what was acknowledged is there, and the chain holds.

Each round eight processes write records and take them into one logbook, as the terminal and the
server do; then all of them are killed at once (SIGKILL). In some rounds the database server is
killed with them. Run as a script: ``python tests/bench/kill.py --rounds 500``.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
from postgres import Postgres, find_binaries

from diagnose.journal import Journal
from diagnose.logbook.book import Book
from diagnose.logbook.events import Draft
from diagnose.logbook.intake import PATTERN, take_in, take_lines
from diagnose.logbook.verify import verify

WRITERS = 8
LONGEST = 1.0  # seconds that the writers live at most after some have begun
SHARED = "work-up-shared"  # a stream that all write to, as biomed does
SERVER_EVERY = 20  # rounds between two in which the database server is killed too
VERIFY_EVERY = 50
HEAD = {"form": 1, "knowledge": "k", "machine": "small", "failed": "breathing.hold_30",
        "minutes_left": None, "needed_at": None, "tools": None, "who": "user"}  # fmt: skip


@dataclass
class Figures:
    """What a run showed."""

    database: str
    rounds: int = 0
    writers: int = WRITERS
    killed: int = 0
    killed_while_writing: int = 0  # after their first acknowledged event
    servers_killed: int = 0
    acknowledged: int = 0
    acknowledged_in_records: int = 0
    lost: int = 0
    lost_from_records: int = 0
    not_acknowledged_but_there: int = 0
    events: int = 0
    corrupt: int = 0
    refused: int = 0  # errors that a writer met, expected only where the server was killed
    seconds: float = 0.0

    @property
    def is_well(self) -> bool:
        """Tell whether nothing is lost or corrupt, and anything was shown at all."""
        return self.acknowledged > 0 and not (self.lost or self.lost_from_records or self.corrupt)


def write_until_killed(url: str, stream: str, pipe: int, ready: int) -> None:
    """Write a record and the logbook, and say what was acknowledged."""

    def say(*words: object) -> None:
        os.write(pipe, (" ".join(map(str, words)) + "\n").encode())

    try:
        book = Book(url)
        os.write(ready, b".")
        journal = Journal(Path(os.environ["TENHOLD_STATE"]) / f"{stream}.jsonl")
        journal.note("opened", **HEAD)
        while True:
            journal.flush()
            say("J", stream, len(journal.lines))
            take_lines(book, stream, journal.lines)
            say("L", stream, len(journal.lines))
            (own,) = book.append([Draft(SHARED, "handed_over", {"by": stream})])
            say("S", own.id, own.digest)
            journal.note("reading", test="a.b", outcome="c" * random.randrange(200),
                         number_si=None, text="")  # fmt: skip
    except Exception as error:
        os.write(ready, b".")
        say("E", type(error).__name__, *str(error).split())
    finally:
        os._exit(1)


def start_writers(url: str, number: int, wait: int) -> tuple[list[int], list[int], int]:
    """Return the processes of one round, and where each says what was acknowledged.

    Returns when ``wait`` of them have opened the logbook; the others may still be at it.
    """
    pids, pipes = [], []
    heard, ready = os.pipe()
    for place in range(WRITERS):
        out, into = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(out)
            random.seed(number * WRITERS + place)
            write_until_killed(url, f"work-up-{number}-{place}", into, ready)
        os.close(into)
        pids.append(pid)
        pipes.append(out)
    os.close(ready)
    for _ in range(wait):
        os.read(heard, 1)
    return pids, pipes, heard


def read_all(pipes: Sequence[int]) -> list[list[str]]:
    """Return every whole line that the writers said."""
    lines: list[list[str]] = []
    for pipe in pipes:
        with os.fdopen(pipe, "rb") as file:
            text = file.read().decode()
        lines += [line.split() for line in text[: text.rfind("\n") + 1].splitlines()]
    return lines


def play(url: str, number: int, rng: random.Random, figures: Figures, server: Any) -> None:
    """Play one round and look at what is there after it."""
    pids, pipes, heard = start_writers(url, number, rng.randrange(WRITERS + 1))
    time.sleep(rng.uniform(0.0, LONGEST))
    doomed = list(pids)
    with_server = server is not None and number % SERVER_EVERY == SERVER_EVERY - 1
    if with_server:
        doomed += server.pids()
        rng.shuffle(doomed)
    for pid in doomed:
        with contextlib.suppress(ProcessLookupError):  # a child of a server that went first
            os.kill(pid, signal.SIGKILL)
    for pid in pids:
        os.waitpid(pid, 0)
    os.close(heard)
    said = read_all(pipes)
    if with_server:
        server.process.wait()
        server.start()
        figures.servers_killed += 1
    figures.killed += len(pids)
    figures.killed_while_writing += len({line[1] for line in said if line[0] == "L"})
    figures.refused += sum(line[0] == "E" for line in said) * (not with_server)
    for line in said:
        if line[0] == "E" and not with_server:
            print("a writer met an error:", *line[1:], file=sys.stderr)
    book = Book(url)
    count(book, number, said, figures)
    if number % VERIFY_EVERY == VERIFY_EVERY - 1:
        look(book, figures)
    book.close()


def count(book: Book, number: int, said: list[list[str]], figures: Figures) -> None:
    """Count what was acknowledged and what of it is there, in the logbook and after a take-in."""
    folder = Path(os.environ["TENHOLD_STATE"])
    shared = {str(event.id): event.digest for event in book.read(SHARED)}
    for place in range(WRITERS):
        stream = f"work-up-{number}-{place}"
        told = {kind: max((int(w[2]) for w in said if w[:2] == [kind, stream]), default=0)
                for kind in "JL"}  # fmt: skip
        there = [event.line for event in book.read(stream)]
        figures.acknowledged += told["L"]
        figures.acknowledged_in_records += told["J"]
        figures.lost += len(set(range(1, told["L"] + 1)) - set(there))
        figures.not_acknowledged_but_there += max(0, len(there) - told["L"])
        figures.lost_from_records -= told["J"]  # put back below as far as they are found
    take_in(book, folder)
    for place in range(WRITERS):
        stream = f"work-up-{number}-{place}"
        told_j = max((int(w[2]) for w in said if w[:2] == ["J", stream]), default=0)
        there = [event.line for event in book.read(stream)]
        figures.lost_from_records += len(set(range(1, told_j + 1)) & set(there))
    for word in (w for w in said if w[0] == "S"):
        figures.acknowledged += 1
        figures.lost += shared.get(word[1]) != word[2]
    for path in folder.glob(PATTERN):
        path.unlink()
    figures.rounds += 1


def look(book: Book, figures: Figures) -> None:
    """Look at the whole logbook: its chain, its read models, and SQLite's own check."""
    found = verify(book)
    if not found.is_well:
        print(found, file=sys.stderr)
    figures.corrupt += not found.is_well
    figures.events = found.count
    if book.engine.dialect.name == "sqlite":
        with book.engine.connect() as connection:
            said = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
        figures.corrupt += said != "ok"


def run(database: str, rounds: int, seed: int) -> Figures:
    """Return what so many rounds on one kind of database showed."""
    folder = Path(tempfile.mkdtemp(prefix="tenhold-kill-"))
    os.environ["TENHOLD_STATE"] = str(folder / "state")
    binaries = find_binaries()
    server = None
    if database == "postgresql":
        if binaries is None:
            raise SystemExit("no PostgreSQL is installed")
        server = Postgres(binaries)
    url = server.url if server else f"sqlite:///{folder / 'logbook.sqlite'}"
    figures, rng, began = Figures(database), random.Random(seed), time.monotonic()
    try:
        Book(url).close()
        for number in range(rounds):
            play(url, number, rng, figures, server)
        book = Book(url)
        look(book, figures)
        book.close()
    finally:
        if server:
            server.stop()
        shutil.rmtree(folder, ignore_errors=True)
    figures.lost_from_records = -figures.lost_from_records
    figures.seconds = round(time.monotonic() - began, 1)
    return figures


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("databases", nargs="*", default=[])
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    found = [run(name, args.rounds, args.seed) for name in args.databases or
             ("sqlite", "postgresql")]  # fmt: skip
    for figures in found:
        print(json.dumps(asdict(figures)))
    if not all(figures.is_well for figures in found):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
