"""No file names a maker or a product, an outside address to fetch from, or a path of one machine.

The names are kept as digests, so that this list does not itself name them; the other forbidden
words are written backwards for the same reason.
"""

import hashlib
import re
from pathlib import Path

DIGESTS = frozenset(Path(__file__).with_name("name_digests.txt").read_text("utf-8").split())
WORD = re.compile(r"[a-zäöüß][a-zäöüß0-9-]+", re.IGNORECASE)
BACKWARDS = (
    "gro.ipyp",
    "gro.detsohnohtyp",
    "gro.sjmpn",
    "gro.naibed.bed",
    "///:elif",
    "/krow/",
    "/feirb/",
    "/derahs",
    "tnemucod dees",
)
FORBIDDEN = tuple(word[::-1] for word in BACKWARDS)


def digest_word(word: str) -> str:
    return hashlib.sha256(f"tenhold:{word}".encode()).hexdigest()[:24]


def split_words(line: str) -> set[str]:
    """Return the words of a line, those with a hyphen both whole and in pieces.

    >>> sorted(split_words("The low-pressure test"))
    ['low', 'low-pressure', 'pressure', 'test', 'the']
    """
    tokens = [token.lower() for token in WORD.findall(line)]
    return {word for token in tokens for word in (token, *token.split("-"))}


def find_names(text: str, digests: frozenset[str]) -> list[tuple[int, str]]:
    return [
        (number, word)
        for number, line in enumerate(text.splitlines(), 1)
        for word in sorted(split_words(line))
        if digest_word(word) in digests
    ]


def find_forbidden(text: str) -> list[tuple[int, str]]:
    return [
        (number, word)
        for number, line in enumerate(text.lower().splitlines(), 1)
        for word in FORBIDDEN
        if word in line
    ]


def read_texts(root: Path, files: list[str]) -> dict[str, str]:
    blobs = {path: (root / path).read_bytes() for path in files}
    return {p: b.decode("utf-8", errors="ignore") for p, b in blobs.items() if b"\0" not in b}


def test_no_file_names_a_maker_or_a_product(root, files):
    texts = read_texts(root, files)
    assert "pyproject.toml" in texts
    assert {path: hits for path, text in texts.items() if (hits := find_names(text, DIGESTS))} == {}


def test_no_file_holds_a_forbidden_word(root, files):
    texts = read_texts(root, files)
    assert {path: hits for path, text in texts.items() if (hits := find_forbidden(text))} == {}


def test_no_path_holds_a_name_or_forbidden_word(files):
    paths = "\n".join(files)
    assert find_names(paths.replace("_", " "), DIGESTS) + find_forbidden(paths) == []


def test_a_name_is_found_in_any_case_and_beside_a_hyphen():
    digests = frozenset({digest_word("acme")})
    assert find_names("fine\nan ACME-like bag", digests) == [(2, "acme")]


def test_a_forbidden_word_is_found():
    assert [word for _, word in find_forbidden(f"see {FORBIDDEN[0].upper()}")] == [FORBIDDEN[0]]
