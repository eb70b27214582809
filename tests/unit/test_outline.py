"""The outline of the knowledge: quick, and never older than the knowledge."""

import json
import os
import shutil

import pytest

from diagnose import outline
from diagnose.catalogue import list_catalogue
from diagnose.errors import KnowledgeError
from diagnose.kb.load import load
from diagnose.places import PACKAGED


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv("TENHOLD_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def knowledge(tmp_path):
    return shutil.copytree(PACKAGED, tmp_path / "knowledge")


def test_it_is_read_from_the_cache_the_second_time(cache):
    first, second = outline.get_outline(PACKAGED), outline.get_outline(PACKAGED)
    assert first.base is not None and second.base is None
    assert second.machines == first.machines


def test_it_names_every_checkout_step_of_every_machine(cache):
    base = load()
    for profile in outline.get_outline(PACKAGED).machines:
        tests = list_catalogue(base, profile.id).tests
        steps = {test.id for test in tests if test.check.kind == "step"}
        assert {step.id for step in profile.steps} == steps


def test_an_edited_file_makes_it_anew(cache, knowledge):
    outline.get_outline(knowledge)
    path = knowledge / "machines" / "small.yaml"
    path.write_text(path.read_text("utf-8").replace("Teaching machine", "Old friend"), "utf-8")
    titles = {profile.title for profile in outline.get_outline(knowledge).machines}
    assert "Old friend" in titles


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"form": 1}', '{"form": 1, "stamp": 2}'])
def test_a_broken_cache_is_made_anew(cache, text):
    outline.get_outline(PACKAGED)
    (path,) = cache.glob("outline-*.json")
    path.write_text(text, "utf-8")
    assert outline.get_outline(PACKAGED).machines
    assert json.loads(path.read_text("utf-8"))["form"] == outline.FORM


def test_a_cache_with_the_right_stamp_and_wrong_content_is_made_anew(cache):
    outline.get_outline(PACKAGED)
    (path,) = cache.glob("outline-*.json")
    data = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(data | {"machines": [{"id": "x"}]}), "utf-8")
    assert "small" in {profile.id for profile in outline.get_outline(PACKAGED).machines}


def test_a_cache_that_cannot_be_written_costs_only_time(tmp_path, monkeypatch):
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    monkeypatch.setenv("TENHOLD_CACHE", str(blocked))
    assert outline.get_outline(PACKAGED).machines


def test_broken_knowledge_is_an_error_even_after_it_was_whole(cache, knowledge):
    outline.get_outline(knowledge)
    (knowledge / "machines" / "small.yaml").write_text("title: [", "utf-8")
    with pytest.raises(KnowledgeError):
        outline.get_outline(knowledge)


def test_a_link_to_nowhere_is_stamped_all_the_same(cache, knowledge):
    before = outline.stamp_folder(knowledge)
    os.symlink(knowledge / "nowhere", knowledge / "checks" / "vapour" / "lost.yaml")
    assert outline.stamp_folder(knowledge) != before


def test_looks_come_before_what_is_measured():
    steps = outline.checkout_steps(list_catalogue(load(), "small"))
    kinds = [(outline.ZONES.index(t.check.zone), bool(t.check.procedure)) for t in steps]
    assert kinds == sorted(kinds)
