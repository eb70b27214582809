"""Words in the language of a request: never another request's, never a record's."""

import threading
from gettext import NullTranslations

from diagnose.choices import in_ten, say_then_repeat
from diagnose.language import (
    CLOSE,
    OPEN,
    Language,
    _,
    first_capital,
    inside,
    plain,
    speaking,
    spoken,
    tell,
    without_stop,
)
from diagnose.units import show


class Loud(NullTranslations):
    """A language that only shouts."""

    def gettext(self, message):
        return message.upper()


LOUD = Language("xx", Loud(), {"Reservoir bag": "Atembeutel"}, decimal=",", has_capital_nouns=True)


def test_nobody_who_sets_no_language_hears_another_one():
    assert spoken().is_english
    assert (_("failed"), tell("Reservoir bag"), show(2157, "kPa", 3)) == (
        "failed", "Reservoir bag", "2.16 kPa",
    )  # fmt: skip


def test_a_language_ends_with_its_request_even_if_that_fails():
    try:
        with speaking(LOUD):
            assert in_ten(0.99) == "ALMOST CERTAIN"
            raise ValueError
    except ValueError:
        pass
    assert in_ten(0.99) == "almost certain"


def test_two_requests_at_once_speak_their_own_languages():
    heard, both = {}, threading.Barrier(2, timeout=10)

    def ask(name, language):
        with speaking(language):
            both.wait()
            heard[name] = _("failed"), tell("Reservoir bag")
            both.wait()

    threads = [threading.Thread(target=ask, args=each)
               for each in (("loud", LOUD), ("english", Language()))]  # fmt: skip
    for each in threads:
        each.start()
    for each in threads:
        each.join(10)
    assert heard == {"loud": ("FAILED", "Atembeutel"), "english": ("failed", "Reservoir bag")}


def test_a_text_of_the_knowledge_without_translation_is_marked_and_stays_whole():
    quiet = Language("xx", NullTranslations(), {"Reservoir bag": "Atembeutel"})
    with speaking(quiet):
        assert tell("Bag mount") == f"{OPEN}Bag mount{CLOSE}"
        assert plain(tell("Bag mount")) == "Bag mount"
        assert tell("") == ""


def test_marks_hinder_neither_capitals_nor_the_end_of_a_sentence():
    assert first_capital(f"{OPEN}bag{CLOSE}") == f"{OPEN}Bag{CLOSE}"
    assert without_stop(f"{OPEN}Fit a bag.{CLOSE}") == f"{OPEN}Fit a bag{CLOSE}"
    assert say_then_repeat(f"{OPEN}Fit a bag.{CLOSE}", "x").startswith(f"{OPEN}Fit a bag{CLOSE},")


def test_a_noun_keeps_its_capital_where_the_language_wants_it():
    with speaking(LOUD):
        assert inside("Atembeutel") == "Atembeutel"
        assert inside(f"{OPEN}Bag mount{CLOSE}") == f"{OPEN}bag mount{CLOSE}"
        assert show(2157, "kPa", 3) == "2,16 kPa"
    assert inside("Bag mount") == "bag mount"
