"""What the server did, as figures for a monitor and as one line a request: never who or what.

A request is told by the template of its route, so that no name, answer or key of anybody stands
in a figure or in a line of the log.
"""

from __future__ import annotations

import json
import logging
import secrets
import time
from collections import Counter
from collections.abc import Iterable
from datetime import datetime

from prometheus_client import CollectorRegistry, Histogram, generate_latest
from prometheus_client import Counter as Meter
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from api.errors import InputError
from api.guard import App, Message, Receive, Send

log = logging.getLogger("api.requests")
OPENAPI = "/openapi.json"
NOWHERE = "none"  # the template of an address that no route has
METHODS = frozenset({"GET", "POST", "HEAD", "OPTIONS", "PUT", "PATCH", "DELETE"})
LIMITS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10)  # seconds
TEXT = "text/plain; version=0.0.4; charset=utf-8"


class _Work(Collector):
    """Work-ups opened and ended over HTTP, counted where that happens."""

    def __init__(self, counts: Counter[str], version: str) -> None:
        self.counts, self.version = counts, version

    def collect(self) -> Iterable[Metric]:
        """Yield the counts as they are now."""
        opened = CounterMetricFamily("tenhold_work_ups_opened", "Work-ups opened over HTTP")
        opened.add_metric([], self.counts["opened"])
        said = "Work-ups that came to their end over HTTP"
        closed = CounterMetricFamily("tenhold_work_ups_closed", said, labels=["disposition"])
        for each, number in sorted(self.counts.items()):
            if each != "opened":
                closed.add_metric([each], number)
        yield opened
        yield closed
        about = GaugeMetricFamily("tenhold_interface", "Always 1", labels=["version"])
        about.add_metric([self.version], 1)
        yield about


class Figures:
    """The figures of one server."""

    def __init__(self, counts: Counter[str], version: str) -> None:
        self.registry = CollectorRegistry()
        names = ("method", "route", "status")
        self._requests = Meter("tenhold_requests", "Requests", names, registry=self.registry)
        self._seconds = Histogram(
            "tenhold_request_seconds", "Seconds until an answer was sent", ("method", "route"),
            buckets=LIMITS, registry=self.registry,
        )  # fmt: skip
        self.registry.register(_Work(counts, version))

    def note(self, method: str, route: str, status: int, seconds: float) -> None:
        """Count a request."""
        self._requests.labels(method, route, str(status)).inc()
        self._seconds.labels(method, route).observe(seconds)

    def to_text(self) -> bytes:
        """Return the figures in the text form of Prometheus."""
        return generate_latest(self.registry)


class Watch:
    """Counts and times requests, gives each an id, and writes a line for each."""

    def __init__(self, app: App, figures: Figures) -> None:
        self.app, self.figures = app, figures

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        start, own = time.perf_counter(), secrets.token_hex(8)
        status = 500

        async def send_watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                named = (b"x-request-id", own.encode())
                message["headers"] = [*message.get("headers", []), named]
            await send(message)

        try:
            await self.app(scope, receive, send_watched)
        finally:
            self._note(scope, status, time.perf_counter() - start, own)

    def _note(self, scope: Message, status: int, seconds: float, own: str) -> None:
        method = scope["method"] if scope["method"] in METHODS else "other"
        route = find_template(scope)
        self.figures.note(method, route, status, seconds)
        if log.isEnabledFor(logging.INFO):
            log.info(json.dumps({
                "time": datetime.now().astimezone().isoformat(timespec="milliseconds"),
                "method": method, "route": route, "status": status,
                "ms": round(1e3 * seconds, 2), "request": own,
            }))  # fmt: skip


def find_template(scope: Message) -> str:
    """Return the template of the route that served a request, not the address asked for.

    >>> find_template({"path": "/api/work-ups/work-up-20260302-064800-1a2b"})
    'none'
    """
    route = scope.get("route")
    if route is not None:
        return str(getattr(route, "path", NOWHERE))
    if scope.get("root_path", "").endswith("/static"):
        return "/static"
    return OPENAPI if scope["path"] == OPENAPI else NOWHERE


def write_log(place: str) -> None:
    """Write a line for each request to a file, or to the standard error for ``-``.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    try:
        handler = logging.StreamHandler() if place == "-" else logging.FileHandler(place, "a")
    except OSError as error:
        what = f"'{place}' cannot be written ({error.strerror})"
        raise InputError("--log", what, do="name a file in a folder that can be written") from error
    handler.setFormatter(logging.Formatter("%(message)s"))
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    log.propagate = False
