"""Who may do what on a shared server: one table, by method and template of the route.

A route that is not in the table is refused to everybody, so a new one is shut until somebody
decides who may use it. ``gate`` is the one place where the table is applied.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

#: needs nobody signed in: what shows nothing and changes nothing, and the way in
ANYBODY = frozenset({"anybody"})
WORK = frozenset({"technician", "trainer", "biomed", "keeper", "admin"})
TRAIN = frozenset({"trainer", "admin"})
MEND = frozenset({"biomed", "admin"})
LOOK = frozenset({"biomed", "keeper", "admin"})

TABLE: dict[str, frozenset[str]] = {
    "GET /health": ANYBODY,
    "GET /ready": ANYBODY,
    "GET /static": ANYBODY,
    "GET /sign-in": ANYBODY,
    "POST /sign-in": ANYBODY,
    # one's own account
    "POST /sign-out": WORK,
    "GET /account": WORK,
    "POST /account/password": WORK,
    # what the knowledge holds; figures tell neither who nor what
    "GET /openapi.json": WORK,
    "GET /metrics": WORK,
    "GET /api/machines": WORK,
    "GET /api/machines/{machine}": WORK,
    "GET /api/machines/{machine}/steps": WORK,
    "GET /api/machines/{machine}/checks": WORK,
    "GET /api/machines/{machine}/causes": WORK,
    "GET /api/machines/{machine}/circuit.svg": WORK,
    "GET /api/checks/{name}": WORK,
    "GET /api/causes/{name}": WORK,
    "GET /api/sources": WORK,
    "POST /api/rank": WORK,
    "POST /api/rank/circuit.svg": WORK,
    # work-ups
    "GET /": WORK,
    "GET /machines/{machine}": WORK,
    "GET /machines/{machine}/steps/{step}": WORK,
    "POST /machines/{machine}/steps/{step}": WORK,
    "GET /work-ups/{name}": WORK,
    "GET /work-ups/{name}/do/{test}": WORK,
    "POST /work-ups/{name}/do/{test}": WORK,
    "GET /work-ups/{name}/put-right/{remedy}": WORK,
    "POST /work-ups/{name}/put-right/{remedy}": WORK,
    "GET /work-ups/{name}/checks": WORK,
    "GET /work-ups/{name}/remedies": WORK,
    "GET /work-ups/{name}/told": WORK,
    "POST /work-ups/{name}/told": WORK,
    "POST /work-ups/{name}/undo": WORK,
    "POST /work-ups/{name}/stop": WORK,
    "GET /work-ups/{name}/circuit.svg": WORK,
    "GET /work-ups/{name}/sheet": WORK,
    "GET /work-ups/{name}/tag": WORK,
    "GET /units": WORK,
    "POST /units": WORK,
    "POST /language": WORK,
    "GET /api/work-ups": WORK,
    "POST /api/work-ups": WORK,
    "GET /api/work-ups/{name}": WORK,
    "GET /api/work-ups/{name}/handover": WORK,
    "GET /api/work-ups/{name}/circuit.svg": WORK,
    "POST /api/work-ups/{name}/readings": WORK,
    "POST /api/work-ups/{name}/remedies": WORK,
    "POST /api/work-ups/{name}/undo": WORK,
    "POST /api/work-ups/{name}/stop": WORK,
    # the list of single machines: everybody reads it
    "GET /fleet": WORK,
    "GET /fleet/{asset}": WORK,
    "GET /fleet/{asset}/label": WORK,
    "POST /fleet": MEND,
    "POST /fleet/{asset}/remove": MEND,
    # biomed
    "GET /biomed": MEND,
    "GET /biomed/machines/{asset}": MEND,
    "GET /biomed/work-ups/{name}": MEND,
    "POST /biomed/work-ups/{name}/hand-over": MEND,
    "POST /biomed/work-ups/{name}/confirm": MEND,
    "POST /biomed/work-ups/{name}/return": MEND,
    "GET /biomed/figures": LOOK,
    # drills: a trainer sets them; whoever is given the code of a group joins and plays
    "GET /drills": TRAIN,
    "POST /drills": TRAIN,
    "GET /drills/progress": TRAIN,
    "GET /drills/groups": TRAIN,
    "POST /drills/groups": TRAIN,
    "GET /drills/groups/{code}/board": TRAIN,
    "POST /drills/groups/{code}/close": TRAIN,
    "POST /drills/join": WORK,
    "GET /drills/{name}": WORK,
    "GET /drills/{name}/checks": WORK,
    "GET /drills/{name}/check/{test}": WORK,
    "POST /drills/{name}/check/{test}": WORK,
    "GET /drills/{name}/remedies": WORK,
    "POST /drills/{name}/remedies": WORK,
    "GET /drills/{name}/suspect": WORK,
    "POST /drills/{name}/suspect": WORK,
    "GET /drills/{name}/end": WORK,
    "POST /drills/{name}/end": WORK,
    "GET /drills/{name}/debrief": WORK,
}


def walk(routes: Iterable[Any]) -> Iterator[Any]:
    """Yield every single route in the order in which they are tried."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is None:
            yield route
        else:
            yield from walk(inner.routes)


def name_routes(routes: Iterable[Any]) -> list[str]:
    """Return the name in the table of every route of a server, one a method."""
    return [f"{method} {route.path}" for route in walk(routes)
            for method in sorted((route.methods or {"GET"}) - {"HEAD"}
                                 if hasattr(route, "methods") else {"GET"})]  # fmt: skip


def find_name(routes: Iterable[Any], scope: Any) -> str:
    """Return the name in the table of the route that serves a request; "" for no route."""
    for route in routes:
        if route.matches(scope)[0].name == "FULL":
            is_looking = scope["method"] == "HEAD" or not hasattr(route, "methods")
            return f"{'GET' if is_looking else scope['method']} {route.path}"
    return ""


def may(name: str, role: str) -> bool:
    """Tell whether a role may use a route; nobody may use one that is not in the table.

    >>> may("GET /biomed", "biomed"), may("GET /biomed", "technician"), may("GET /new", "admin")
    (True, False, False)
    """
    return role in TABLE.get(name, frozenset())
