"""A machine's gas paths as a picture to choose from: every zone is an area that can be tapped.

It stands inside a page, so it has no style of its own: the page's style sheet gives each class its
colours, bright and dark. An area is a link with a name, so keys and screen readers reach it too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from html import escape

from diagnose.catalogue import Catalogue
from diagnose.layout import Layout, get_layout, list_ends, wrap
from diagnose.outline import ZONES

Box = tuple[float, float, float, float]  # left, top, width, height [px]
LETTER, LINE = 16.5, 30  # width of a letter and height of a line of a zone's name [px]
IN_ROW = 3  # zones without a gas way beside each other
HIGH, GAP = 108, 12  # of such a zone [px]
MARGIN = 4


@dataclass(frozen=True)
class Area:
    """A zone that can be chosen: its name, what stands under it, where it leads."""

    title: str
    rest: str
    address: str


def draw_areas(catalogue: Catalogue, version: str, areas: Mapping[str, Area]) -> str:
    """Return the picture as SVG for the inside of a page.

    Parameters
    ----------
    catalogue : Catalogue
        The machine.
    version : str
        Digest of its knowledge; names the kept layout.
    areas : mapping
        Zone -> where it leads; a zone that is left out cannot be chosen.

    Examples
    --------
    >>> from diagnose.catalogue import list_catalogue
    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> catalogue = list_catalogue(base, "small")
    >>> areas = {"power": Area("Power", "3 steps", "?zone=power")}
    >>> svg = draw_areas(catalogue, base.version, areas)
    >>> svg.count("<a "), 'href="?zone=power"' in svg
    (1, True)
    """
    layout = get_layout(catalogue.circuit, version)
    places = list_places(layout, areas)
    wide = max((x + w for boxes in places.values() for x, _, w, _ in boxes), default=1.0)
    high = max((y + h for boxes in places.values() for _, y, _, h in boxes), default=1.0)
    size = f"{-MARGIN} {-MARGIN} {wide + 2 * MARGIN:.0f} {high + 2 * MARGIN:.0f}"
    drawn = [*_draw_ways(catalogue, layout), *_draw_parts(layout)]
    parts = [f'<svg class="areas" xmlns="http://www.w3.org/2000/svg" viewBox="{size}">']
    parts += [_rect(box, "zone") for boxes in places.values() for box in boxes]
    parts += [f'<g aria-hidden="true">{"".join(drawn)}</g>']
    parts += [_draw_area(places[zone], areas[zone]) for zone in ZONES if zone in areas]
    return "\n".join([*parts, "</svg>"])


def list_places(layout: Layout, areas: Collection[str]) -> dict[str, list[Box]]:
    """Return where each zone lies; those that the gas paths do not pass stand in rows below.

    >>> layout = Layout(900, 500, {}, (("breathing", (0, 0, 900, 500)),), ())
    >>> list_places(layout, ["breathing", "power"])["power"]
    [(0.0, 512, 900.0, 108)]
    """
    places: dict[str, list[Box]] = {}
    for zone, box in layout.zones:
        places.setdefault(zone, []).append(box)
    rest = [zone for zone in ZONES if zone in areas and zone not in places]
    across = max(1, min(IN_ROW, len(rest)))
    wide = (layout.width - GAP * (across - 1)) / across
    for number, zone in enumerate(rest):
        row, column = divmod(number, across)
        top = layout.height + GAP + row * (HIGH + GAP)
        places[zone] = [(column * (wide + GAP), top, wide, HIGH)]
    return places


def _draw_ways(catalogue: Catalogue, layout: Layout) -> Iterator[str]:
    for _, way in zip(list_ends(catalogue.circuit), layout.ways, strict=True):
        points = [f"{x:.0f},{y:.0f}" for x, y in way]
        yield f'<path class="way" d="M{points[0]} C{" ".join(points[1:])}"/>'


def _draw_parts(layout: Layout) -> Iterator[str]:
    for box in layout.boxes.values():
        yield _rect(box, "part")


def _draw_area(boxes: list[Box], area: Area) -> str:
    """Return the link of a zone: one for all its places, with its name in the middle of each."""
    label = escape(f"{area.title}, {area.rest}")
    parts = [f'<a class="area" href="{escape(area.address)}" aria-label="{label}">']
    for box in boxes:
        parts += [_rect(box, "tap"), *_write_name(box, area.title, area.rest)]
    return "".join([*parts, "</a>"])


def _write_name(box: Box, title: str, rest: str) -> Iterator[str]:
    x, y, wide, high = box
    lines = wrap(title, max(max(map(len, title.split())), int((wide - 16) / LETTER)))
    lines.append(rest)
    across = max(map(len, lines)) * LETTER + 16
    tall = LINE * len(lines) + 10
    middle, top = x + wide / 2, y + (high - tall) / 2
    yield _rect((middle - across / 2, top, across, tall), "plate")
    for number, line in enumerate(lines):
        look = "count" if number == len(lines) - 1 else "name"
        at = top + LINE * (number + 1) - 3
        yield f'<text class="{look}" x="{middle:.0f}" y="{at:.0f}">{escape(line)}</text>'


def _rect(box: Box, look: str) -> str:
    x, y, wide, high = box
    return (
        f'<rect class="{look}" x="{x:.0f}" y="{y:.0f}" width="{wide:.0f}" '
        f'height="{high:.0f}" rx="6"/>'
    )
