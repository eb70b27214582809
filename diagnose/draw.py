"""A machine's gas paths as a picture (SVG): what a check puts to the test, and what is likely.

No sign is given by colour alone: lines differ in weight and dashes, suspects carry a corner mark,
likely parts a denser pattern and their chance in words. Text is text, so that it can be read aloud.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from html import escape

from diagnose.catalogue import Catalogue, words
from diagnose.choices import in_ten
from diagnose.circuit import KNOWN_GOOD, SUPPLIES, Circuit, put, spread
from diagnose.errors import CircuitError
from diagnose.kb.schema import Check
from diagnose.language import _, first_capital, tell
from diagnose.layout import (
    NOTE_CHARACTERS,
    NOTE_LINE,
    TITLE_CHARACTERS,
    TITLE_LINE,
    WIDEST,
    Layout,
    Point,
    get_layout,
    list_drawn,
    list_ends,
    wrap,
)
from diagnose.outline import ZONE_TITLES
from diagnose.predict import tested_components
from diagnose.readings import find_test
from diagnose.signs import BANDS, BOLD, HANDLED, INK, LINES, OWN

MARGIN = 12


@dataclass(frozen=True)
class View:
    """What there is to show of a machine, apart from where it lies."""

    title: str
    lines: tuple[str, ...] = ()  # under the title
    states: Mapping[str, str] = field(default_factory=dict)  # gas space -> key of LINES
    suspects: frozenset[str] = frozenset()
    touched: frozenset[str] = frozenset()  # suspects that pressure or vacuum reaches
    handled: Mapping[str, str] = field(default_factory=dict)  # component -> isolated | swapped
    notes: Mapping[str, str] = field(default_factory=dict)  # component -> its position
    chances: Mapping[str, float] = field(default_factory=dict)
    own: frozenset[str] = frozenset()  # parts of the zone that is shown


def draw_svg(
    catalogue: Catalogue,
    version: str,
    check_id: str | None = None,
    chances: Mapping[str, float] | None = None,
) -> str:
    """Return the picture of a machine's gas paths.

    Parameters
    ----------
    catalogue : Catalogue
        The machine.
    version : str
        Digest of its knowledge; names the kept layout.
    check_id : str, optional
        Test whose pressure, vacuum, positions and suspects are shown.
    chances : mapping, optional
        Component -> probability that the cause lies in it [-].

    Raises
    ------
    ReadingError
        The machine has no such test.
    CircuitError
        A chance is given for a component that the machine lacks.

    Examples
    --------
    >>> from diagnose.catalogue import list_catalogue
    >>> from diagnose.kb.load import load
    >>> base = load()
    >>> svg = draw_svg(list_catalogue(base, "small"), base.version, "breathing.hold_30")
    >>> svg.startswith("<svg"), "set: closed" in svg
    (True, True)
    """
    circuit = catalogue.circuit
    if unknown := set(chances or {}) - set(circuit.kinds):
        what = f"has no component '{min(unknown)}'"
        raise CircuitError(circuit.machine_id, what, sorted(circuit.kinds))
    view = replace(look(catalogue, check_id), chances=dict(chances or {}))
    prefix = re.sub(r"\W", "-", f"{circuit.machine_id}-{check_id or 'ready'}")
    return write_svg(circuit, get_layout(circuit, version), view, prefix)


def look(catalogue: Catalogue, check_id: str | None) -> View:
    """Return what a picture shows: of the ready machine, or of a check.

    >>> from diagnose.catalogue import list_catalogue
    >>> from diagnose.kb.load import load
    >>> view = look(list_catalogue(load(), "small"), "breathing.hold_bag_plugged")
    >>> view.handled["bag_mount"], view.states["bag.in"]
    ('isolated', 'quiet')
    """
    circuit = catalogue.circuit
    if check_id is None:
        ready = _("The machine ready for checkout; leaks to the room are not drawn.")
        return View(circuit.machine.title, (ready,))
    test = find_test(catalogue, check_id)
    check, it = test.check, test.it
    states = _find_states(circuit, check, it) if check.procedure else {}
    tested = tested_components(replace(catalogue, tests=(test,)))[test.id]
    strong = {space for space, state in states.items() if state in ("pressed", "drawn")}
    touched = {
        piece.component
        for piece in circuit.pieces
        if not states or piece.before in strong or piece.after in strong
    }
    handled = {
        name.replace("$it", it): "swapped" if how == KNOWN_GOOD else "isolated"
        for name, how in check.isolate.items()
        if name != SUPPLIES
    }
    lines = [_("Check: {title}").format(title=words(catalogue, check.title, it))]
    if SUPPLIES in check.isolate:
        lines.append(_("Gas supplies: {state}").format(state=tell(check.isolate[SUPPLIES])))
    if not check.procedure:
        lines.append(_("This check is a look or a touch: it puts no gas way under pressure."))
    notes = _find_notes(circuit, check, it)
    shown = (states, tested, tested & touched, handled, notes)
    return View(circuit.machine.title, tuple(lines), *shown)


def _find_states(circuit: Circuit, check: Check, it: str) -> dict[str, str]:
    """Return the state of each gas space; waiting alone puts nothing under pressure.

    ``spread`` also counts what stands upstream of the reading, as gas let in there would be read.
    """
    moves = [move for move in check.procedure if not move.wait]
    driven, drawn = spread(circuit, check.model_copy(update={"procedure": moves}), it)
    read, _vacuum = spread(circuit, check, it)
    states = {}
    for space in set(circuit.spaces.values()):
        found = [("drawn", drawn), ("pressed", driven), ("feeding", read)]
        states[space] = next((state for state, spaces in found if space in spaces), "quiet")
    return states


def _find_notes(circuit: Circuit, check: Check, it: str) -> dict[str, str]:
    positions, notes = put(circuit, check, it), {}
    for name, position in positions.items():
        if position != circuit.ready.get(name):
            notes[name] = _("set: {position}").format(position=_say_position(position))
    for move in check.procedure:
        for name, position in (move.set_ or {}).items():
            notes[name.replace("$it", it)] = _("then: {position}").format(
                position=_say_position(position)
            )
    return {name: note for name, note in notes.items() if name in circuit.kinds}


def _say_position(position: str) -> str:
    return tell(position.replace("_", " "))


def write_svg(
    circuit: Circuit, layout: Layout, view: View, prefix: str, least: float = WIDEST
) -> str:
    """Return a picture as text, at least so many pixels wide; ids in it begin with ``prefix``."""
    room = max(least, layout.width)  # a wider machine scrolls; its text stays legible
    name = ". ".join([view.title, *view.lines[:1]])
    legend = list(_legend(circuit, view, prefix))
    rows, across = _arrange(legend, room)
    head = 34 + 18 * len(view.lines)
    top = head + 26 * rows + 18
    wide = room + 2 * MARGIN
    left = (wide - layout.width) / 2
    high = top + layout.height + MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {high:.0f}" '
        f'width="{wide:.0f}" height="{high:.0f}" role="img" style="max-width:100%;height:auto" '
        f'aria-labelledby="{prefix}-title {prefix}-desc" '
        'font-family="Arial, Helvetica, Liberation Sans, DejaVu Sans, sans-serif">',
        f'<title id="{prefix}-title">{escape(name)}</title>',
        f'<desc id="{prefix}-desc">{escape(_describe(circuit, view))}</desc>',
        define_patterns(prefix),
        f'<rect width="{wide:.0f}" height="{high:.0f}" fill="#ffffff"/>',
        _text(MARGIN, 28, view.title, 19, BOLD),
        *(_text(MARGIN, 50 + 18 * i, line, 14) for i, line in enumerate(view.lines)),
    ]
    for (x, y), (sign, label) in zip(across, legend, strict=True):
        parts.append(f'<g transform="translate({x},{y + head + 8})">{sign}')
        parts.append(f"{_text(44, 15, label, 13)}</g>")
    parts.append(f'<g transform="translate({left:.1f},{top})">')
    parts += draw_zones(layout)
    parts += [*draw_ways(circuit, layout, view), *draw_zone_titles(layout)]
    parts += (draw_box(circuit, layout, view, name, prefix) for name in layout.boxes)
    return "\n".join([*parts, "</g>", "</svg>\n"])


def _describe(circuit: Circuit, view: View) -> str:
    """Return the picture in words."""

    def name(components: Iterable[str]) -> str:
        chosen = set(components)
        return ", ".join(circuit.title(each) for each in circuit.kinds if each in chosen)

    said = [*view.lines[1:]]
    for state in ("pressed", "drawn", "feeding", "quiet"):
        spaces = {space for space, own in view.states.items() if own == state}
        if found := {port.split(".")[0] for port, s in circuit.spaces.items() if s in spaces}:
            said.append(f"{first_capital(_(LINES[state][1]))}: {name(found)}.")
    if view.own:
        said.append(f"{first_capital(_(OWN))}: {name(view.own)}.")
    if view.suspects:
        said.append(_("Suspects: {parts}.").format(parts=name(view.suspects)))
    for how, label in HANDLED.items():
        if found := {each for each, own in view.handled.items() if own == how}:
            said.append(f"{first_capital(_(label))}: {name(found)}.")
    said += [f"{circuit.title(each)} {note}." for each, note in view.notes.items()]
    for each, chance in sorted(view.chances.items(), key=lambda pair: -pair[1]):
        if _band(chance) is not None:
            said.append(f"{circuit.title(each)}: {in_ten(chance)}.")
    return " ".join(said) or _("Parts: {parts}.").format(parts=name(list_drawn(circuit)))


def define_patterns(prefix: str) -> str:
    """Return the patterns that boxes are filled with; their ids begin with ``prefix``."""
    hatch = '<path d="M0,0 V{0}" stroke="{1}" stroke-width="{2}"/></pattern>'
    patterns = [
        f'<pattern id="{prefix}-band{i}" width="{gap}" height="{gap}" '
        'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="{gap}" height="{gap}" fill="{fill}"/>{hatch.format(gap, "#7a4300", 2)}'
        for i, (_least, gap, fill, _label) in enumerate(BANDS)
    ]
    for name, turn in (("isolated", -45), ("swapped", 0)):
        patterns.append(
            f'<pattern id="{prefix}-{name}" width="7" height="7" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate({turn})">{hatch.format(7, "#5b6b7a", 3)}'
        )
    return f"<defs>{''.join(patterns)}</defs>"


def _legend(circuit: Circuit, view: View, prefix: str) -> Iterator[tuple[str, str]]:
    """Yield the sign and the words of everything that this picture uses."""
    shown = {*view.states.values()} or ({"plain"} if circuit.machine.connections else set())
    for state, (style, label) in LINES.items():
        if state in shown:
            yield f'<path d="M0,10 H36" fill="none" {style}/>', _(label)
    if any(piece.element.type == "valve" for piece in circuit.pieces):
        yield (
            f'<path d="M10,4 L24,10 L10,16 Z" fill="{INK}"/>',
            _("one-way valve: gas only this way"),
        )
    small = '<rect x="2" y="1" width="32" height="18" fill="#ffffff" {}/>'
    if view.own:
        yield small.format(f'stroke="{INK}" stroke-width="3.5"'), _(OWN)
    if view.touched:
        sign = small.format(f'stroke="{INK}" stroke-width="3.5"') + _corner(34, 1, True)
        yield sign, _("suspect: the check tests it")
    if view.suspects - view.touched:
        sign = small.format(f'stroke="{INK}" stroke-width="1.2"') + _corner(34, 1, False)
        yield sign, _("suspect only if it lets gas in")
    for how in sorted(set(view.handled.values())):
        fill = f"url(#{prefix}-{how})"
        yield small.replace("#ffffff", fill).format('stroke="#555555"'), _(HANDLED[how])
    if view.chances:
        for i, (*_least, label) in enumerate(BANDS):
            fill = f"url(#{prefix}-band{i})"
            yield small.replace("#ffffff", fill).format('stroke="#555555"'), _(label)


def _arrange(legend: list[tuple[str, str]], room: float) -> tuple[int, list[tuple[int, int]]]:
    """Return how many rows a legend takes, and where its entries begin."""
    x, row, places = MARGIN, 0, []
    for _sign, label in legend:
        wide = 44 + round(7.9 * len(label)) + 18
        if x > MARGIN and x + wide > room + MARGIN:
            x, row = MARGIN, row + 1
        places.append((x, 26 * row))
        x += wide
    return row + 1, places


def draw_zones(layout: Layout) -> Iterator[str]:
    """Yield the zones' borders."""
    for _zone, (x, y, wide, high) in layout.zones:
        yield (
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" rx="8" '
            'fill="#f6f7f9" stroke="#b5bcc4"/>'
        )


