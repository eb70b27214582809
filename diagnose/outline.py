"""What the first questions need - machines, their checkout steps, what can be seen - read quickly.

Reading all knowledge takes most of a second. This outline of it lies in the cache folder as JSON,
stamped with the names, sizes and times of the knowledge files, and is made anew when one changes.
It only serves asking: whatever is answered is checked against the knowledge itself.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.language import first_capital, mark
from diagnose.places import cache_folder

if TYPE_CHECKING:
    from diagnose.catalogue import Catalogue, Test
    from diagnose.kb.load import KnowledgeBase

log = logging.getLogger(__name__)
FORM = 2  # raise when the stored form or the order of the steps changes
#: what must stand first; then the order of the gas; the ventilator needs all before it
ZONE_TITLES = {
    "emergency": mark("Emergency equipment"),
    "power": mark("Power"),
    "supply": mark("Gas supplies"),
    "dosing": mark("Gas flows"),
    "vapour": mark("Vaporizers"),
    "outlet": mark("Fresh gas outlet"),
    "scavenging": mark("Scavenging"),
    "monitoring": mark("Monitors"),
    "breathing": mark("Breathing system"),
    "ventilator": mark("Ventilator"),
}
ZONES = tuple(ZONE_TITLES)


@dataclass(frozen=True)
class Seen:
    """One outcome of a step: its id, its words, and what it means for the checkout."""

    id: str
    title: str
    means: str


@dataclass(frozen=True)
class Step:
    """One checkout step of one machine."""

    id: str
    title: str
    zone: str
    ask: str
    unit: str
    outcomes: tuple[Seen, ...]


@dataclass(frozen=True)
class Profile:
    """One machine and its checkout steps, in the order of a checkout."""

    id: str
    title: str
    about: str
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class Outline:
    """All machines; ``base`` is the knowledge if it had to be read for this."""

    machines: tuple[Profile, ...]
    base: KnowledgeBase | None = None


def get_outline(folder: Path) -> Outline:
    """Return the outline of a knowledge folder, from the cache or made now and kept.

    Raises
    ------
    KnowledgeError
        The knowledge cannot be used.
    """
    path = (
        cache_folder()
        / f"outline-{hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:8]}.json"
    )
    stamp = stamp_folder(folder)
    try:
        return read_outline(path, stamp)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        log.debug("%s: made anew (%s)", path, error)
    from diagnose.kb.load import load

    base = load(folder)
    outline = make_outline(base)
    try:
        _write(
            path, {"form": FORM, "stamp": stamp, "machines": [asdict(m) for m in outline.machines]}
        )
    except OSError as error:
        log.warning("%s: cannot be written (%s); the next start takes longer", path, error.strerror)
    return Outline(outline.machines, base)


def stamp_folder(folder: Path) -> str:
    """Return a digest of names, sizes and times of the knowledge files; no file is opened."""
    total = hashlib.sha256()
    for parent, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            if name.endswith(".yaml"):
                path = os.path.join(parent, name)
                stat = os.stat(path) if os.path.exists(path) else os.lstat(path)
                total.update(f"{parent}/{name} {stat.st_size} {stat.st_mtime_ns}\n".encode())
    return total.hexdigest()[:16]


def read_outline(path: Path, stamp: str) -> Outline:
    """Return the outline in a file.

    Raises
    ------
    OSError, ValueError, KeyError, TypeError, AttributeError
        It is not there, is broken, or belongs to other knowledge.
    """
    data = json.loads(path.read_text(encoding="utf-8"))
    if (data["form"], data["stamp"]) != (FORM, stamp):
        raise ValueError("made from other knowledge")
    return Outline(tuple(_profile(each) for each in data["machines"]))


def _profile(data: dict[str, Any]) -> Profile:
    steps = [
        Step(**(step | {"outcomes": tuple(Seen(**o) for o in step["outcomes"])}))
        for step in data["steps"]
    ]
    return Profile(**(data | {"steps": tuple(steps)}))


def _write(path: Path, data: dict[str, Any]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(data, file)
        os.replace(name, path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise


def make_outline(base: KnowledgeBase) -> Outline:
    """Return the outline of the knowledge.

    >>> from diagnose.kb.load import load
    >>> [m.title for m in make_outline(load()).machines if m.id == "small"]
    ['Teaching machine']
    """
    from diagnose.catalogue import list_catalogue

    found = []
    for name, machine in base.machines.items():
        catalogue = list_catalogue(base, name)
        steps = tuple(_step(catalogue, test) for test in checkout_steps(catalogue))
        found.append(Profile(name, machine.title, machine.about, steps))
    return Outline(tuple(found))


def checkout_steps(catalogue: Catalogue) -> list[Test]:
    """Return the steps in the order of a checkout: in each zone looks first, then measurements."""
    steps = [test for test in catalogue.tests if test.check.kind == "step"]
    return sorted(
        steps, key=lambda test: (ZONES.index(test.check.zone), bool(test.check.procedure), test.id)
    )


def _step(catalogue: Catalogue, test: Test) -> Step:
    from diagnose.catalogue import words

    reading = test.check.reading
    title = words(catalogue, test.check.title, test.it)
    outcomes = tuple(
        Seen(name, outcome.title, outcome.means) for name, outcome in reading.outcomes.items()
    )
    ask = words(catalogue, reading.ask, test.it)
    return Step(test.id, first_capital(title), test.check.zone, ask, reading.unit or "", outcomes)
