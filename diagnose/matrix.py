"""The picture (SVG) of what a machine's checks can show: a row for each cause, a column a check.

No sign is given by colour alone: what shows a cause clearly is a square, what shows it weakly a
disc, the larger the better; marks have forms of their own. Every sign says itself in a <title>.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from diagnose.catalogue import Catalogue, Cause, Test, words
from diagnose.coverage import SHOWS, Coverage
from diagnose.draw import MARGIN
from diagnose.kb.atoms import ZONES
from diagnose.outline import ZONE_TITLES
from diagnose.signs import BOLD, INK

HEAD = 58  # height of the title and the line below it [px]
CELL = 14  # height of a row and width of a column [px]
LETTER = 5.7  # mean width of a letter of the labels [px]
CUT = 64  # letters of a label
LEAN = 60  # of the checks' labels [degrees]
MARKS = 44  # between labels and cells, for the marks [px]
LEGEND = 400.0  # width of the legend, which stands over the causes' labels [px]
LINE = 22  # height of a line of the legend [px]
MANY = 40  # rows or columns from which labels stand on both sides
#: least value, size of the sign [px], fill, words
BANDS = (
    (0.9, 12.0, "#0b3c5d", "9 in 10 or more"),
    (SHOWS, 8.5, "#2a6f97", "5 to 9 in 10: shown clearly"),
    (0.2, 7.0, "#4d86a3", "2 to 5 in 10: too weak alone"),
    (0.05, 4.0, "#5b8fa8", "5 to 20 in 100: hardly"),
)
KINDS = {"S": "checkout step", "i": "isolating test", "b": "isolating test by biomed"}
_SHAPES = {
    "unshown": f'<path d="M-5,4.5 L0,-4.5 L5,4.5 Z" fill="#ffffff" stroke="{INK}"/>',
    "kept": f'<path d="M0,-5.5 L5.5,0 L0,5.5 L-5.5,0 Z" fill="{INK}"/>',
    "both": f'<path d="M0,-6.5 L6.5,0 L0,6.5 L-6.5,0 Z" fill="{INK}"/>'
    '<circle r="2.5" fill="#ffffff"/>',
    "idle": f'<circle r="4" fill="#ffffff" stroke="{INK}" stroke-width="1.5"/>',
}
_MEANINGS = {
    "unshown": "cause that no checkout step shows clearly",
    "kept": "of the fewest checks that show every cause",
    "both": "of the fewest, though several quicker ones do it too",
    "idle": "never helps beside checks as quick or quicker",
}


@dataclass(frozen=True)
class Row:
    """One cause; without one, the heading of a zone."""

    label: str
    cause: int | None = None
    is_unshown: bool = False
    group: int = 0  # number of its ambiguity group; 0 for none


@dataclass(frozen=True)
class Column:
    """One check; without one, the heading of a zone."""

    label: str
    test: int | None = None
    kind: str = ""
    mark: str = ""


@dataclass(frozen=True)
class Frame:
    """Where the cells lie [px]."""

    left: float
    top: float
    wide: float  # of the cells
    high: float
    width: float  # of the picture
    height: float

    @property
    def right(self) -> float:
        """Where the cells end."""
        return self.left + self.wide

    @property
    def bottom(self) -> float:
        """Where the cells end."""
        return self.top + self.high


def draw_matrix(catalogue: Catalogue, coverage: Coverage) -> str:
    """Return the picture of what a machine's checks can show.

    Examples
    --------
    >>> from diagnose.coverage import cover
    >>> from diagnose.kb.load import load
    >>> from diagnose.session import make_kit
    >>> kit = make_kit(load(), "small")
    >>> svg = draw_matrix(kit.catalogue, cover(kit.catalogue, kit.table))
    >>> svg.startswith("<svg"), "<title>" in svg
    (True, True)
    """
    rows, columns = list_rows(catalogue, coverage), list_columns(catalogue, coverage)
    prefix = re.sub(r"\W", "-", catalogue.circuit.machine_id)
    title = f"{catalogue.circuit.machine.title}: what the checks can show"
    legend = list(_legend(prefix))
    frame = _set_frame(rows, columns, LINE * len(legend))
    size = f"{frame.width:.0f} {frame.height:.0f}"
    wide, high = size.split()
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" width="{wide}" '
        f'height="{high}" role="img" aria-labelledby="{prefix}-title {prefix}-desc" font-size="11" '
        'font-family="Arial, Helvetica, Liberation Sans, DejaVu Sans, sans-serif">',
        f'<title id="{prefix}-title">{escape(title)}</title>',
        f'<desc id="{prefix}-desc">{escape(_describe(rows, columns))}</desc>',
        f"<defs>{''.join(_define(prefix))}</defs>",
        f'<rect width="{wide}" height="{high}" fill="#ffffff"/>',
        _text(MARGIN, 28, title, f'{BOLD} font-size="19"'),
        _text(MARGIN, 47, _describe(rows, columns), f'fill="{INK}" font-size="13"'),
    ]
    for number, (sign, label) in enumerate(legend):
        at = HEAD + LINE * (number + 0.5)
        parts.append(f'<g transform="translate({MARGIN + 8},{at})">{sign}</g>')
        parts.append(_text(MARGIN + 26, at + 4, label, f'fill="{INK}" font-size="13"'))
    parts += [*_stripes(frame, rows, columns), *_row_labels(frame, rows)]
    parts += _column_labels(frame, columns)
    parts += _cells(frame, rows, columns, coverage, prefix)
    return "\n".join([*parts, "</svg>\n"])


def list_rows(catalogue: Catalogue, coverage: Coverage) -> list[Row]:
    """Return the causes by zone, each zone with its heading."""
    unshown = {each.cause for each in coverage.unshown}
    groups = {
        cause: number for number, split in enumerate(coverage.splits, 1) for cause in split.causes
    }
    rows: list[Row] = []
    for zone, places in _by_zone(list(map(_zone, catalogue.causes))):
        rows.append(Row(zone))
        for place in places:
            cause = catalogue.causes[place]
            label = _capital(words(catalogue, cause.fault.title, cause.component))
            rows.append(Row(label, place, cause.id in unshown, groups.get(cause.id, 0)))
    return rows


def list_columns(catalogue: Catalogue, coverage: Coverage) -> list[Column]:
    """Return the checks by zone, each zone with its heading."""
    marks = {each.test: "idle" for each in coverage.idle}
    marks |= {test: "both" if test in marks else "kept" for test in coverage.showing.tests}
    columns: list[Column] = []
    for zone, places in _by_zone([test.check.zone for test in catalogue.tests]):
        columns.append(Column(zone))
        for place in places:
            test = catalogue.tests[place]
            label = _capital(words(catalogue, test.check.title, test.it))
            columns.append(Column(label, place, _kind(test), marks.get(test.id, "")))
    return columns


def _zone(cause: Cause) -> str:
    return cause.fault_id.partition(".")[0]


def _kind(test: Test) -> str:
    if test.check.kind == "step":
        return "S"
    return "i" if test.check.by == "user" else "b"


def _by_zone(zones: Sequence[str]) -> Iterator[tuple[str, list[int]]]:
    """Yield the name of each zone, in the order of a machine, and the places of what is in it."""
    known = [*ZONES, *sorted(set(zones) - set(ZONES))]
    for zone in known:
        if places := [place for place, own in enumerate(zones) if own == zone]:
            yield ZONE_TITLES.get(zone, _capital(zone)), places


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _cut(text: str) -> str:
    return text if len(text) <= CUT else text[: CUT - 1].rstrip() + "…"


def _width(labels: Iterable[str]) -> float:
    return LETTER * max((len(_cut(label)) for label in labels), default=0)


def _set_frame(rows: Sequence[Row], columns: Sequence[Column], legend: float) -> Frame:
    """Return where the cells lie, with room for the labels and for the height of the legend."""
    names, slope = _width(row.label for row in rows), math.radians(LEAN)
    lean = _width(column.label for column in columns)
    top = HEAD + max(legend, lean * math.sin(slope)) + MARKS
    left = MARGIN + max(names, LEGEND) + MARKS
    wide, high = CELL * len(columns), CELL * len(rows)
    beside = names + MARKS if len(columns) > MANY else 0.0
    below = lean * math.sin(slope) + MARKS if len(rows) > MANY else 0.0
    tail = max(beside, lean * math.cos(slope))
    width = max(left + wide + tail + MARGIN, 760.0)
    return Frame(left, top, wide, high, width, top + high + below + MARGIN)


def _describe(rows: Sequence[Row], columns: Sequence[Column]) -> str:
    causes = sum(row.cause is not None for row in rows)
    checks = sum(column.test is not None for column in columns)
    unshown = sum(row.is_unshown for row in rows)
    shown = f"no checkout step shows {unshown} of the causes clearly"
    return f"{causes} causes (rows) by {checks} checks (columns); {shown}."


def _define(prefix: str) -> Iterator[str]:
    for number, (least, size, fill, _) in enumerate(BANDS):
        half, own = size / 2, f'id="{prefix}-{number}" fill="{fill}"'
        if least >= SHOWS:
            yield f'<rect {own} x="{-half}" y="{-half}" width="{size}" height="{size}"/>'
        else:
            yield f'<circle {own} r="{half}"/>'


def _legend(prefix: str) -> Iterator[tuple[str, str]]:
    """Yield each sign and its words."""
    yield "", "Seen so much oftener than on a sound machine:"
    for number, (*_, label) in enumerate(BANDS):
        yield f'<use href="#{prefix}-{number}"/>', label
    for mark, shape in _SHAPES.items():
        yield shape, _MEANINGS[mark]
    for letter, label in KINDS.items():
        yield _text(-3, 4, letter, BOLD), label
    yield _text(-3, 4, "1", BOLD), "group of causes that no user's check tells apart"


def _stripes(frame: Frame, rows: Sequence[Row], columns: Sequence[Column]) -> Iterator[str]:
    """Yield what leads the eye: every second row tinted, checkout steps tinted, lines."""
    for number, column in enumerate(columns):
        x = frame.left + CELL * number
        if column.kind == "S":
            yield _rect(x, frame.top, CELL, frame.high, 'fill="#eef3f7"')
        line = "#8a8a8a" if column.test is None and number else "#e3e7ea"
        yield f'<path d="M{x:.0f},{frame.top:.1f} v{frame.high}" stroke="{line}"/>'
    for number, row in enumerate(rows):
        y = frame.top + CELL * number
        if number % 2:
            yield _rect(frame.left, y, frame.wide, CELL, 'fill="#9fb3c1" fill-opacity="0.16"')
        if row.cause is None and number:
            yield f'<path d="M{frame.left:.1f},{y:.1f} h{frame.wide}" stroke="#8a8a8a"/>'
    yield _rect(frame.left, frame.top, frame.wide, frame.high, f'fill="none" stroke="{INK}"')


def _row_labels(frame: Frame, rows: Sequence[Row]) -> Iterator[str]:
    sides = [(frame.left - MARKS, -1)]
    if frame.wide > CELL * MANY:
        sides.append((frame.right + MARKS, 1))
    for number, row in enumerate(rows):
        middle = frame.top + CELL * (number + 0.5)
        yield f"<g><title>{escape(_tell_row(row))}</title>"
        for x, side in sides:
            look = BOLD if row.cause is None or row.is_unshown else f'fill="{INK}"'
            anchor = ' text-anchor="end"' if side < 0 else ""
            yield _text(x, middle + 4, _cut(row.label), look + anchor)
            if row.is_unshown:
                yield _mark(x - 11 * side, middle, "unshown")
            if row.group:
                yield _text(x - 30 * side - 6, middle + 4, str(row.group), BOLD)
        yield "</g>"


def _tell_row(row: Row) -> str:
    said = [row.label]
    said.append(_MEANINGS["unshown"] if row.is_unshown else "")
    said.append(f"ambiguity group {row.group}" if row.group else "")
    return "; ".join(filter(None, said))


def _column_labels(frame: Frame, columns: Sequence[Column]) -> Iterator[str]:
    sides = [(frame.top, -1)]
    if frame.high > CELL * MANY:
        sides.append((frame.bottom, 1))
    for number, column in enumerate(columns):
        x = frame.left + CELL * (number + 0.5)
        yield f"<g><title>{escape(_tell_column(column))}</title>"
        for y, side in sides:
            look = BOLD if column.test is None else f'fill="{INK}"'
            at = f"translate({x - 3 * side * 0.5:.1f},{y + (MARKS - 6) * side:.1f})"
            yield (
                f'<text transform="{at} rotate({LEAN * side})" {look}>'
                f"{escape(_cut(column.label))}</text>"
            )
            if column.kind:
                yield _text(x - 3.5, y + 10 * side + 4, column.kind, BOLD)
            if column.mark:
                yield _mark(x, y + 26 * side, column.mark)
        yield "</g>"


def _tell_column(column: Column) -> str:
    said = [column.label, KINDS.get(column.kind, ""), _MEANINGS.get(column.mark, "")]
    return "; ".join(filter(None, said))


def _cells(
    frame: Frame, rows: Sequence[Row], columns: Sequence[Column], coverage: Coverage, prefix: str
) -> Iterator[str]:
    for down, row in enumerate(rows):
        for across, column in enumerate(columns):
            if row.cause is None or column.test is None:
                continue
            value = float(coverage.shows[row.cause, column.test])
            band = next((i for i, (least, *_) in enumerate(BANDS) if value >= least), None)
            if band is not None:
                x, y = frame.left + CELL * (across + 0.5), frame.top + CELL * (down + 0.5)
                said = f"{row.label}; {column.label}: {100 * value:.0f} in 100"
                yield (
                    f'<use href="#{prefix}-{band}" x="{x:.0f}" y="{y:.1f}">'
                    f"<title>{escape(said)}</title></use>"
                )


def _mark(x: float, y: float, mark: str) -> str:
    return f'<g transform="translate({x:.1f},{y:.1f})">{_SHAPES[mark]}</g>'


def _rect(x: float, y: float, wide: float, high: float, look: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}" {look}/>'


def _text(x: float, y: float, text: str, look: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" {look}>{escape(text)}</text>'