def draw_zone_titles(layout: Layout) -> Iterator[str]:
    """Yield the zones' names, over the ways, with a pale edge so that no line hurts them."""
    look = f'{BOLD} stroke="#f6f7f9" stroke-width="5" paint-order="stroke"'
    for zone, (x, y, *_size) in layout.zones:
        yield _text(x + 8, y + 17, _(ZONE_TITLES[zone]), 13, look)


def draw_ways(circuit: Circuit, layout: Layout, view: View) -> Iterator[str]:
    """Yield the gas ways, those not reached first, so that the others lie on top."""
    order = list(LINES)[::-1]
    valves = [piece for piece in circuit.pieces if piece.element.type == "valve"]
    exits = {f"{valve.component}.{valve.element.to}" for valve in valves}
    drawn: list[tuple[int, str]] = []
    for (first, second), way in zip(list_ends(circuit), layout.ways, strict=True):
        state = view.states.get(circuit.spaces[first], "plain")
        points, is_one_way = (way[::-1], True) if second in exits else (way, first in exits)
        drawn.append((order.index(state), _way(points, state, is_one_way)))
    return (svg for _place, svg in sorted(drawn, key=lambda pair: pair[0]))


def _way(points: tuple[Point, ...], state: str, is_one_way: bool) -> str:
    """Return one gas way; the arrow sits in its middle, where no box hides it."""
    rest = [f"{x:.1f},{y:.1f}" for x, y in points]
    path = f"M{rest[0]} C{' '.join(rest[1:])}"
    svg = f'<path d="{path}" fill="none" stroke-linejoin="round" {LINES[state][0]}/>'
    if is_one_way:
        (xa, ya), (xb, yb) = points[0], points[3]
        x, y = (xa + xb) / 2, (ya + yb) / 2
        turn = math.degrees(math.atan2(yb - ya, xb - xa))
        svg += (
            f'<path d="M-8,-8 L9,0 L-8,8 Z" fill="{INK}" stroke="#ffffff" '
            f'transform="translate({x:.1f},{y:.1f}) rotate({turn:.0f})"/>'
        )
    return svg


