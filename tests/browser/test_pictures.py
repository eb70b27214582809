"""The pictures of docs/pages.md, taken from the pages as they are.

``TENHOLD_PICTURES=docs/pictures pytest tests/browser -m browser -k picture`` writes them there;
without it they are taken all the same, and go nowhere.
"""

import io
import os
from pathlib import Path

import pytest
from PIL import Image

WIDTH, COLOURS = 800, 48  # few colours keep a picture of flat areas and text small
MOST = 80_000  # bytes of one picture
SHOTS = {
    "machines": ("/", "tablet"),
    "steps": ("/machines/small", "tablet"),
    "failed": ("/machines/small/steps/breathing.hold_30", "tablet"),
    "work": ("{work}", "tablet"),
    "phone": ("{work}", "phone"),
    "check": ("{work}/do/breathing.hold_bag_plugged", "tablet"),
    "returned": ("{returned}", "tablet"),
    "removed": ("{removed}", "tablet"),
    "sheet": ("{removed}/sheet", "tablet"),
}


def shrink(data):
    """Return a picture as a small PNG of few colours."""
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    width = min(WIDTH, picture.width)
    picture = picture.resize((width, picture.height * width // picture.width), Image.LANCZOS)
    out = io.BytesIO()
    picture.quantize(COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(
        out, "PNG", optimize=True
    )
    return out.getvalue()


@pytest.mark.parametrize("name", SHOTS)
def test_a_picture_of_a_page_is_taken(come, paths, tmp_path, name):
    path, size = SHOTS[name]
    somebody = come(size=size)
    somebody.open(path.format(**paths))
    data = shrink(somebody.page.screenshot())
    assert 2_000 < len(data) < MOST
    folder = Path(os.environ.get("TENHOLD_PICTURES", tmp_path))
    (folder / f"page_{name}.png").write_bytes(data)
