"""Every screen, as lines: fits 80 x 24 for every check of every machine, says what it must."""

from dataclasses import replace

import pytest

from api.ending import final_screen
from api.question import from_test, question_lines, to_answer
from api.screens import Task, View, causes_screen, main_screen, task_screen, why_screen
from api.show import SAFETY, count_fitting
from diagnose.catalogue import list_catalogue, words
from diagnose.errors import ReadingError
from diagnose.kb.load import load
from diagnose.model import RETURN, Disposition, Reading, Remedied, WorkUp
from diagnose.outline import ZONES, checkout_steps
from diagnose.session import diagnose, make_kit


@pytest.fixture(scope="module")
def base():
    return load()


@pytest.fixture(scope="module")
def kit(base):
    return make_kit(base, "small")


@pytest.fixture(scope="module")
def views(kit):
    """A work-up for every way in which every step can fail."""
    found = []
    for test in checkout_steps(kit.catalogue):
        for name, outcome in test.check.reading.outcomes.items():
            if outcome.means == "fail":
                work = WorkUp("small", test.id, (Reading(test.id, name),), 12.0)
                found.append(View(diagnose(kit, work), kit.catalogue, work, 3.0, 9.0))
    return found


def texts(found):
    return "\n".join(line.text for line in found)


def too_wide(found):
    return [line.text for line in found if len(line.text) > 80]


def test_the_main_screen_fits_for_every_failed_step(views):
    assert len(views) > 40
    for view in views:
        found = main_screen(view)
        assert too_wide(found) == []
        assert len(found) <= 22  # a line for the prompt, one for what was wrong with the answer


def test_the_first_line_is_the_standing(views):
    for view in views:
        assert main_screen(view)[0].text == "OUT OF SERVICE until it is shown to be safe."


def test_every_choice_shows_minutes_and_what_outcomes_mean(views):
    for view in views:
        shown = texts(main_screen(view))
        for number, choice in enumerate(view.assessment.choices, 1):
            assert f"\n{number}  {choice.title[:20]}" in shown or choice.title[:1].islower()
            likeliest = max(choice.means, key=lambda meaning: meaning.chance)
            assert likeliest.title[:20] in shown


def test_swap_first_is_said_before_everything_else(views):
    view = views[0]
    late = replace(view, assessment=replace(view.assessment, swap_first=True), left=1.0)
    assert main_screen(late)[1].text.startswith("SWAP THE MACHINE NOW")


def test_the_final_block_names_the_disposition_first(views):
    for view in views:
        for say in (RETURN, "remove from service and call biomed"):
            end = Disposition(say, True, "Because.", "zone.rule", "", ("something",))
            own = replace(view, assessment=replace(view.assessment, disposition=end))
            found = final_screen(own, "/tmp/record.jsonl")
            assert found[1].text.strip() == say.upper()
            assert too_wide(found) == []
            first = texts(found[: count_fitting(found, 20)])
            assert "zone.rule" in first and "Record: " in first and SAFETY[1] in first


def test_a_long_work_up_still_tells_the_failed_step_and_the_last_answers(kit, views):
    view = next(v for v in views if v.work.failed == "breathing.hold_30")
    work = view.work
    for number in range(20):
        work = work.add(Remedied("close", "apl_valve"))
        work = work.add(Reading("breathing.hold_30", "falls_slowly", None, str(number)))
    work = work.add(Reading("breathing.bag_look", "torn"))
    found = texts(final_screen(replace(view, work=work), ""))
    assert "more, not shown here" in found
    assert "Stretch the bag and look: torn" in found


@pytest.mark.parametrize("machine", ["small", "two_vaporizers_valve", "one_vaporizer_air"])
def test_every_task_fits_with_its_question_or_by_itself(base, machine):
    catalogue = list_catalogue(base, machine)
    for test in catalogue.tests:
        say = tuple(words(catalogue, text, test.it) for text in test.check.say)
        title = words(catalogue, test.check.title, test.it)
        tools, cautions = tuple(test.check.tools), tuple(test.check.cautions)
        told = task_screen(Task(test, title, say, test.check.minutes, tools, cautions))
        asked = question_lines(from_test(catalogue, test), "   t timer 60 s   Enter: it answers")
        assert too_wide([*told, *asked]) == []
        assert len(told) <= 21 and len(asked) <= 21, test.id


def test_why_and_causes_are_not_too_wide(views):
    for view in views:
        assert too_wide(why_screen(view)) == []
        assert too_wide(causes_screen(view.assessment)) == []


def test_every_zone_of_the_knowledge_has_a_name_for_people(base):
    assert {check.zone for check in base.checks.values()} <= set(ZONES)


def test_no_answer_is_read_out_of_a_bare_number(base):
    catalogue = list_catalogue(base, "small")
    for test in catalogue.tests:
        question = from_test(catalogue, test)
        with pytest.raises(ReadingError):
            to_answer(question, str(len(test.outcomes) + 1))
        with pytest.raises(ReadingError):
            to_answer(question, "0")
