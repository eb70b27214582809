"""``tenhold pages``: the knowledge as Markdown pages to read, one a zone, each with its picture.

Nothing is worded here that the knowledge says itself; a page is only ever as good as its files.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import typer

from api import rows
from api.engine import Engine
from api.errors import InputError
from api.show import SAFETY
from diagnose.kb.lint.sourcing import list_cited
from diagnose.kb.load import KnowledgeBase
from diagnose.kb.schema import Check, Fault, RuleShape
from diagnose.language import first_capital
from diagnose.outline import ZONE_TITLES, ZONES
from diagnose.zone import draw_zone, find_fullest, find_parts

MADE = "Written by `tenhold pages`: change the knowledge, not this page."
HEAD = (
    "zone",
    "parts",
    "steps",
    "isolating tests",
    "faults",
    "slips",
    "rules that stop",
    "reviewed",
)
STOPS = HEAD.index("rules that stop") - 1
SHOWN = (
    "Steps that show it: a percentage is the chance that the step fails by sight, sound or feel; "
    "a step without one fails in a worked case of the cause. Ids of other zones stand in full."
)


@dataclass(frozen=True)
class Zone:
    """What the knowledge holds of one zone."""

    base: KnowledgeBase
    name: str

    @cached_property
    def parts(self) -> dict[str, str]:
        """Kinds of component, id -> title."""
        return {k: c.title for k, c in self.base.components.items() if c.zone == self.name}

    @cached_property
    def checks(self) -> dict[str, Check]:
        """Checks by id, those that only look first."""
        own = [(k, c) for k, c in self.base.checks.items() if c.zone == self.name]
        return dict(sorted(own, key=lambda pair: (bool(pair[1].procedure), pair[0])))

    def of_kind(self, kind: str) -> dict[str, Check]:
        """Return the checks of a kind: ``step`` or ``isolating_test``."""
        return {name: check for name, check in self.checks.items() if check.kind == kind}

    @cached_property
    def causes(self) -> dict[str, Fault]:
        """Causes by id, by component, the frequent ones first; retired ones left out."""
        own = [(k, f) for k, f in self.base.faults.items() if k.split(".")[0] == self.name]
        live = [(k, f) for k, f in own if f.status != "retired"]

        def place(pair: tuple[str, Fault]) -> tuple[str, float, str]:
            name, fault = pair
            return self.base.components[fault.component].title, -fault.how_often.per_10000, name

        return dict(sorted(live, key=place))

    @cached_property
    def stops(self) -> list[RuleShape]:
        """Rules that stop use after what is seen in this zone, directly or through a symptom."""
        stopping = [rule for rule in self.base.rules.values() if "stop" in rule.conclude]
        return [rule for rule in stopping if self.name in set(_find_zones(self.base, rule, ()))]

    @property
    def is_empty(self) -> bool:
        """Tell whether there is nothing to say yet beyond which parts belong here."""
        return not self.checks and not self.causes


def _find_zones(base: KnowledgeBase, rule: RuleShape, seen: tuple[str, ...]) -> Iterator[str]:
    """Yield the zones whose readings a rule asks for."""
    for condition in rule.when:
        if "reading" in condition:
            yield str(condition["reading"]).split(".")[0]
        symptom = str(condition.get("symptom", ""))
        if symptom and symptom not in seen:
            for other in base.rules.values():
                if other.conclude.get("symptom") == symptom:
                    yield from _find_zones(base, other, (*seen, symptom))


def render_pages(base: KnowledgeBase) -> dict[str, str]:
    """Return every page and picture of the knowledge: file name -> text.

    >>> from diagnose.kb.load import load
    >>> sorted(name for name in render_pages(load()) if name.startswith("outlet"))
    ['outlet.md', 'outlet.svg']
    """
    zones = [Zone(base, name) for name in ZONES]
    full = [zone for zone in zones if not zone.is_empty]
    found = {"README.md": _join(_contents(zones))}
    for zone in full:
        picture = draw_zone(base, zone.name)
        found[f"{zone.name}.md"] = _join(_page(zone, picture is not None))
        if picture is not None:
            found[f"{zone.name}.svg"] = picture
    return found


def _join(lines: Iterable[str]) -> str:
    return "\n".join(lines) + "\n"


def _contents(zones: list[Zone]) -> Iterator[str]:
    """Yield the page that lists the others."""
    full = [zone for zone in zones if not zone.is_empty]
    counts = [_count(zone) for zone in full]
    yield from ("# The knowledge, zone by zone", "", MADE, "", *_safety(), "")
    links = [f"[{ZONE_TITLES[zone.name]}]({zone.name}.md)" for zone in full]
    lines = [(link, *map(str, own)) for link, own in zip(links, counts, strict=True)]
    total = [str(sum(column)) for column in zip(*counts, strict=True)]
    total[STOPS:-1] = [str(len({rule.id for zone in full for rule in zone.stops}))] if full else []
    yield from rows.table(HEAD, [*lines, ("all", *total)] if lines else [])
    yield from ("", "Reviewed: causes that a named person has checked. A rule that reads from two")
    yield "zones stands in both, and counts once in all. The order is that of a checkout."
    if empty := [ZONE_TITLES[zone.name] for zone in zones if zone.is_empty]:
        yield from ("", f"No checks and no causes yet: {', '.join(empty)}.")


def _count(zone: Zone) -> list[int]:
    faults = list(zone.causes.values())
    return [
        len(zone.parts),
        len(zone.of_kind("step")),
        len(zone.of_kind("isolating_test")),
        sum(fault.kind == "fault" for fault in faults),
        sum(fault.kind == "slip" for fault in faults),
        len(zone.stops),
        sum(fault.status == "reviewed" for fault in faults),
    ]


def _safety() -> list[str]:
    return [f"**{' '.join(SAFETY[:2])}** {' '.join(SAFETY[2:])}"]


def _page(zone: Zone, has_picture: bool) -> Iterator[str]:
    """Yield the page of one zone."""
    base = zone.base
    yield from (f"# {ZONE_TITLES[zone.name]}", "", f"{MADE} [All zones](README.md)", "")
    yield from (*_safety(), "")
    parts = ", ".join(sorted(map(rows.plain, zone.parts.values()), key=str.lower))
    yield f"To this zone belong: {parts or 'no parts of any machine'}. What stands in `code` is an"
    yield f"id; `tenhold show {zone.name}.ID` tells all there is to say about it."
    yield from _picture(zone) if has_picture else ("", "No machine has a part of it to draw.")
    steps = [rows.step_row(base, name.split(".")[1], c) for name, c in zone.of_kind("step").items()]
    tests = zone.of_kind("isolating_test").items()
    yield from _section("Checkout steps", rows.STEP_HEAD, steps)
    told = [rows.isolating_row(base, name.split(".")[1], check) for name, check in tests]
    yield from _section("Isolating tests", rows.TEST_HEAD, told)
    causes = [rows.cause_row(base, name, fault) for name, fault in zone.causes.items()]
    yield from _section("Causes", rows.CAUSE_HEAD, causes, SHOWN)
    stops = [rows.rule_row(base, rule) for rule in zone.stops]
    yield from _section("What stops use at once", rows.RULE_HEAD, stops)
    yield from ("", "## Sources", "")
    yield from (rows.source_line(base, key) for key in find_sources(zone))


def _picture(zone: Zone) -> Iterator[str]:
    machine = find_fullest(zone.base, zone.name)
    assert machine is not None
    title = ZONE_TITLES[zone.name]
    own = zone.base.machines[machine]
    yield from ("", f"![{title}: its parts]({zone.name}.svg)", "")
    shown = {own.components[name] for name in find_parts(zone.base, machine, zone.name)}
    lacks = [name.lower() for kind, name in zone.parts.items() if kind not in shown]
    tail = f" It has no {', no '.join(lacks)}." if lacks else ""
    yield f"Drawn: the machine with most of these parts, “{first_capital(own.title)}”.{tail}"


def _section(
    title: str, head: tuple[str, ...], lines: list[tuple[str, ...]], note: str = ""
) -> Iterator[str]:
    yield from ("", f"## {title}", "")
    if not lines:
        yield "None yet."
        return
    if note:
        yield from (note, "")
    yield from rows.table(head, lines)


def find_sources(zone: Zone) -> list[str]:
    """Return the keys of all sources that the files of a zone cite, and its rules that stop."""
    places = (f"faults/{zone.name}/", f"checks/{zone.name}/", f"rules/{zone.name}.")
    own = {f"components/{kind}.yaml" for kind in zone.parts}
    data: list[Any] = [
        document.data
        for path, document in zone.base.documents.items()
        if path.startswith(places) or path in own
    ]
    cited = {text for each in data for _, text in list_cited(each)}
    cited |= {rule.source for rule in zone.stops}
    return sorted({text.partition("#")[0] for text in cited})


def run_pages(engine: Engine, folder: Path) -> None:
    """Write all pages to a folder, and take away those of zones that are empty now.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    found = render_pages(engine.base())
    gone = {f"{zone}{end}" for zone in ZONES for end in (".md", ".svg")} - set(found)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in found.items():
            (folder / name).write_text(text, "utf-8")
        for name in gone:
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        do = "name a folder that can be written"
        raise InputError(str(folder), f"cannot be written ({error.strerror})", do=do) from error
    typer.echo(f"Written: {len(found)} files in {folder}", err=True)
