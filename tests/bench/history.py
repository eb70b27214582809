"""Two hundred thousand work-ups of history: how long the daily lists take on either database.

Run as a script: ``python tests/bench/history.py --number 200000``.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from postgres import Postgres, find_binaries

from diagnose.kb.load import load
from diagnose.logbook.book import Book
from diagnose.logbook.events import Draft, say_time
from diagnose.logbook.figures import list_figures, list_pareto
from diagnose.logbook.look import list_history, list_queue
from diagnose.model import REMOVE, RETURN

ASSETS = 400
OUT = 60  # of the newest work-ups, machines that are out of service
BATCH = 500
BEGAN = 1.5e9  # [s since 1970]
TIMES = 15


def make_work_up(number: int, whole: int, rng: np.random.Generator, faults: list[str]
                 ) -> list[Draft]:  # fmt: skip
    """Return the events of one work-up."""
    at = BEGAN + number * (2.5e8 / whole)
    name, asset = f"work-up-{number:07}", f"M-{int(rng.integers(ASSETS)):03}"
    cause = faults[min(int(rng.exponential(len(faults) / 8)), len(faults) - 1)]
    is_out = bool(rng.uniform() < 0.4) or number >= whole - OUT
    told = {"machine": "small", "failed": f"{cause.split('.')[0]}.step", "asset": asset,
            "who": "user", "form": 1, "minutes_left": None, "needed_at": None,
            "tools": None}  # fmt: skip
    said = {"disposition": REMOVE if is_out else RETURN, "reason": "generated", "rule": ""}
    first = cause if rng.uniform() < 0.7 else faults[0]
    ranked = {"first_cause": first, "first_chance": float(rng.uniform(0.3, 0.9)),
              "last_cause": cause, "last_chance": float(rng.uniform(0.6, 1.0))}  # fmt: skip
    found = {"causes": [{"cause": cause, "words": "", "origin": "ranking"}], "minutes": 30.0}
    events = [
        Draft(name, "opened", told, "", "k", say_time(at), 1),
        Draft(name, "closed", said, "", "k", say_time(at + 60 * rng.uniform(3, 40)), 2),
        Draft(name, "ranked", ranked, "", "k", say_time(at + 3000)),
    ]
    if number < whole - OUT:
        events.append(Draft(name, "root_cause_confirmed", found, "Kim", "", say_time(at + 9000)))
        if is_out:
            passed = {"checkout": {"passed": True, "by": "Lee", "at": say_time(at + 9500)}}
            events.append(Draft(name, "returned_to_use", passed, "Kim", "", say_time(at + 9900)))
    return events


def generate(number: int) -> Iterator[list[Draft]]:
    """Yield batches of events."""
    rng = np.random.default_rng(5)
    faults = sorted(load().faults)
    for start in range(0, number, BATCH):
        yield [draft for place in range(start, min(number, start + BATCH))
               for draft in make_work_up(place, number, rng, faults)]  # fmt: skip


def clock(act: Callable[[], object]) -> dict[str, float]:
    """Return how long something takes [ms]: first, then the shortest, median and longest.

    On a computer that does other work too the shortest is nearest to what it takes by itself.
    """
    spent = []
    for _ in range(TIMES):
        began = time.perf_counter()
        act()
        spent.append(1000 * (time.perf_counter() - began))
    return {
        "first_ms": round(spent[0], 1), "shortest_ms": round(min(spent), 1),
        "median_ms": round(statistics.median(spent[1:]), 1),
        "longest_ms": round(max(spent[1:]), 1),
    }  # fmt: skip


def run(database: str, number: int) -> dict[str, object]:
    """Return the figures of one kind of database."""
    folder = Path(tempfile.mkdtemp(prefix="tenhold-history-"))
    binaries = find_binaries()
    if database == "postgresql" and binaries is None:
        raise SystemExit("no PostgreSQL is installed")
    server = Postgres(binaries, durable=False) if database == "postgresql" and binaries else None
    book = Book(server.url if server else f"sqlite:///{folder / 'logbook.sqlite'}")
    try:
        began, events = time.monotonic(), 0
        for batch in generate(number):
            events += len(book.append(batch))
        seconds = time.monotonic() - began
        assert len(list_queue(book)) == min(OUT, number)
        assert list_history(book, "M-007")
        return {
            "database": database, "work_ups": number, "events": events,
            "written_s": round(seconds, 1),
            "queue": clock(lambda: list_queue(book)),
            "history": clock(lambda: list_history(book, "M-007")),
            "pareto": clock(lambda: list_pareto(book)),
            "figures": clock(lambda: list_figures(book)),
            "memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        }  # fmt: skip
    finally:
        book.close()
        if server:
            server.stop()
        shutil.rmtree(folder, ignore_errors=True)


def main() -> None:
    """Generate, measure, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("databases", nargs="*", default=[])
    parser.add_argument("--number", type=int, default=200_000)
    args = parser.parse_args()
    for name in args.databases or ("sqlite", "postgresql"):
        print(json.dumps(run(name, args.number)), flush=True)


if __name__ == "__main__":
    main()
