"""Print how fast ``POST /api/rank`` answers beside a bare endpoint of the same run.

Run as a script: ``python tests/bench/load.py [--seconds 5] [--clients 20]``. One server process
with one worker on the loopback address holds both: the whole server, and a bare FastAPI
application that returns the very same JSON and knows nothing. "server ms" is the processor time of
the server for one request. Nothing here is a test: times depend
on the computer and on what else it does, so the figures are printed, never asserted. Turns are
taken in short rounds, so that a noisy neighbour hits all of them alike.
"""

import argparse
import asyncio
import json
import math
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

HOLD = "breathing.hold_30"
ROUNDS = 4
ASKED_AGAIN = [
    {"machine": "small", "failed": HOLD, "readings": [{"check": HOLD, "answer": f"{level} cmH2O"}]}
    for level in (5, 12, 18, 22, 26)
]
SERVER = """
import json, socket, sys, threading
import uvicorn
from fastapi import FastAPI, Body
from fastapi.responses import Response
from api.app import make_app
from api.engine import Engine
from diagnose.kb.load import FOLDER
whole, bare = make_app(Engine(FOLDER)), FastAPI()
text = open(sys.argv[3], "rb").read()
data = json.loads(text)
@bare.post("/ready_text")
def give_text(given: dict = Body()):
    return Response(text, media_type="application/json")
@bare.post("/written_anew")
def give_data(given: dict = Body()) -> dict:
    return data
async def both(scope, receive, send):
    path = scope.get("path", "")
    await (bare if path in ("/ready_text", "/written_anew") else whole)(scope, receive, send)
config = uvicorn.Config(both, log_level="warning", lifespan="off")
uvicorn.Server(config).run(sockets=[socket.socket(fileno=int(sys.argv[1]))])
"""


def ask_anew() -> Iterator[bytes]:
    """Yield questions that were never asked before: each with a reading of its own."""
    for number in count():
        level = 5 + (number * 7919 % 20_000) / 1000
        asked = {"machine": "small", "failed": HOLD, "minutes_left": 10 + number / 100,
                 "readings": [{"check": HOLD, "answer": f"{level:.3f} cmH2O"}]}  # fmt: skip
        yield json.dumps(asked).encode()


def ask_again() -> Iterator[bytes]:
    """Yield the same few questions over and over."""
    bodies = [json.dumps(each).encode() for each in ASKED_AGAIN]
    for number in count():
        yield bodies[number % len(bodies)]


async def send(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, path: str,
               body: bytes) -> bytes:  # fmt: skip
    """Send one request on an open connection; return the body of its answer."""
    head = (f"POST {path} HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: application/json\r\n"
            f"content-length: {len(body)}\r\n\r\n")  # fmt: skip
    writer.write(head.encode() + body)
    got = (await reader.readuntil(b"\r\n\r\n")).lower()
    assert got.startswith(b"http/1.1 200"), got
    length = int(got.partition(b"content-length:")[2].partition(b"\r\n")[0])
    return await reader.readexactly(length)


async def run(port: int, path: str, bodies: Iterator[bytes], clients: int,
              seconds: float) -> tuple[list[float], float]:  # fmt: skip
    """Return the time of every request [s], and how long all of it took [s]."""
    times: list[float] = []
    opened = [await asyncio.open_connection("127.0.0.1", port, limit=1 << 20)
              for _ in range(clients)]  # fmt: skip
    begun = time.perf_counter()

    async def client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while time.perf_counter() - begun < seconds:
            start = time.perf_counter()
            await send(reader, writer, path, next(bodies))
            times.append(time.perf_counter() - start)

    await asyncio.gather(*(client(*each) for each in opened))
    whole = time.perf_counter() - begun
    for _, writer in opened:
        writer.close()
    return times, whole


def read_cpu(process: int) -> float:
    """Return the processor time that the server used so far [s]; nan where that is not told.

    Unlike the time on the wall it hardly depends on what else the computer does.
    """
    try:
        fields = Path(f"/proc/{process}/stat").read_text("ascii").rpartition(")")[2].split()
    except OSError:
        return math.nan
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@dataclass
class Got:
    """What was measured of one kind."""

    times: list[float] = field(default_factory=list)
    whole: float = 0.0
    cpu: float = 0.0

    @property
    def rate(self) -> float:
        """Requests a second."""
        return len(self.times) / self.whole

    def to_line(self, name: str, bare: float) -> str:
        """Return it as a line of the table."""
        cuts = statistics.quantiles(self.times, n=100)
        return (f"{name:30}{1e3 * cuts[49]:8.1f}{1e3 * cuts[98]:8.1f}{self.rate:10.0f}"
                f"{self.rate / bare:9.0%}{1e3 * self.cpu / len(self.times):11.2f}")  # fmt: skip


async def measure(port: int, process: int, clients: int, seconds: float) -> None:
    """Take turns and print."""
    anew = ask_anew()  # goes on over all rounds, so that nothing is asked twice
    kinds: list[tuple[str, str, Callable[[], Iterator[bytes]]]] = [
        ("bare, the JSON ready as text", "/ready_text", ask_again),
        ("bare, the JSON written anew", "/written_anew", ask_again),
        ("rank, asked again", "/api/rank", ask_again),
        ("rank, never asked before", "/api/rank", lambda: anew),
    ]
    got = {name: Got() for name, _, _ in kinds}
    for _, path, bodies in kinds:
        await run(port, path, bodies(), clients, 0.5)  # warm
    for _ in range(ROUNDS):
        for name, path, bodies in kinds:
            before, own = read_cpu(process), got[name]
            times, whole = await run(port, path, bodies(), clients, seconds / ROUNDS)
            own.times, own.whole = own.times + times, own.whole + whole
            own.cpu += read_cpu(process) - before
    bare = next(iter(got.values())).rate
    print(f"{clients} clients at once, one worker, {os.cpu_count()} processors, "
          f"load {os.getloadavg()[0]:.1f} by everything that runs")  # fmt: skip
    print(f"{'':30}{'p50 ms':>8}{'p99 ms':>8}{'a second':>10}{'of bare':>9}{'server ms':>11}")
    for name, own in got.items():
        print(own.to_line(name, bare))


async def fetch(port: int) -> bytes:
    """Return one real answer, when the server is there."""
    for _ in range(600):
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1 << 20)
            return await send(reader, writer, "/api/rank", next(ask_again()))
        except OSError:
            await asyncio.sleep(0.1)
    raise SystemExit("the server never answered")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=8.0, help="for each kind")
    parser.add_argument("--clients", type=int, default=20)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(256)
        port, kept = listener.getsockname()[1], Path(folder, "answer.json")
        environment = os.environ | {"TENHOLD_STATE": folder}
        kept.write_bytes(b"{}")
        for is_last in (False, True):
            process = subprocess.Popen(
                [sys.executable, "-c", SERVER, str(listener.fileno()), "-", str(kept)],
                pass_fds=[listener.fileno()], env=environment,
            )  # fmt: skip
            try:
                answer = asyncio.run(fetch(port))
                kept.write_bytes(answer)
                if is_last:
                    print(f"an answer has {len(answer) / 1e3:.0f} KB")
                    asyncio.run(measure(port, process.pid, told.clients, told.seconds))
            finally:
                process.kill()
                process.wait()


if __name__ == "__main__":
    main()
