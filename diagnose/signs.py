"""The signs of a drawing, each with the words that its legend has for it."""

from __future__ import annotations

from diagnose.language import mark

INK = "#1a1a1a"
BOLD = f'fill="{INK}" font-weight="bold"'
#: state of a gas way -> how its line looks, what the legend says
LINES = {
    "pressed": (f'stroke="{INK}" stroke-width="5"', mark("under pressure or gas flow")),
    "drawn": ('stroke="#7a1fa2" stroke-width="4" stroke-dasharray="10 5"', mark("under vacuum")),
    "feeding": (
        'stroke="#444444" stroke-width="2.5" stroke-dasharray="2 4"',
        mark("no pressure put on; gas let in here is read"),
    ),
    "quiet": ('stroke="#8a8a8a" stroke-width="1.2"', mark("not reached")),
    "plain": (f'stroke="{INK}" stroke-width="2"', mark("gas way")),
}
#: least chance of a band, spacing of its lines [px], fill, words
BANDS = (
    (0.5, 3.0, "#f2b36b", mark("chance 5 in 10 or more")),
    (0.2, 5.0, "#f7cf9c", mark("chance 2 to 5 in 10")),
    (0.05, 9.0, "#fbe6cb", mark("chance 5 to 20 in 100")),
    (0.01, 16.0, "#fef6ec", mark("chance 1 to 5 in 100")),
)
OWN = mark("part of this zone")
HANDLED = {
    "isolated": mark("set aside for this check"),
    "swapped": mark("known good part fitted"),
}