def draw_box(circuit: Circuit, layout: Layout, view: View, name: str, prefix: str) -> str:
    """Return a component with its name, its position and its chance."""
    x, y, wide, high = layout.boxes[name]
    is_heavy, how = name in view.touched | view.own, view.handled.get(name)
    band = _band(view.chances.get(name, 0.0))
    title = [(line, 12, False) for line in wrap(circuit.title(name), TITLE_CHARACTERS)]
    notes = [(line, 11, True) for line in wrap(view.notes.get(name, ""), NOTE_CHARACTERS) if line]
    if how == "swapped":
        notes.append((_("known good"), 11, True))
    if band is not None:
        notes.append((in_ten(view.chances[name]), 11, True))
    tall = len(title) * TITLE_LINE + len(notes) * NOTE_LINE
    parts = [f'<g id="{prefix}-{name}"><title>{escape(_tell(circuit, view, name))}</title>']
    rect = f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" rx="4" '
    fills = [f"url(#{prefix}-{fill})" for fill in (band is not None and f"band{band}", how) if fill]
    parts += [f'{rect}fill="{fill}"/>' for fill in ("#ffffff", *fills)]
    parts.append(f'{rect}fill="none" stroke="{INK}" stroke-width="{3.5 if is_heavy else 1.2}"/>')
    at = y + (high - tall) / 2
    if how or band is not None:
        plate = f'x="{x + 5:.1f}" y="{at - 2:.1f}" width="{wide - 10:.1f}" height="{tall + 4:.1f}"'
        parts.append(f'<rect {plate} rx="3" fill="#ffffff" fill-opacity="0.9"/>')
    for line, size, bold in title + notes:
        at += NOTE_LINE if bold else TITLE_LINE
        style = f'text-anchor="middle" {BOLD if bold else ""}'
        parts.append(_text(x + wide / 2, at - 3, line, size, style))
    if name in view.suspects:
        parts.append(_corner(x + wide, y, is_heavy))
    return "".join([*parts, "</g>"])


def _tell(circuit: Circuit, view: View, name: str) -> str:
    """Return a box in words, for a pointer resting on it."""
    said = [circuit.title(name), view.notes.get(name, "")]
    handled = HANDLED.get(view.handled.get(name, ""))
    said.append(_(handled) if handled else "")
    said.append(_("suspect") if name in view.suspects else "")
    said.append(in_ten(view.chances[name]) if name in view.chances else "")
    return "; ".join(filter(None, said))


def _band(chance: float) -> int | None:
    return next((i for i, (least, *_rest) in enumerate(BANDS) if chance >= least), None)


def _corner(x: float, y: float, is_filled: bool) -> str:
    fill = "#b00020" if is_filled else "#ffffff"
    return (
        f'<path d="M{x - 13:.1f},{y:.1f} H{x:.1f} V{y + 13:.1f} Z" fill="{fill}" '
        f'stroke="{INK}" stroke-width="1.2"/>'
    )


def _text(x: float, y: float, text: str, size: int, look: str = f'fill="{INK}"') -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" {look}>{escape(text)}</text>'
