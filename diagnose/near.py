"""The part of a drawing where the likely parts lie, large enough to be read beside the causes."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from diagnose.catalogue import Catalogue
from diagnose.choices import in_ten
from diagnose.circuit import Circuit
from diagnose.draw import (
    View,
    define_patterns,
    draw_box,
    draw_ways,
    draw_zone_titles,
    draw_zones,
)
from diagnose.language import _
from diagnose.layout import Layout, get_layout, stand_apart

LEAST = 0.05  # chance from which a part is looked for [-]
MOST = 4  # parts that are looked for
EDGE = 46  # px around them
WIDEST, NARROWEST = 720.0, 420.0  # px, across and down
PREFIX = "near"

Frame = tuple[float, float, float, float]  # left, top, right, bottom [px]


def draw_near(catalogue: Catalogue, version: str, chances: Mapping[str, float]) -> str:
    """Return the surroundings of the likely parts, as SVG for the inside of a page.

    Parameters
    ----------
    catalogue : Catalogue
        The machine.
    version : str
        Digest of its knowledge; names the kept layout.
    chances : mapping
        Component -> probability that the cause lies in it [-].

    Returns
    -------
    str
        "" where no part is likely.

    Examples
    --------
    >>> from diagnose.catalogue import list_catalogue
    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> catalogue = list_catalogue(base, "small")
    >>> svg = draw_near(catalogue, base.version, {"bag": 0.7, "gauge": 0.01})
    >>> "about 7 in 10" in svg, draw_near(catalogue, base.version, {"gauge": 0.01})
    (True, '')
    """
    circuit = catalogue.circuit
    layout = stand_apart(circuit, get_layout(circuit, version))
    likely = sorted((name for name in chances if chances[name] >= LEAST),
                    key=lambda name: -chances[name])  # fmt: skip
    if not likely:
        return ""
    frame = _fit(layout, likely[:MOST])
    view = View(circuit.machine.title, chances=chances)
    left, top, right, bottom = frame
    size = f"{left:.0f} {top:.0f} {right - left:.0f} {bottom - top:.0f}"
    ground = f'x="{left:.0f}" y="{top:.0f}" width="{right - left:.0f}" height="{bottom - top:.0f}"'
    label = escape(_tell(circuit, likely, chances))
    parts = [f'<svg class="near" xmlns="http://www.w3.org/2000/svg" viewBox="{size}" role="img" ']
    parts += [f'aria-label="{label}">', define_patterns(PREFIX)]
    parts += [f'<rect {ground} fill="#ffffff"/>', *draw_zones(layout)]
    parts += [*draw_ways(circuit, layout, view), *draw_zone_titles(layout)]
    parts += [draw_box(circuit, layout, view, name, PREFIX)
              for name, box in layout.boxes.items() if _is_seen(box, frame)]  # fmt: skip
    return "".join([*parts, "</svg>"])


def _tell(circuit: Circuit, likely: list[str], chances: Mapping[str, float]) -> str:
    said = "; ".join(f"{circuit.title(name)}: {in_ten(chances[name])}" for name in likely)
    return _("Gas paths around the likely parts. {parts}.").format(parts=said)


def _fit(layout: Layout, likely: list[str]) -> Frame:
    """Return the frame of the likeliest parts that can be shown together at a size to be read."""
    while len(likely) > 1:
        left, top, right, bottom = _surround(layout, likely)
        if max(right - left, bottom - top) <= WIDEST:
            break
        likely = likely[:-1]
    left, top, right, bottom = _surround(layout, likely)
    more = max(0.0, NARROWEST - (right - left)) / 2
    return left - more, top, right + more, bottom


def _surround(layout: Layout, names: list[str]) -> Frame:
    boxes = [layout.boxes[name] for name in names]
    return (
        min(x for x, *_rest in boxes) - EDGE,
        min(y for _x, y, *_rest in boxes) - EDGE,
        max(x + wide for x, _y, wide, _high in boxes) + EDGE,
        max(y + high for _x, y, _wide, high in boxes) + EDGE,
    )


def _is_seen(box: tuple[float, float, float, float], frame: Frame) -> bool:
    x, y, wide, high = box
    left, top, right, bottom = frame
    return x < right and x + wide > left and y < bottom and y + high > top
