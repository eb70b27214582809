"""QR codes for labels and tags."""

from __future__ import annotations

import segno


def draw_code(text: str) -> str:
    """Return a text as a QR code, as SVG for the inside of a page: black on white, with its edge.

    >>> draw_code("http://127.0.0.1:8000/fleet/A-017").startswith("<svg")
    True
    """
    code = segno.make(text, error="m", micro=False)
    return str(code.svg_inline(
        omitsize=True, dark="#000", light="#fff", svgclass="code", lineclass=None, border=4
    ))  # fmt: skip
