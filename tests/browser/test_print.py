"""What comes out of the printer: the sheet for biomed, on one page or two."""

import re

import pytest

SAFETY = (
    "Training and decision support. Not a medical device.",
    "Never on a machine connected to a patient.",
    "Keep a self-inflating bag and another oxygen source at hand.",
    "Local policy, the maker's instructions and licensed practice come first.",
)
PAGE = re.compile(rb"/Type\s*/Page\b(?!s)")
SHEETS = {
    "removed": ("REMOVE FROM SERVICE AND CALL BIOMED", "fell slowly", "Label the machine"),
    "returned": ("RETURN TO CHECKOUT", "it was not fully closed", "Close the APL valve fully",
                 "held at 30 (30 cmH2O)", "APL valve left open", "checkout steps before it passed"),
    "work": ("OUT OF SERVICE: WORK-UP NOT AT ITS END", "fell slowly (22 cmH2O)", "torn",
             "Reservoir bag torn or perished", "leak about", "are still missing"),
}  # fmt: skip


def print_sheet(somebody):
    """Return what is printed: the text, and the number of pages."""
    somebody.page.emulate_media(media="print")
    pages = len(PAGE.findall(somebody.page.pdf(format="A4")))
    return somebody.page.locator("body").inner_text(), pages


@pytest.mark.parametrize("which", SHEETS)
def test_the_sheet_holds_what_biomed_needs_on_one_page_or_two(come, paths, which):
    somebody = come()
    somebody.open(f"{paths[which]}/sheet")
    text, pages = print_sheet(somebody)
    wanted = ("Machine", "Asset number", "Failed", "Begun", "Knowledge", "Why", "Seen and done",
              "What it may be", "Handed over by", *SAFETY, *SHEETS[which],
              paths[which].rpartition("/")[2])  # fmt: skip
    assert [each for each in wanted if each not in text] == []
    assert pages in (1, 2)


def test_what_only_a_screen_needs_is_not_printed(come, paths):
    somebody = come()
    somebody.open(f"{paths['removed']}/sheet")
    somebody.sees("Back to the work-up")
    assert "Back to the work-up" not in print_sheet(somebody)[0]


def test_the_sheet_is_black_on_white_in_a_dark_room_too(come, paths):
    somebody = come(scheme="dark")
    somebody.open(f"{paths['removed']}/sheet")
    somebody.page.emulate_media(media="print")
    style = somebody.page.evaluate(
        "() => { const s = getComputedStyle(document.querySelector('h1'));"
        " return [s.color, getComputedStyle(document.documentElement).backgroundColor] }"
    )
    assert style == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]


@pytest.mark.parametrize("which", ["removed", "work"])
def test_another_page_that_is_printed_says_the_cautions_too(come, paths, which):
    somebody = come()
    somebody.open(paths[which])
    text, _ = print_sheet(somebody)
    assert [each for each in SAFETY if each not in text] == []
