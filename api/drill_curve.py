"""Pressure over time, as a small plot of letters for a terminal and as SVG for a page."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

from diagnose.drill.curve import Curve
from diagnose.units import from_si

ROWS, COLUMNS = 9, 60
WIDTH, HEIGHT, LEFT, TOP = 560, 260, 46, 14
#: dashes, so that curves are told apart without colour
DASHES = ("", "9 4", "2 4", "12 4 2 4", "5 5", "1 6", "14 6")


def letter(number: int) -> str:
    """Return the letter of a curve; what was seen is a star."""
    return "*" if number == 0 else "ABCDEFGHIJ"[number - 1]


def _scale(curves: Sequence[Curve]) -> tuple[float, float, float]:
    """Return the lowest and highest pressure of a plot and the step of its marks [cmH2O].

    One curve is shown from zero, so that a sound hold looks flat; several where they differ.
    """
    every = [from_si(p, "cmH2O") for curve in curves for p in curve.pressure]
    low = min(every) if len(curves) > 1 else min(0.0, min(every))
    step = next(s for s in (5, 10, 20, 50, 100, 1e6) if max(every) - low <= 5 * s)
    bottom = step * math.floor(low / step)
    return bottom, max(bottom + 2 * step, step * math.ceil(max(every) / step)), step


def plot_letters(curves: Sequence[Curve]) -> list[str]:
    """Return curves as lines of letters, the seen one last so that it is never covered."""
    low, high, _ = _scale(curves)
    grid = [[" "] * COLUMNS for _ in range(ROWS)]
    for number in reversed(range(len(curves))):
        for column in range(COLUMNS):
            value = from_si(_at(curves[number], column / (COLUMNS - 1)), "cmH2O")
            row = round((high - value) / (high - low) * (ROWS - 1))
            if column % 3 == number % 3 or number == 0:
                grid[max(0, min(ROWS - 1, row))][column] = letter(number)
    found = []
    for row, cells in enumerate(grid):
        value = high - (high - low) * row / (ROWS - 1)
        label = f"{value:5.0f} " if row in (0, ROWS // 2, ROWS - 1) else " " * 6
        found.append(f"{label}|{''.join(cells)}".rstrip())
    last = f"{curves[0].seconds[-1]:g} s"
    return [*found, f"cmH2O +{'-' * COLUMNS}", f"       0{last:>{COLUMNS - 1}}"]


def _at(curve: Curve, share: float) -> float:
    """Return the pressure at a share of the time, on straight lines between points [Pa]."""
    place = share * (len(curve.pressure) - 1)
    left = min(int(place), len(curve.pressure) - 2)
    part = place - left
    return (1 - part) * curve.pressure[left] + part * curve.pressure[left + 1]


def list_pressures(curve: Curve) -> str:
    """Return a course in numbers, for whoever does not see the plot."""
    pairs = zip(curve.seconds, curve.pressure, strict=True)
    return ", ".join(f"{t:.0f} s {from_si(p, 'cmH2O'):.0f}" for t, p in pairs) + " cmH2O"


def draw_curves(curves: Sequence[Curve], labels: Sequence[str]) -> str:
    """Return curves as SVG, told apart by dashes and letters and not by colour alone."""
    low, high, step = _scale(curves)
    deep = HEIGHT + 22 * len(curves) + 34

    def x(share: float) -> float:
        return LEFT + share * (WIDTH - LEFT - 24)

    def y(pressure: float) -> float:
        part = (high - from_si(pressure, "cmH2O")) / (high - low)
        return TOP + part * (HEIGHT - TOP - 30)

    found = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {deep}" role="img" '
        'font-family="sans-serif" font-size="13"><title>Pressure over time</title>',
        f'<rect width="{WIDTH}" height="{deep}" fill="#fff"/>',
        f'<path d="M{LEFT} {TOP}V{HEIGHT - 30}H{WIDTH - 24}" fill="none" stroke="#000"/>',
        *_axis(low, high, step, curves[0].seconds[-1]),
    ]
    heights = _spread([y(curve.pressure[-1]) for curve in curves])
    for number, (curve, label) in enumerate(zip(curves, labels, strict=True)):
        shares = [n / (len(curve.pressure) - 1) for n in range(len(curve.pressure))]
        points = " ".join(
            f"{x(s):.1f},{y(p):.1f}" for s, p in zip(shares, curve.pressure, strict=True)
        )
        ink, thick = ("#000", 3) if number == 0 else ("#0b4f6c", 1.8)
        dashes = DASHES[number % len(DASHES)]
        pen = f'fill="none" stroke="{ink}" stroke-width="{thick}" stroke-dasharray="{dashes}"'
        below = HEIGHT + 20 + 22 * number
        found += [
            f'<polyline points="{points}" {pen}/>',
            f'<text x="{x(1) + 5:.0f}" y="{heights[number] + 4:.1f}">{letter(number)}</text>',
            f'<path d="M{LEFT} {below - 4}h44" {pen}/>',
            f'<text x="{LEFT + 54}" y="{below}">{letter(number)} {html.escape(label)}</text>',
        ]
    return "\n".join([*found, "</svg>\n"])


def _spread(heights: Sequence[float]) -> list[float]:
    """Return heights moved apart so far that letters beside them can be read.

    >>> _spread([10.0, 12.0, 40.0])
    [10.0, 23.0, 40.0]
    """
    found = list(heights)
    last = -math.inf
    for place in sorted(range(len(found)), key=found.__getitem__):
        found[place] = last = max(found[place], last + 13.0)
    return found


def _axis(low: float, high: float, step: float, seconds: float) -> list[str]:
    marks = [low + step * n for n in range(round((high - low) / step) + 1)]
    deep = HEIGHT - TOP - 30
    rows = [(HEIGHT - 30 - deep * (mark - low) / (high - low), mark) for mark in marks]
    found = [f'<text x="{LEFT - 8}" y="{at + 4:.0f}" text-anchor="end">{mark:g}</text>'
             for at, mark in rows]  # fmt: skip
    ends = [(LEFT, "0", "start"), (WIDTH - 24, f"{seconds:g} s", "end")]
    found += [f'<text x="{at}" y="{HEIGHT - 12}" text-anchor="{anchor}">{text}</text>'
              for at, text, anchor in ends]  # fmt: skip
    return [*found, f'<text x="{(LEFT + WIDTH) // 2}" y="{HEIGHT - 12}" text-anchor="middle">'
                    "pressure in cmH2O over time</text>"]  # fmt: skip
