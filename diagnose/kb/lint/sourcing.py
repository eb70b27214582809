"""Every number says where it comes from; and what the sources weigh.

A number counts once, a range of severities or a list of chances as its numbers. The bands of a
reading are its limits: they stand under the source of the check's ``limit``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from diagnose.kb.lint.desk import Desk, no_such
from diagnose.kb.reader import Document, Where

KINDS = ("published", "standard", "guideline", "common_practice", "memory", "judgement", "derived")
MARKS = ("common_practice", "memory", "judgement", "derived")
#: numbers that stand beside a field of their own for the source
BESIDE = ("minutes", "misread", "otherwise", "reach", "intermittent")


@dataclass(frozen=True)
class Share:
    """How many numbers rest on a kind of source, and which share of all that is."""

    count: int
    share: float


def lint_sources(desk: Desk) -> None:
    """Note sources that are unknown or unused, and numbers without one."""
    listed = desk.base.documents.get("sources.yaml")
    known = set(listed.data) if listed and isinstance(listed.data, dict) else set(MARKS)
    used = set(MARKS)
    for document in _documents(desk):
        for where, text in list_cited(document.data):
            key = text.partition("#")[0]
            used.add(key)
            if key not in known:
                document.note(where, no_such(key, "source in sources.yaml", known))
    for key in desk.base.sources:
        if key not in used:
            desk.note("sources", key, (), "is used nowhere; cite it or remove it")
    for document in _documents(desk):
        for where in _unsourced(document):
            last = "limit" if where[-1] == "outcomes" else f"{where[-1]}_source"
            document.note(where, f"has no source; add '{last}'")


def _documents(desk: Desk) -> Iterator[Document]:
    for path, document in desk.base.documents.items():
        if path != "sources.yaml":
            yield document


def list_cited(data: Any, where: Where = ()) -> Iterator[tuple[Where, str]]:
    """Yield every source that a file cites, with its place."""
    if isinstance(data, dict):
        for key, value in data.items():
            is_source = key == "source" or str(key).endswith("_source")
            if is_source and isinstance(value, str):
                yield (*where, key), value
            elif key == "sources" and isinstance(value, list):
                yield from (((*where, key, n), text) for n, text in enumerate(value)
                            if isinstance(text, str))  # fmt: skip
            else:
                yield from list_cited(value, (*where, key))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from list_cited(value, (*where, number))


def _unsourced(document: Document) -> Iterator[Where]:
    """Yield the numbers of a check or fault that no source stands beside."""
    data = document.data if isinstance(document.data, dict) else {}
    reading = data.get("reading", {}) if isinstance(data.get("reading"), dict) else {}
    if "intermittent" in data and "intermittent_source" not in data:
        yield ("intermittent",)
    for field in ("otherwise", "reach"):
        if field in reading and f"{field}_source" not in reading:
            yield ("reading", field)
    if "quantity" in reading and "limit" not in data:
        yield ("reading", "outcomes")


def count_numbers(desk: Desk) -> dict[str, dict[str, Share]]:
    """Return for numbers and for limits how many rest on each kind of source; and those on none."""
    numbers: Counter[str] = Counter()
    limits: Counter[str] = Counter()
    for document in _documents(desk):
        numbers.update({kind: 0 for kind in KINDS})
        for source, count, is_limit in _weigh(document.data):
            (limits if is_limit else numbers)[_kind(desk, source)] += count
        numbers["unsourced"] += sum(1 for where in _unsourced(document) if where[-1] != "outcomes")
        limits["unsourced"] += sum(1 for where in _unsourced(document) if where[-1] == "outcomes")
    return {"numbers": _shares(numbers), "limits": _shares(limits)}


def _shares(counts: Counter[str]) -> dict[str, Share]:
    total = max(1, counts.total())
    return {kind: Share(counts[kind], counts[kind] / total) for kind in (*KINDS, "unsourced")}


def _kind(desk: Desk, source: str) -> str:
    key = source.partition("#")[0]
    citation = desk.base.sources.get(key)
    return "derived" if key == "derived" else citation.kind if citation else "unsourced"


def _weigh(data: Any, key: str = "") -> Iterator[tuple[str, int, bool]]:
    """Yield (source, how many numbers stand under it, is it a limit) for all of a file."""
    if isinstance(data, list):
        for value in data:
            yield from _weigh(value, key)
    if not isinstance(data, dict):
        return
    if key == "limit":
        yield str(data.get("source", "")), 1, True
    elif "source" in data and (own := _count(data)):
        yield str(data["source"]), own, False
    elif key == "remedy":
        yield "judgement", 1, False
    for field in BESIDE:
        if field in data and f"{field}_source" in data:
            many = len(data[field]) if isinstance(data[field], dict) else 1
            yield str(data[f"{field}_source"]), many, False
    for name, value in data.items():
        yield from _weigh(value, str(name))


def _count(data: dict[str, Any]) -> int:
    """Return how many numbers stand directly beside a ``source``."""
    if "range" in data:
        return len(data["range"])
    return sum(field in data for field in ("is", "chance", "per_10000", "minutes"))
