"""A whole work-up on German pages, by somebody whose browser has no script."""

import pytest
from axe_playwright_python.sync_playwright import Axe

HOLD = "Druckhaltetest des Atemsystems bei 30 cmH2O"
SAFETY = "Nie an einem Gerät, an das ein Patient angeschlossen ist."
STANDING = "AUSSER BETRIEB"
# far causes apart: which ones are still possible moves with every number of the knowledge
ENGLISH = "document.querySelectorAll(':not(details *)[lang=en]').length"
TOO_WIDE = "document.documentElement.scrollWidth > document.documentElement.clientWidth"
UNFOLD = "document.querySelectorAll('details').forEach(each => { each.open = true })"
RULES = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def tap_to_next(somebody, name, kind="button"):
    """Tap, and make sure that the next page is German throughout."""
    somebody.tap(name, kind)
    somebody.sees(SAFETY)


@pytest.mark.parametrize("size", ["tablet", "phone"])
def test_a_slip_is_found_and_put_right_in_german_without_script(come, size):
    somebody = come(script=False, size=size, locale="de-DE")
    somebody.open()
    somebody.sees("Welches Narkosegerät?", SAFETY)
    somebody.tap("Übungsgerät")
    somebody.unfold("Atemsystem")
    somebody.tap(HOLD)
    somebody.page.get_by_label("In wie vielen Minuten").fill("25")
    tap_to_next(somebody, "Fiel schnell")
    somebody.sees("Als Nächstes", "Mögliche Ursachen", STANDING, "25 min bis zum Einsatz")
    somebody.tap("Andere Prüfung")
    somebody.page.get_by_role("searchbox").fill("APL-Ventil auf")
    somebody.tap("Suchen", "button")
    somebody.tap("APL-Ventil auf „zu“ drehen")
    somebody.sees("Wie stand das Ventil?", STANDING)
    tap_to_next(somebody, "Es war nicht ganz zu")
    somebody.sees("Zuletzt:", "APL-Ventil offen gelassen")
    somebody.tap("Behoben")
    somebody.page.get_by_role("searchbox").fill("APL-Ventil ganz")
    somebody.tap("Suchen", "button")
    somebody.tap("APL-Ventil ganz schließen")
    tap_to_next(somebody, "Nummer 1 ist getan")
    somebody.page.get_by_label("Abgelesene Zahl").fill("29,5")
    tap_to_next(somebody, "Zahl übernehmen")
    somebody.sees("ZURÜCK ZUR GERÄTEPRÜFUNG", f"Beginnen bei „{HOLD}“", "29 cmH2O")
    somebody.misses("MEDIZINTECHNIK RUFEN")
    assert somebody.page.locator("html").get_attribute("lang") == "de"


def test_a_removal_in_german_shows_nothing_that_is_cut_and_raises_no_barrier(come, server):
    somebody = come(size="phone", locale="de-DE", bypass_csp=True)
    somebody.open("/machines/small/steps/breathing.hold_30")
    somebody.tap("Fiel langsam", "button")
    somebody.sees("Als Nächstes")
    check_page(somebody)
    somebody.tap("Hier aufhören", "button")
    somebody.sees("AUSSER BETRIEB NEHMEN UND MEDIZINTECHNIK RUFEN", SAFETY)
    somebody.misses("ZURÜCK ZUR GERÄTEPRÜFUNG")
    check_page(somebody)
    somebody.tap("Sperrschild für das Gerät")
    somebody.sees("AUSSER BETRIEB", "Keinen Patienten anschließen")
    check_page(somebody)


def check_page(somebody):
    """Make sure that a page says it is German, fits its screen, and keeps nobody out."""
    page = somebody.page
    page.evaluate(UNFOLD)
    assert page.evaluate(ENGLISH) == 0
    assert not page.evaluate(TOO_WIDE)
    page.evaluate("document.querySelectorAll('main svg:not(.bar)').forEach(x => x.remove())")
    found = Axe().run(page, options={"runOnly": RULES}).response
    assert len(found["passes"]) > 5
    assert [each["id"] for each in found["violations"]] == []


def test_the_language_is_changed_at_the_screen(come):
    somebody = come(script=False)
    somebody.open("/fleet")
    somebody.tap("Sprache")
    somebody.page.get_by_label("Deutsch").check()
    somebody.tap("Use this language", "button")
    somebody.sees("Unsere Geräte", "Kein Medizinprodukt")
    assert somebody.page.url.endswith("/fleet")
