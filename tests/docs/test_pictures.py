"""The pictures of the documentation are there, are all shown, and are small."""

import re

PICTURE = re.compile(r"!\[([^\]]*)\]\(([^)\s]+)\)")
MOST = 500_000  # bytes, all of docs/pictures together


def test_every_picture_that_a_page_shows_is_there_and_described(root):
    shown = [
        (page, text, path)
        for page in [root / "README.md", *sorted((root / "docs").rglob("*.md"))]
        for text, path in PICTURE.findall(page.read_text("utf-8"))
    ]
    assert shown
    assert [path for page, _, path in shown if not (page.parent / path).is_file()] == []
    assert [path for _, text, path in shown if not text.strip()] == []


def test_every_picture_is_shown_somewhere_and_all_are_small(root, docs_text):
    pictures = sorted((root / "docs/pictures").iterdir())
    assert pictures
    assert [each.name for each in pictures if f"pictures/{each.name}" not in docs_text] == []
    assert sum(each.stat().st_size for each in pictures) < MOST
